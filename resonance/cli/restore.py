"""``resonance restore``: bring a backup back."""

from argparse import Namespace
from pathlib import Path

from resonance.cli import screen
from resonance.cli.backup import problem_items
from resonance.cli.options import Commands, add_command, add_json

EXAMPLE = """\
resonance restore /media/stick/shop-2026-03-01.zip
resonance restore /media/stick/shop-2026-03-01.zip --shop look-first"""


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "restore",
        does="bring a backup back as it was",
        about="Into the shop's folder when that is not there yet or empty, else into one that you name "
        "with --shop. Nothing is overwritten.",
        example=EXAMPLE,
    )
    parser.add_argument("file", metavar="FILE", help="a file that 'resonance backup' wrote")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> int:
    """Bring a backup back; 1 when something in it was damaged."""
    from resonance.jobs.backup import restore
    from resonance.jobs.records import to_record
    from resonance.jobs.settings import shop_folder
    from resonance.jobs.store import Shop
    from resonance.report.words import count_words

    folder = shop_folder(arguments.shop)
    with screen.Progress() as progress:
        done = restore(Path(arguments.file), folder, progress=progress)
    if arguments.json:
        screen.print_json({"folder": str(done.path), "problems": to_record(done.problems)})
    else:
        jobs, recordings = (
            count_words(len(Shop(folder).jobs()), "job"),
            count_words(done.n_files, "recording"),
        )
        well = "" if done.problems else " All of it was looked through: all is well."
        screen.show(
            f"Brought back to {folder}: {jobs}, {recordings}.{well}",
            problem_items(done.problems, title="Damaged in the backup"),
        )
    return 0 if all(problem.harmless for problem in done.problems) else 1
