"""``resonance target``: the tap set a maker aims at."""

from argparse import Namespace

from resonance.cli import screen
from resonance.cli.options import Commands, UsageError, add_command, add_json
from resonance.cli.shop import open_shop

EXAMPLE = """\
resonance target my-viola set3
resonance target my-viola --clear"""


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(commands, "target", does="choose the tap set you aim at", example=EXAMPLE)
    parser.add_argument("job", metavar="JOB", help="name of the job")
    parser.add_argument("set", metavar="SET", nargs="?", help="tap set, such as set3")
    parser.add_argument("--clear", action="store_true", help="aim at none")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> None:
    """Set or clear the target."""
    from resonance.report.words import set_words

    if bool(arguments.set) == arguments.clear:
        raise UsageError("name a tap set, or --clear to aim at none")
    job = open_shop(arguments).set_target(arguments.job, arguments.set)
    if arguments.json:
        screen.print_json({"job": job.id, "target": job.target})
    elif job.target:
        screen.show(
            f"You aim at {set_words(job.target)}. See how far: 'resonance compare {job.id} {job.target} SET'."
        )
    else:
        screen.show("You aim at no tap set now.")
