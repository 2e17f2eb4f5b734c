"""``resonance compare``: what moved between two tap sets, and what could not have been seen."""

from argparse import Namespace
from typing import TYPE_CHECKING

from resonance.cli import screen
from resonance.cli.options import Commands, UsageError, add_command, add_json
from resonance.cli.ordering import unconfirmed_words
from resonance.cli.shop import open_shop
from resonance.report.blocks import Block, Items, Paragraph, Table

if TYPE_CHECKING:
    from resonance.changes.comparison import Comparison
    from resonance.jobs.job import Job

EXAMPLE = """\
resonance compare my-viola
resonance compare my-viola set1 set3"""


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "compare",
        does="say what moved between two tap sets, and what could not have been seen",
        about="Without BEFORE and AFTER: the tap sets around the last adjustment.",
        example=EXAMPLE,
    )
    parser.add_argument("job", metavar="JOB", help="name of the job")
    parser.add_argument("before", metavar="BEFORE", nargs="?", help="tap set, such as set1")
    parser.add_argument("after", metavar="AFTER", nargs="?", help="tap set, such as set2")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> None:
    """Compare and print."""
    from resonance.jobs.answers import compare_sets
    from resonance.jobs.job import default_pair, find_set
    from resonance.jobs.records import to_record

    if arguments.before and not arguments.after:
        raise UsageError("name two tap sets, BEFORE and AFTER, or none")
    shop = open_shop(arguments)
    job = shop.job(arguments.job)
    if arguments.before:
        before, after = find_set(job, arguments.before), find_set(job, arguments.after)
    else:
        before, after = default_pair(job)
    with screen.Progress() as progress:
        progress(0.2, f"comparing {before.id} and {after.id}")
        comparison = compare_sets(shop, job, before, after)
    if arguments.json:
        screen.print_json(to_record(comparison))
    else:
        screen.show(*comparison_blocks(job, comparison))


def comparison_blocks(job: "Job", comparison: "Comparison") -> list[Block]:
    """Say a comparison: checks first, what lies between, what to bear in mind, table, verdicts, bounds."""
    from resonance.report.content import build_report

    report = build_report(job, [comparison], audience="bench")
    changes = next(section for section in report.sections if section.name == "changes").sections[0]
    tables = [block for block in changes.blocks if isinstance(block, Table)]
    minded = [block for block in changes.blocks if isinstance(block, Items)]
    said = [block for block in changes.blocks if not isinstance(block, Table | Items)]
    lead = next((k for k, block in enumerate(said) if _is_lead(block)), 0)
    order = unconfirmed_words(job) if any(r.code == "order_not_confirmed" for r in comparison.reasons) else ""
    return [
        Paragraph(changes.title),
        *said[:lead],
        *minded,
        said[lead],
        *tables[:1],
        *said[lead + 1 :],
        *tables[1:],
        *([Paragraph(order)] if order else []),
    ]


def _is_lead(block: Block) -> bool:
    return isinstance(block, Paragraph) and block.tone == "lead"
