"""Each figure alone, for command and page: `draw_figure` draws it, `figure_bytes` makes it a file."""

import io
from collections.abc import Callable, Sequence

import matplotlib
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from resonance.errors import NotFoundError, ResonanceError
from resonance.jobs.answers import compare_sets, histories_of, put_back_scatter, response_of, tracked
from resonance.jobs.job import Job, default_pair, find_mode, find_set
from resonance.jobs.store import Shop
from resonance.plots.stacked import stacked_figure
from resonance.plots.style import RC, figure_svg, settle
from resonance.plots.taps import TapLine, taps_figure
from resonance.report.course_pictures import history_figure, post_figure
from resonance.report.facts import adjustment_words, shortened
from resonance.report.gallery import curve_of
from resonance.report.pictures import (
    LONGEST_WORDS,
    before_after,
    mode_decay,
    readings_over_time,
    set_spectrum,
)
from resonance.report.places import places_drawing
from resonance.report.post_words import track_names
from resonance.report.readings import pitch_of
from resonance.report.timeline import timeline_of
from resonance.report.words import day_words, reasons_words, set_words
from resonance.sets import curves
from resonance.sets.tapset import TapSet

FORMS = {"svg": "image/svg+xml", "pdf": "application/pdf", "png": "image/png"}
MOST_STACKED = 24
DPI = 200


def draw_figure(
    shop: Shop,
    job: Job,
    kind: str,
    *,
    sets: Sequence[str] = (),
    at: float | None = None,
    guesses: bool = True,
) -> Figure:
    """Draw one figure of a job.

    Parameters
    ----------
    shop, job : as `Shop.job` gives it
    kind : 'weeks', 'over-time', 'history', 'post', 'before-after', 'spectrum', 'decay', 'taps', 'stacked' or
        'places'
    sets : ids of tap sets; the last one, or the last pair, where none is named
    at : float, Hz   which resonance, for 'decay'
    guesses : bool   show names that the maker has not given or confirmed

    Raises
    ------
    ValueError   when the kind is not known, takes another number of tap sets, or misses its resonance
    ResonanceError   when there is nothing to draw, in words
    """
    if kind not in _DRAWN:
        raise ValueError(f"figure is '{kind}'; it is one of {', '.join(_DRAWN)}")
    if len(sets) not in _COUNTS.get(kind, (0, 1)):
        raise ValueError(f"{kind} does not take {len(sets)} tap sets")
    if (kind == "decay") != (at is not None):
        raise ValueError("a frequency goes with decay: it says which resonance")
    return _DRAWN[kind](shop, job, [find_set(job, each) for each in sets], at, guesses)


def figure_bytes(figure: Figure, form: str) -> bytes:
    """Write a figure as the bytes of an SVG, PDF or PNG file, the same every time.

    Raises
    ------
    ValueError   when the form is none of these
    """
    if form not in FORMS:
        raise ValueError(f"form is '{form}'; it is one of {', '.join(FORMS)}")
    if form == "svg":
        return figure_svg(figure).encode("utf-8")
    written = io.BytesIO()
    settle(figure)
    dateless = (
        {"CreationDate": None, "Creator": None, "Producer": None} if form == "pdf" else {"Software": None}
    )
    with matplotlib.rc_context({**RC, "pdf.fonttype": 42}):
        figure.savefig(written, format=form, dpi=DPI, metadata=dateless)
    return written.getvalue()


def _over_time(shop: Shop, job: Job, sets: list[TapSet], at: float | None, guesses: bool) -> Figure:
    scatter = put_back_scatter(job, shop=shop).pooled.scatter_cents
    figure = readings_over_time(tracked(shop, job), scatter_cents=scatter, guesses=guesses)
    return _there(job, figure)


def _history(shop: Shop, job: Job, sets: list[TapSet], at: float | None, guesses: bool) -> Figure:
    followed = tracked(shop, job)
    scatter = put_back_scatter(job, shop=shop).pooled.scatter_cents
    found = histories_of(shop, followed) if len(job.sets) > 1 else []
    return _there(job, history_figure(followed, found, scatter_cents=scatter, guesses=guesses))


def _there(job: Job, figure: Figure | None) -> Figure:
    if figure is None:
        raise NotFoundError(f"{job.id} has no resonance that two tap sets show; add another tap set")
    return figure


def _post(shop: Shop, job: Job, sets: list[TapSet], at: float | None, guesses: bool) -> Figure:
    followed = tracked(shop, job)
    response = response_of(shop, followed)
    return post_figure(response, track_names(response, followed, guesses=guesses))


def _before_after(shop: Shop, job: Job, sets: list[TapSet], at: float | None, guesses: bool) -> Figure:
    before, after = sets or default_pair(job)
    comparison = compare_sets(shop, job, before, after)
    drawn = [curve_of(_heard(shop, each)) for each in (before, after)]
    return _root(before_after(job, comparison, drawn[0], drawn[1], guesses=guesses))


def _spectrum(shop: Shop, job: Job, sets: list[TapSet], at: float | None, guesses: bool) -> Figure:
    heard = _heard(shop, _one(job, sets))
    return _root(set_spectrum(heard, curve_of(heard), curves.refused_spectra(heard), guesses=guesses))


