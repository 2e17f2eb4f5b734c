"""``resonance backup``: the whole shop as one file."""

from argparse import Namespace
from pathlib import Path

from resonance.cli import screen
from resonance.cli.options import Commands, add_command, add_json
from resonance.cli.shop import open_shop
from resonance.report.blocks import Items

EXAMPLE = "resonance backup /media/stick/shop-2026-03-01.zip"


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "backup",
        does="copy the whole shop into one file, and read it back to see that it is right",
        about="Recording may go on meanwhile. Keep the last few files, on another disk than the shop.",
        example=EXAMPLE,
    )
    parser.add_argument("file", metavar="FILE", help="a new file, best on another disk")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> int:
    """Back up the shop; 1 when it held damage (the file is written all the same)."""
    from resonance.jobs.backup import backup
    from resonance.jobs.records import to_record
    from resonance.report.words import count_words

    shop = open_shop(arguments)
    with screen.Progress() as progress:
        done = backup(shop, Path(arguments.file), progress=progress)
    if arguments.json:
        record = {"file": str(done.path), "n_sounds": done.n_files, "n_bytes": done.n_bytes}
        screen.print_json({**record, "problems": to_record(done.problems)})
    else:
        size, recordings = size_words(done.n_bytes), count_words(done.n_files, "recording")
        screen.show(
            f"Written to {done.path} and read back: {recordings}, {size}.", problem_items(done.problems)
        )
    return 0 if all(problem.harmless for problem in done.problems) else 1


def size_words(n_bytes: int) -> str:
    """Say how large a file is: '3.2 MB', '812 MB'."""
    mega = n_bytes / 1e6
    return f"{mega:.1f} MB" if mega < 9.95 else f"{mega:.0f} MB"


def problem_items(problems: tuple, *, title: str = "Damage that was there already") -> Items | str:  # type: ignore[type-arg]
    """List problems, nothing where there are none."""
    from resonance.report.words import sentence

    return Items(tuple(sentence(problem.text) for problem in problems), title=title) if problems else ""
