"""``resonance demo``: a made-up viola over seven weeks, in a shop of its own."""

from argparse import Namespace
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from resonance.cli import screen
from resonance.cli.options import Commands, add_command
from resonance.errors import ResonanceError

if TYPE_CHECKING:
    from resonance.changes.comparison import Comparison
    from resonance.jobs.job import Job
    from resonance.jobs.store import Shop
    from resonance.report.blocks import Block

EXAMPLE = """\
resonance demo
resonance demo --out try-it"""
FOLDER = "resonance-demo"
NOTICE = "Invented: every sound of this job was synthesised; no instrument stands behind it."


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "demo",
        does="show all of it on a made-up viola",
        about="Makes up seven weeks of a new viola's tap sets and adjustments, analyses them, prints what it "
        f"found and writes a report and pictures. It has a shop of its own in ./{FOLDER}, so that nothing "
        "invented lands among your jobs. Takes up to a minute.",
        example=EXAMPLE,
    )
    parser.add_argument("--out", metavar="DIR", help=f"a new or empty folder (./{FOLDER} unless said)")
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> None:
    """Build the demo, print it, write report and pictures."""
    from resonance.demo import build_demo
    from resonance.jobs.store import Shop
    from resonance.jobs.tables import with_tracks

    out = _free_folder(arguments.out)
    shop_folder = Path(arguments.shop) if arguments.shop else out / "shop"
    out.mkdir(parents=True, exist_ok=True)
    with screen.Progress() as progress:
        job = with_tracks(build_demo(shop_folder, progress=progress.part(0.0, 0.8)))
        shop = Shop(shop_folder)
        comparisons, written = _write(shop, job, out, progress.part(0.8, 1.0))
    screen.show(*demo_blocks(job, comparisons))
    screen.gap()
    screen.show(_end(job, shop_folder, written))


def _free_folder(named: str | None) -> Path:
    """Give the folder to write to: the one named, else the first free one of the usual name.

    Raises
    ------
    ResonanceError   when the folder named holds something already
    """
    if named is not None:
        folder = Path(named)
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise ResonanceError(f"{folder} holds something already; name a new folder with --out")
        return folder
    number = 1
    while (folder := Path(FOLDER if number == 1 else f"{FOLDER}-{number}")).exists():
        number += 1
    return folder


def _write(
    shop: "Shop", job: "Job", out: Path, progress: Callable[[float, str], None]
) -> "tuple[tuple[Comparison, ...], list[Path]]":
    """Write the report, as page and as PDF, and its pictures; give the comparisons and what was written."""
    from resonance.cli.report import write_whole
    from resonance.report.blocks import pictures_of
    from resonance.report.build import find_out, report_of, write_report

    findings = find_out(shop, job.id, progress=lambda done, text: progress(0.5 * done, text))
    report = report_of(
        shop,
        findings,
        audience="bench",
        made=shop.clock(),
        notice=NOTICE,
        progress=lambda done, text: progress(0.5 + 0.4 * done, text),
    )
    written = [out / "report.pdf", out / "report.html"]
    for path in written:
        write_whole(path, write_report(report, form=path.suffix[1:]))
    for picture in pictures_of(report):
        name = "-".join([*picture.place.split(), *picture.key.split()])
        written.append(out / f"{name}.svg")
        write_whole(written[-1], picture.svg)
    return findings.comparisons, written


def demo_blocks(job: "Job", comparisons: "tuple[Comparison, ...]") -> "list[Block]":
    """Say what a first look should see: first and last readings, the last comparison, readings over time."""
    from resonance.cli.compare import comparison_blocks
    from resonance.cli.modes import readings_blocks
    from resonance.report.blocks import Paragraph
    from resonance.report.readings import over_time_tables
    from resonance.report.words import day_words, set_words

    blocks: list[Block] = [Paragraph(NOTICE, "caution")]
    for tap_set in (job.sets[0], job.sets[-1]):
        title = f"{set_words(tap_set.id).capitalize()}, {day_words(tap_set.taken)}"
        blocks += [Paragraph(title), *readings_blocks(tap_set)]
    blocks += [Paragraph("The last comparison"), *comparison_blocks(job, comparisons[-1])]
    return [*blocks, Paragraph("Readings over time"), *over_time_tables(job)]


def _end(job: "Job", shop_folder: Path, written: list[Path]) -> "Block":
    from resonance.report.blocks import Facts

    return Facts(
        (
            ("Report", f"{written[0]}, {written[1].name}"),
            ("Pictures", ", ".join(path.name for path in written[2:]) + f" in {written[0].parent}"),
            ("What is in it", f"{shop_folder / 'truth.json'}"),
            ("Look around", f"resonance job show {job.id} --shop {shop_folder}"),
        ),
        wide=True,
    )
