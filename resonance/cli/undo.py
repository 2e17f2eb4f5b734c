"""``resonance undo``: take back the last thing done."""

from argparse import Namespace

from resonance.cli import screen
from resonance.cli.options import Commands, add_command, add_json
from resonance.cli.shop import open_shop

EXAMPLE = """\
resonance undo
resonance undo my-viola"""


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "undo",
        does="take back the last thing done",
        about="Once more takes back the one before. Recordings stay in the shop's folder.",
        example=EXAMPLE,
    )
    parser.add_argument("job", metavar="JOB", nargs="?", help="in this job only; the whole shop if left out")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> None:
    """Undo the last act."""
    from resonance.jobs.records import to_record
    from resonance.report.words import moment_words

    act = open_shop(arguments).undo(arguments.job)
    if arguments.json:
        screen.print_json(to_record(act))
        return
    where = f" (job {act.job})" if act.job and act.job not in act.text else ""
    screen.show(f"Taken back: {act.text}{where}, done {moment_words(act.made)}.")
