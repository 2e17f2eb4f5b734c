"""``resonance check``: see that nothing in the shop is damaged or missing."""

from argparse import Namespace

from resonance.cli import screen
from resonance.cli.options import Commands, add_command, add_json
from resonance.cli.shop import open_shop
from resonance.report.blocks import Items

EXAMPLE = "resonance check"


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "check",
        does="see that nothing in the shop is damaged or missing",
        about="Every record and every sound file is read and compared with its own fingerprint.",
        example=EXAMPLE,
    )
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> int:
    """Check the shop; 1 when something is lost."""
    from resonance.jobs.records import to_record
    from resonance.report.words import count_words, sentence

    shop = open_shop(arguments)
    with screen.Progress() as progress:
        problems = shop.check(progress=progress)
    if arguments.json:
        screen.print_json({"problems": to_record(problems)})
    elif problems:
        items = tuple(sentence(problem.text) for problem in problems)
        screen.show(Items(items, title=f"{count_words(len(problems), 'problem')} in {shop.folder}"))
    else:
        screen.show(f"All is well in {shop.folder}: {count_words(len(shop.jobs()), 'job')}.")
    return 0 if all(problem.harmless for problem in problems) else 1
