"""``resonance check``: see that nothing is damaged or missing, and mend what can be."""

from argparse import Namespace
from pathlib import Path
from typing import TYPE_CHECKING

from resonance.cli import screen
from resonance.cli.options import Commands, UsageError, add_command, add_json
from resonance.cli.shop import open_shop
from resonance.errors import ShopError

if TYPE_CHECKING:
    from resonance.jobs.check import Problem
    from resonance.jobs.mend import Mended

EXAMPLE = """\
resonance check
resonance check /media/stick/shop-2026-03-01.zip
resonance check --mend-from /media/stick/shop-2026-03-01.zip"""


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "check",
        does="see that nothing in the shop is damaged or missing",
        about="Every record and every sound file is read and compared with its own fingerprint. "
        "With PATH it looks through a backup or an exported job instead.\n"
        "--mend-from takes what is damaged or missing from a backup, an exported job or a copy of the shop's "
        "folder; close other windows of resonance first.",
        example=EXAMPLE,
    )
    parser.add_argument("path", metavar="PATH", nargs="?", help="a backup, or the folder of an exported job")
    parser.add_argument(
        "--mend-from", metavar="SOURCE", help="mend the shop from this backup, export or copy"
    )
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> int:
    """Check the shop, a backup or an export; 1 when something is lost."""
    from resonance.jobs.mend import Mended
    from resonance.jobs.records import to_record

    if arguments.path and arguments.mend_from:
        raise UsageError("name a PATH to look through or --mend-from, not both")
    mended = Mended()
    with screen.Progress() as progress:
        if arguments.path:
            where, problems = arguments.path, check_path(Path(arguments.path), progress)
        elif arguments.mend_from:
            where, mended = mend(arguments, progress)
            problems = mended.left
        else:
            shop = open_shop(arguments)
            where, problems = str(shop.folder), shop.check(progress=progress)
    if arguments.json:
        record = (
            {"mended": {"rows": mended.rows, "sounds": list(mended.sounds)}} if arguments.mend_from else {}
        )
        screen.print_json({"problems": to_record(problems), **record})
    else:
        _say(where, problems, mended, asked=bool(arguments.mend_from))
    return 0 if all(problem.harmless for problem in problems) else 1


def check_path(path: Path, progress: screen.Progress) -> "tuple[Problem, ...]":
    """Look through a backup or an exported job."""
    from resonance.jobs.archive import check_export
    from resonance.jobs.backup import check_backup

    if path.is_dir():
        return check_export(path, progress=progress)
    return check_backup(path, progress=progress)


def mend(arguments: Namespace, progress: screen.Progress) -> "tuple[str, Mended]":
    """Mend the shop; a shop too torn to be opened too."""
    from resonance.jobs.mend import mend_shop
    from resonance.jobs.settings import shop_folder

    folder = shop_folder(arguments.shop)
    if not (folder / "shop.db").is_file():
        raise ShopError(f"there is no shop in {folder}; 'resonance restore BACKUP' brings a whole one back")
    return str(folder), mend_shop(folder, arguments.mend_from, progress=progress)


def _say(where: str, problems: "tuple[Problem, ...]", mended: "Mended", *, asked: bool) -> None:
    from resonance.report.blocks import Items
    from resonance.report.words import count_words, sentence

    done = [count_words(mended.rows, "record")] if mended.rows else []
    done += [count_words(len(mended.sounds), "recording")] if mended.sounds else []
    if done:
        screen.show(f"Mended: {' and '.join(done)}.")
    elif mended.copy:
        screen.show("Mended.")
    elif asked and problems:
        screen.show("Nothing could be mended from there.")
    if mended.copy:
        screen.show(f"The database as it was is kept in {mended.copy}.")
    if problems:
        items = tuple(sentence(problem.text) for problem in problems)
        screen.show(Items(items, title=f"{count_words(len(problems), 'problem')} in {where}"))
    else:
        screen.show(f"All is well in {where}.")
