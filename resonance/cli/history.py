"""``resonance history``: what each adjustment did, apart from settling and weather; what still moves."""

from argparse import Namespace

from resonance.cli import screen
from resonance.cli.options import Commands, add_command, add_json
from resonance.cli.shop import open_shop

EXAMPLE = """\
resonance history my-viola
resonance history my-viola --json"""


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "history",
        does="say what each adjustment did, apart from settling and weather",
        about="Over all tap sets of the job, chapter by chapter: a new post, a full string change or an "
        "opened body begins a new one.",
        example=EXAMPLE,
    )
    parser.add_argument("job", metavar="JOB", help="name of the job")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> None:
    """Fit and print the histories."""
    from resonance.jobs.answers import histories_of, mixed_words, tracked
    from resonance.jobs.records import to_record
    from resonance.report.courses import history_blocks

    shop = open_shop(arguments)
    job = tracked(shop, shop.job(arguments.job))
    with screen.Progress() as progress:
        found = histories_of(shop, job, progress=progress)
    screen.note(mixed_words(job))
    if arguments.json:
        screen.print_json({"job": job.id, "histories": [to_record(each) for each in found]})
        return
    screen.show(*history_blocks(job, found))
