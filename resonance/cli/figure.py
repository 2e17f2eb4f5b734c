"""``resonance figure``: one picture of a job."""

from argparse import Namespace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from resonance.cli import screen
from resonance.cli.options import Commands, UsageError, add_command, add_json, positive
from resonance.cli.shop import open_shop
from resonance.errors import NotFoundError, ResonanceError

if TYPE_CHECKING:
    from resonance.jobs.job import Job
    from resonance.jobs.store import Shop
    from resonance.sets.tapset import TapSet

KINDS = ("over-time", "history", "post", "before-after", "spectrum", "decay")
ENDINGS = (".svg", ".png", ".pdf")
EXAMPLE = """\
resonance figure my-viola over-time --out readings.svg
resonance figure my-viola history --out history.svg
resonance figure my-viola before-after --sets set1 set2 --out moved.png
resonance figure my-viola spectrum --sets set2 --out set2.pdf
resonance figure my-viola decay --sets set2 --at 437 --out decay.svg"""


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "figure",
        does="draw one picture",
        about="over-time: readings of every tap set, with the adjustments.\n"
        "history: the same with the fitted courses, humidity and projection.\n"
        "post: what moving the post does on this instrument, and what is not known.\n"
        "before-after: spectra of two tap sets, matched resonances joined.\n"
        "spectrum: one tap set with its resonances and refused taps.\n"
        "decay: how one resonance dies away.",
        example=EXAMPLE,
    )
    parser.add_argument("job", metavar="JOB", help="name of the job")
    parser.add_argument("kind", metavar="KIND", choices=KINDS, help=", ".join(KINDS))
    parser.add_argument("--out", required=True, metavar="FILE", help="FILE.svg, FILE.png or FILE.pdf")
    parser.add_argument("--sets", nargs="+", default=[], metavar="SET", help="tap sets; the last unless said")
    parser.add_argument("--at", type=positive, metavar="HZ", help="which resonance (decay)")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> None:
    """Draw a picture and write it."""
    from resonance.cli.report import see_folder

    out = Path(arguments.out)
    if out.suffix.lower() not in ENDINGS:
        raise UsageError(f"--out {out.name} must end in .svg, .png or .pdf")
    if (arguments.kind == "decay") != (arguments.at is not None):
        raise UsageError("--at HZ goes with decay: it says which resonance")
    see_folder(out)
    shop = open_shop(arguments)
    job = shop.job(arguments.job)
    with screen.Progress() as progress:
        progress(0.1, "drawing")
        figure = _DRAWN[arguments.kind](shop, job, arguments)
        _write(figure, out)
    if arguments.json:
        screen.print_json({"job": job.id, "out": str(out)})
    else:
        screen.show(f"Written: {out}")


def _over_time(shop: "Shop", job: "Job", arguments: Namespace) -> Any:
    from resonance.jobs.tables import with_tracks
    from resonance.report.pictures import readings_over_time

    figure = readings_over_time(with_tracks(job))
    if figure is None:
        raise NotFoundError(f"{job.id} has no resonance that two tap sets show; add another tap set")
    return figure


def _history(shop: "Shop", job: "Job", arguments: Namespace) -> Any:
    from resonance.jobs.answers import histories_of
    from resonance.jobs.tables import with_tracks
    from resonance.report.course_pictures import history_figure

    tracked = with_tracks(job)
    figure = history_figure(tracked, histories_of(shop, tracked))
    if figure is None:
        raise NotFoundError(f"{job.id} has no resonance that two tap sets show; add another tap set")
    return figure


def _post(shop: "Shop", job: "Job", arguments: Namespace) -> Any:
    from resonance.jobs.answers import response_of
    from resonance.jobs.tables import with_tracks
    from resonance.report.course_pictures import post_figure
    from resonance.report.post_words import track_names

    tracked = with_tracks(job)
    response = response_of(shop, tracked)
    return post_figure(response, track_names(response, tracked))


def _before_after(shop: "Shop", job: "Job", arguments: Namespace) -> Any:
    from resonance.cli.figures import curve_of
    from resonance.jobs.answers import compare_sets
    from resonance.jobs.job import default_pair, find_set
    from resonance.report.pictures import before_after

    if len(arguments.sets) not in (0, 2):
        raise UsageError("before-after takes two tap sets, or none for those around the last adjustment")
    named = [find_set(job, each) for each in arguments.sets]
    before, after = named if named else default_pair(job)
    comparison = compare_sets(shop, job, before, after)
    curves = [curve_of(shop.with_sound(each)) for each in (before, after)]
    _see_taps(before, curves[0].frequencies.size)
    _see_taps(after, curves[1].frequencies.size)
    return before_after(job, comparison, *curves).get_figure(root=True)


def _spectrum(shop: "Shop", job: "Job", arguments: Namespace) -> Any:
    from resonance.cli.figures import curve_of
    from resonance.report.pictures import set_spectrum
    from resonance.sets.curves import refused_spectra

    tap_set = shop.with_sound(_one_set(job, arguments))
    curve = curve_of(tap_set)
    _see_taps(tap_set, curve.frequencies.size)
    return set_spectrum(tap_set, curve, refused_spectra(tap_set)).get_figure(root=True)


def _decay(shop: "Shop", job: "Job", arguments: Namespace) -> Any:
    from resonance.jobs.job import find_mode
    from resonance.report.pictures import mode_decay
    from resonance.sets import curves

    tap_set = shop.with_sound(_one_set(job, arguments))
    mode = find_mode(tap_set, arguments.at)
    decay = curves.mode_decay(tap_set, mode)
    if decay is None:
        raise NotFoundError(f"{tap_set.id} has no usable tap to draw")
    shown = slice(0, max(100, round(len(decay.times) * min(1.0, 1.5 * decay.clear / decay.times[-1]))))
    axes = mode_decay(
        mode,
        decay.times[shown],
        decay.db[shown],
        fitted=(0.0, decay.clear),
        others=[each[shown] for each in decay.taps],
        noise_db=decay.noise_db,
    )
    return axes.get_figure(root=True)


_DRAWN = {
    "over-time": _over_time,
    "history": _history,
    "post": _post,
    "before-after": _before_after,
    "spectrum": _spectrum,
    "decay": _decay,
}


def _one_set(job: "Job", arguments: Namespace) -> "TapSet":
    from resonance.jobs.job import find_set

    if len(arguments.sets) > 1:
        raise UsageError(f"{arguments.kind} takes one tap set")
    if arguments.sets:
        return find_set(job, arguments.sets[0])
    if not job.sets:
        raise NotFoundError(f"{job.id} has no tap set yet; add one first")
    return job.sets[-1]


def _see_taps(tap_set: "TapSet", n_points: int) -> None:
    if not n_points:
        raise NotFoundError(f"{tap_set.id} has no usable tap to draw")


def _write(figure: Any, out: Path) -> None:
    """Write a figure whole or not at all."""
    from resonance.cli.report import write_whole
    from resonance.plots.style import figure_svg

    if out.suffix.lower() == ".svg":
        write_whole(out, figure_svg(figure))
        return
    unfinished = out.with_name(f".{out.name}.part{out.suffix}")
    try:
        figure.savefig(unfinished, dpi=200)
        unfinished.replace(out)
    except OSError as trouble:
        raise ResonanceError(f"{out} cannot be written: {trouble.strerror}") from trouble
    finally:
        unfinished.unlink(missing_ok=True)
