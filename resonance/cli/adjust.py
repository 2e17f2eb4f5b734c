"""``resonance adjust``: note what you changed; says first what could be seen today."""

from argparse import Namespace
from math import isfinite, nan
from typing import TYPE_CHECKING

from resonance.cli import ordering, screen
from resonance.cli.options import Commands, UsageError, add_command, add_json, moment, number
from resonance.cli.shop import open_shop
from resonance.sets.setup import ENDS, FARTHEST_MM, PARTS, Adjustment
from resonance.sets.tapset import TapSet

if TYPE_CHECKING:
    from resonance.jobs.job import Job

EXAMPLE = """\
resonance adjust my-viola --part soundpost --along 0.25 --note "a hair back"
resonance adjust my-viola --part bridge --note "thinned at the top, 0.2 g less"
resonance adjust my-viola --part strings --new-chapter --note "new set" --made 2025-03-01"""


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "adjust",
        does="note what you changed; says first what could be seen today",
        about="Displacements are of the post relative to the bridge, so a moved bridge counts too.\n"
        "A negative number means the other way: --along -0.25 is towards the bridge.",
        example=EXAMPLE,
    )
    parser.add_argument("job", metavar="JOB", help="name of the job")
    parser.add_argument("--part", required=True, choices=PARTS, help=", ".join(PARTS), metavar="PART")
    parser.add_argument("--along", type=number, metavar="MM", help="away from the bridge; minus: towards it")
    parser.add_argument("--across", type=number, metavar="MM", help="in, to the centre joint; minus: out")
    parser.add_argument("--end", choices=ENDS, default="", help="which end of the post moved")
    parser.add_argument("--note", default="", metavar="TEXT", help="in your own words")
    parser.add_argument("--made", type=moment, metavar="WHEN", help="when, if not now: 2025-03-01T14:30")
    parser.add_argument(
        "--new-chapter",
        action="store_true",
        help="a new post, a full string change or an opened body: nothing is compared across it in histories",
    )
    parser.add_argument("--anyway", action="store_true", help=f"note it even if beyond {FARTHEST_MM:g} mm")
    where = parser.add_mutually_exclusive_group()
    where.add_argument("--before", metavar="ENTRY", help="it was before this tap set or adjustment")
    where.add_argument("--after", metavar="ENTRY", help="it was after this one")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> None:
    """Say what could be seen, warn, then record."""
    from resonance.jobs.answers import put_back_scatter
    from resonance.report.beforehand import beforehand_blocks

    _check_distances(arguments)
    shop = open_shop(arguments)
    job = shop.job(arguments.job)
    adjustment = Adjustment(
        "",
        made=arguments.made,
        part=arguments.part,
        along_mm=nan if arguments.along is None else arguments.along,
        across_mm=nan if arguments.across is None else arguments.across,
        end=arguments.end,
        new_chapter=arguments.new_chapter,
        note=arguments.note.strip(),
    )
    last = job.sets[-1] if job.sets else None
    if not arguments.json:
        screen.show(*beforehand_blocks(job, last, arguments.part, yardstick=put_back_scatter(job, shop=shop)))
    added = shop.add_adjustment(job.id, adjustment, before=arguments.before, after=arguments.after)
    _print(shop.job(job.id), added, last, arguments)
    screen.note(ordering.future_words(arguments.made))


def _check_distances(arguments: Namespace) -> None:
    for option, distance in (("--along", arguments.along), ("--across", arguments.across)):
        if distance is not None and abs(distance) > FARTHEST_MM and not arguments.anyway:
            raise UsageError(
                f"{option} takes millimetres, and {abs(distance):g} mm is far; if it is right, add --anyway"
            )


def _print(job: "Job", added: Adjustment, last: TapSet | None, arguments: Namespace) -> None:
    from resonance.jobs.job import unconfirmed
    from resonance.jobs.records import to_record
    from resonance.report.facts import adjustment_words
    from resonance.report.words import adjustment_id_words

    waits = added.id in [entry.id for entry in unconfirmed(job)]
    if arguments.json:
        from resonance.jobs.answers import put_back_scatter
        from resonance.report.beforehand import detectable

        yardstick = put_back_scatter(job, shop=open_shop(arguments))
        seen = to_record(detectable(last, arguments.part, yardstick)) if last is not None else []
        record = {**to_record(added), "job": job.id, "confirmed": not waits, "detectable": seen}
        screen.print_json(record)
        return
    screen.gap()
    screen.show(
        f"Noted as {adjustment_id_words(added.id)} ({added.id}): {adjustment_words(added)}.",
        _distance_words(job, added),
        *(ordering.order_blocks(job, last=6) if waits else ()),
        ordering.unconfirmed_words(job) if waits else "",
    )


def _distance_words(job: "Job", added: Adjustment) -> str:
    """Say that no distance was noted of a moved post, and how to add it; '' where none is missing."""
    if added.part != "soundpost" or isfinite(added.along_mm) or isfinite(added.across_mm):
        return ""
    return f"No distance was noted; 'resonance job edit {job.id} {added.id} along=0.5' adds it (millimetres)."
