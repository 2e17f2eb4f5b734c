"""``resonance report``: a report of a job as one HTML page or as plain text."""

from argparse import Namespace
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from resonance.cli import screen
from resonance.cli.options import Commands, UsageError, add_command, add_json
from resonance.cli.ordering import unconfirmed_words
from resonance.cli.shop import open_shop
from resonance.errors import ResonanceError

if TYPE_CHECKING:
    from resonance.jobs.job import Job
    from resonance.jobs.store import Shop

EXAMPLE = """\
resonance report my-viola --out my-viola.html
resonance report my-viola --out my-viola.txt --for bench"""
MAIN = ("A0", "B1-", "B1+")
ENDINGS = (".html", ".htm", ".txt")


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "report",
        does="write a report of a job, one page or plain text",
        about="The page holds its pictures and needs nothing else; print it from the browser. For the "
        "customer, your bench notes, the owner's name and the program's guesses at names are left out.",
        example=EXAMPLE,
    )
    parser.add_argument("job", metavar="JOB", help="name of the job")
    parser.add_argument("--out", required=True, metavar="FILE", help="FILE.html or FILE.txt")
    parser.add_argument(
        "--for",
        dest="audience",
        choices=("customer", "bench"),
        default="customer",
        help="whom it is for: customer unless said; the bench gets all",
    )
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> None:
    """Write the report."""
    out = Path(arguments.out)
    if out.suffix.lower() not in ENDINGS:
        raise UsageError(
            f"--out {out.name} must end in .html or .txt; for PDF, print the page from a browser"
        )
    see_folder(out)
    from resonance.jobs.answers import mixed_words

    shop = open_shop(arguments)
    job = shop.job(arguments.job)
    with screen.Progress() as progress:
        text = report_of(
            shop, job, html=out.suffix.lower() != ".txt", audience=arguments.audience, progress=progress
        )
        write_whole(out, text)
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


def report_of(
    shop: "Shop",
    job: "Job",
    *,
    html: bool,
    audience: str,
    progress: Callable[[float, str], None],
    notice: str = "",
) -> str:
    """Give the report of a job as text."""
    from resonance.jobs.answers import compare_all, tracked

    made = datetime.now().astimezone()
    comparisons = compare_all(shop, job, progress=lambda done, text: progress(0.6 * done, text))
    job = tracked(shop, job)
    if not html:
        from resonance.report.text import report_text

        return report_text(job, comparisons, audience=audience, made=made, notice=notice)
    from resonance.cli.figures import job_pictures
    from resonance.report.html import report_html

    progress(0.6, "drawing")
    pictures = job_pictures(shop, job, comparisons, guesses=audience == "bench", progress=progress)
    return report_html(job, comparisons, pictures, audience=audience, made=made, notice=notice)


def see_folder(path: Path) -> None:
    """See that the folder a file is to be written in is there.

    Raises
    ------
    ResonanceError   when it is not
    """
    if not path.parent.is_dir():
        raise ResonanceError(f"there is no folder {path.parent}; make it, or choose another --out")


def write_whole(path: Path, text: str) -> None:
    """Write a text file whole or not at all.

    Raises
    ------
    ResonanceError   when the folder cannot be written to
    """
    see_folder(path)
    unfinished = path.with_name(f".{path.name}.part")
    try:
        unfinished.write_text(text, encoding="utf-8")
        unfinished.replace(path)
    except OSError as trouble:
        raise ResonanceError(f"{path} cannot be written: {trouble.strerror}") from trouble
    finally:
        unfinished.unlink(missing_ok=True)