def _decay(shop: Shop, job: Job, sets: list[TapSet], at: float | None, guesses: bool) -> Figure:
    heard = _heard(shop, _one(job, sets))
    mode = find_mode(heard, at or 0.0)
    decay = curves.mode_decay(heard, mode)
    if decay is None:
        raise NotFoundError(f"{heard.id} has no usable tap to draw")
    whole = len(decay.times)
    shown = slice(0, max(100, round(whole * min(1.0, 1.5 * decay.clear / decay.times[-1]))))
    axes = mode_decay(
        mode,
        decay.times[shown],
        decay.db[shown],
        fitted=(0.0, decay.clear),
        others=[each[shown] for each in decay.taps],
        noise_db=decay.noise_db,
        guesses=guesses,
        pitch_a4=pitch_of(heard),
    )
    return _root(axes)


def _taps(shop: Shop, job: Job, sets: list[TapSet], at: float | None, guesses: bool) -> Figure:
    tap_set = _one(job, sets)
    if not tap_set.taps:
        raise NotFoundError(f"{tap_set.id} has no tap to draw")
    many = len(tap_set.takes) > 1
    lines = [
        TapLine(
            f"tap {k}" + (f", recording {tap.take + 1}" if many else ""),
            tap.peak_dbfs,
            tap.snr_db,
            tap.reach,
            tap.kept,
            "; ".join(("" if tap.kept else "refused: ") + why for why in _why(tap_set, k - 1)),
        )
        for k, tap in enumerate(tap_set.taps, 1)
    ]
    return taps_figure(lines)


def _why(tap_set: TapSet, k: int) -> list[str]:
    tap = tap_set.taps[k]
    words = [shortened(each, 46) for each in reasons_words(tap.faults)[:1]]
    return words or ([] if tap.kept else ["by the maker" if tap.judged_by == "maker" else "no reason noted"])


def _stacked(shop: Shop, job: Job, sets: list[TapSet], at: float | None, guesses: bool) -> Figure:
    chosen = sets or list(job.sets[-MOST_STACKED:])
    if not chosen:
        raise NotFoundError(f"{job.id} has no tap set yet; add one first")
    drawn, between = [], []
    for tap_set in chosen:
        curve = curve_of(shop.with_sound(tap_set))
        if curve.frequencies.size:
            day = f", {day_words(tap_set.taken)}" if tap_set.taken else ""
            drawn.append(type(curve)(curve.frequencies, curve.db, f"{set_words(tap_set.id)}{day}"))
            between.append(_done_before(job, tap_set, chosen))
    if not drawn:
        raise NotFoundError(f"{job.id} has no usable tap to draw")
    band = chosen[-1].analysis.band
    band = band if band[0] > 0.0 and band[1] > band[0] else (60.0, 1200.0)
    return stacked_figure(drawn, between, band=band, pitch_a4=pitch_of(chosen[-1]))


def _done_before(job: Job, tap_set: TapSet, chosen: Sequence[TapSet]) -> str:
    """Say what was done between the drawn set before and this one."""
    ids = [entry.id for entry in timeline_of(job)]
    here = ids.index(tap_set.id)
    earlier = [ids.index(each.id) for each in chosen if ids.index(each.id) < here]
    inside = ids[max(earlier, default=here) : here]
    done = [adjustment_words(a, longest=LONGEST_WORDS) for a in job.adjustments if a.id in inside]
    return "; ".join(done)


def _places(shop: Shop, job: Job, sets: list[TapSet], at: float | None, guesses: bool) -> Figure:
    return places_drawing(job.instrument, _one(job, sets))[0]


def _one(job: Job, sets: list[TapSet]) -> TapSet:
    if sets:
        return sets[0]
    if not job.sets:
        raise NotFoundError(f"{job.id} has no tap set yet; add one first")
    return job.sets[-1]


def _heard(shop: Shop, tap_set: TapSet) -> TapSet:
    """Give a tap set with its sound, after it was seen to have a tap to draw."""
    heard = shop.with_sound(tap_set)
    if not curve_of(heard).frequencies.size:
        raise NotFoundError(f"{tap_set.id} has no usable tap to draw")
    return heard


def _root(axes: Axes) -> Figure:
    figure = axes.get_figure(root=True)
    if figure is None:
        raise ResonanceError("nothing was drawn")
    return figure


Draw = Callable[[Shop, Job, list[TapSet], float | None, bool], Figure]
_DRAWN: dict[str, Draw] = {
    "weeks": _history,
    "over-time": _over_time,
    "history": _history,
    "post": _post,
    "before-after": _before_after,
    "spectrum": _spectrum,
    "decay": _decay,
    "taps": _taps,
    "stacked": _stacked,
    "places": _places,
}
_COUNTS: dict[str, tuple[int, ...]] = {  # how many tap sets may be named; none or one unless said
    "weeks": (0,),
    "over-time": (0,),
    "history": (0,),
    "post": (0,),
    "before-after": (0, 2),
    "stacked": tuple(range(MOST_STACKED + 1)),
}
