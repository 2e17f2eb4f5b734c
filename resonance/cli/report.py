"""``resonance report``: a report of a job as PDF, one HTML page or plain text."""

from argparse import Namespace
from pathlib import Path
from typing import TYPE_CHECKING

from resonance.cli import screen
from resonance.cli.options import Commands, UsageError, add_command, add_json
from resonance.cli.ordering import unconfirmed_words
from resonance.cli.shop import open_shop
from resonance.errors import ResonanceError

if TYPE_CHECKING:
    from resonance.jobs.job import Job

EXAMPLE = """\
resonance report my-viola --out my-viola.pdf
resonance report my-viola --out my-viola.html --for bench"""
MAIN = ("A0", "B1-", "B1+")
ENDINGS = {".pdf": "pdf", ".html": "html", ".htm": "html", ".txt": "txt"}


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "report",
        does="write a report of a job: PDF, one page for a browser, or plain text",
        about="The file holds its pictures and needs nothing else; a PDF has the readings attached. "
        "For the customer your bench notes, the owner's name and guessed names are left out.",
        example=EXAMPLE,
    )
    parser.add_argument("job", metavar="JOB", help="name of the job")
    parser.add_argument("--out", required=True, metavar="FILE", help="FILE.pdf, FILE.html or FILE.txt")
    parser.add_argument(
        "--for",
        dest="audience",
        choices=("customer", "bench"),
        default="customer",
        help="whom it is for: customer unless said; the bench gets all",
    )
    parser.add_argument(
        "--paper", choices=("a4", "letter"), default="a4", help="paper of a PDF: a4 unless said"
    )
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> None:
    """Write the report."""
    from resonance.jobs.answers import mixed_words

    out = Path(arguments.out)
    form = ENDINGS.get(out.suffix.lower())
    if form is None:
        raise UsageError(f"--out {out.name} must end in .pdf, .html or .txt")
    see_folder(out)
    shop = open_shop(arguments)
    job = shop.job(arguments.job)
    with screen.Progress() as progress:
        from resonance.report.build import build

        built = build(
            shop, job.id, audience=arguments.audience, form=form, paper=arguments.paper, progress=progress
        )
        write_whole(out, built.data)
    if arguments.json:
        screen.print_json({"job": job.id, "out": str(out)})
    else:
        screen.show(f"Written: {out}")
        screen.show(guesses_words(job) if arguments.audience == "customer" else "")
    screen.note(unconfirmed_words(job), mixed_words(job))


def guesses_words(job: "Job") -> str:
    """Say that a customer's report leaves out guessed names, and how to keep one; '' where none is."""
    guessed = [
        (tap_set.id, mode)
        for tap_set in reversed(job.sets)
        for mode in tap_set.modes
        if mode.label and mode.labelled_by != "maker"
    ]
    if not guessed:
        return ""
    set_id, mode = min(guessed, key=lambda each: each[1].label not in MAIN)
    return (
        f"Guessed names are left out. Keep one with 'resonance label {job.id} {set_id} "
        f"{mode.frequency:.1f} {mode.label}' (A0, B1−, B1+ first), or all with --for bench."
    )


def see_folder(path: Path) -> None:
    """See that the folder a file is to be written in is there.

    Raises
    ------
    ResonanceError   when it is not
    """
    if not path.parent.is_dir():
        raise ResonanceError(f"there is no folder {path.parent}; make it, or choose another --out")


def write_whole(path: Path, content: bytes | str) -> None:
    """Write a file whole or not at all.

    Raises
    ------
    ResonanceError   when the folder cannot be written to
    """
    from resonance.jobs.folders import write_bytes
    from resonance.sound.files import sync_folder

    see_folder(path)
    unfinished = path.with_name(f".{path.name}.part")
    try:
        write_bytes(unfinished, content.encode("utf-8") if isinstance(content, str) else content)
        unfinished.replace(path)
        sync_folder(path.parent)
    except OSError as trouble:
        raise ResonanceError(f"{path} cannot be written: {trouble.strerror}") from trouble
    finally:
        unfinished.unlink(missing_ok=True)
