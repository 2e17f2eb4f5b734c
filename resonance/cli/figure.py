"""``resonance figure``: one picture of a job."""

from argparse import Namespace
from pathlib import Path

from resonance.cli import screen
from resonance.cli.options import Commands, UsageError, add_command, add_json, positive
from resonance.cli.shop import open_shop

KINDS = {  # kind: (how many tap sets may be named, what it shows)
    "weeks": ("0", "readings over time, with the fitted courses where there are any"),
    "over-time": ("0", "readings of every tap set, with the adjustments"),
    "history": ("0", "the same with the fitted courses, humidity and projection"),
    "post": ("0", "what moving the post does on this instrument, and what is not known"),
    "before-after": ("02", "spectra of two tap sets, matched resonances joined"),
    "spectrum": ("01", "one tap set with its resonances and refused taps"),
    "decay": ("01", "how one resonance dies away"),
    "taps": ("01", "how good each tap of a tap set was, and why it was refused"),
    "stacked": ("", "spectra of all tap sets, one above the other"),
    "places": ("01", "where a tap set was held, tapped and heard"),
}
ENDINGS = (".svg", ".png", ".pdf")
EXAMPLE = """\
resonance figure my-viola weeks --out weeks.svg
resonance figure my-viola before-after --sets set1 set2 --out moved.png
resonance figure my-viola spectrum --sets set2 --out set2.pdf
resonance figure my-viola decay --sets set2 --at 437 --out decay.svg"""


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "figure",
        does="draw one picture",
        about="\n".join(f"{kind}: {words}." for kind, (_, words) in KINDS.items()),
        example=EXAMPLE,
    )
    parser.add_argument("job", metavar="JOB", help="name of the job")
    parser.add_argument("kind", metavar="KIND", choices=tuple(KINDS), help=", ".join(KINDS))
    parser.add_argument("--out", required=True, metavar="FILE", help="FILE.svg, FILE.png or FILE.pdf")
    parser.add_argument("--sets", nargs="+", default=[], metavar="SET", help="tap sets; the last unless said")
    parser.add_argument("--at", type=positive, metavar="HZ", help="which resonance (decay)")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> None:
    """Draw a picture and write it."""
    from resonance.cli.report import see_folder, write_whole

    out = Path(arguments.out)
    _see_usage(out, arguments)
    see_folder(out)
    shop = open_shop(arguments)
    job = shop.job(arguments.job)
    with screen.Progress() as progress:
        progress(0.1, "drawing")
        from resonance.report.figures import draw_figure, figure_bytes

        figure = draw_figure(shop, job, arguments.kind, sets=arguments.sets, at=arguments.at)
        write_whole(out, figure_bytes(figure, out.suffix.lower()[1:]))
    if arguments.json:
        screen.print_json({"job": job.id, "out": str(out)})
    else:
        screen.show(f"Written: {out}")


def _see_usage(out: Path, arguments: Namespace) -> None:
    """See that file, sets and frequency fit the kind of picture.

    Raises
    ------
    UsageError   saying what would be right
    """
    if out.suffix.lower() not in ENDINGS:
        raise UsageError(f"--out {out.name} must end in .svg, .png or .pdf")
    if (arguments.kind == "decay") != (arguments.at is not None):
        raise UsageError("--at HZ goes with decay: it says which resonance")
    counts, _ = KINDS[arguments.kind]
    if counts and str(len(arguments.sets)) not in counts:
        takes = {"0": "no tap set", "01": "one tap set", "02": "two tap sets, or none for the last pair"}
        raise UsageError(f"{arguments.kind} takes {takes[counts]}")
