"""The history of every mode of a job: settling, what each adjustment did, what the weather did, what is left.

The model stands in `resonance.changes.settling`, the exact mixture over its grid in
`resonance.changes.mixture`. The modes of a job inform each other about time constant, scatter and drift,
never about the size of a step.

Reason codes
------------
suspect_set : {'set'}                  fits none of the modes well: counted less
suspect_reading : {'set'}              of this mode does not fit the others: counted less
readings_in_doubt : {'n'}              may belong to another mode and are left out: 'same' settles it
"""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from math import isfinite, log, nan
from typing import Any

import numpy as np

from resonance.changes.chapters import (
    Chapter,
    aware,
    climate_reasons,
    humidity_swing,
    make_chapters,
)
from resonance.changes.comparison import Repeatability
from resonance.changes.course import CANNOT_TELL, History, Step
from resonance.changes.joint import ids_alone, joint_steps
from resonance.changes.mixture import (
    Fits,
    Posterior,
    coefficient,
    fit_all,
    keep,
    moments,
    quantiles,
    share,
)
from resonance.changes.pair import is_body
from resonance.changes.repeatability import (
    PUT_BACK,
    UNTOUCHED,
    scatter_for,
)
from resonance.changes.repeatability import (
    repeatability as learn_repeatability,
)
from resonance.changes.settled import Settling, settling_of
from resonance.changes.settling import Grid, make_grid
from resonance.changes.steps import Found, find_steps, judge_steps
from resonance.changes.suspects import most_suspects, suspect_reading, suspect_set
from resonance.changes.terms import (
    SUSPECT_FACTOR,
    UNTOUCHED_SHARE,
    Terms,
    Track,
    covariances,
    late_start,
    make_terms,
    make_track,
)
from resonance.changes.trace import course, curve_days
from resonance.changes.tracks import in_doubt, track_modes
from resonance.modes.mode import Mode
from resonance.reasons import Reason
from resonance.sets.setup import Adjustment
from resonance.sets.tapset import TapSet
from resonance.sound.recording import FloatArray

Progress = Callable[[float, str], None]
THRESHOLD_CENTS_PER_WEEK = 4.0
FEWEST_SETS = 2
AIR_LABELS = ("A0", "A1")
AIR_DEGREE_CENTS = 2.95  # 600 log2 of the absolute temperature, a kelvin at 20 deg C


@dataclass(frozen=True, eq=False)
class ModeFit:
    """One mode's model, its fits over the whole grid, and the points that carry the weight."""

    track: Track
    terms: Terms
    fits: Fits
    posterior: Posterior
    suspect_readings: tuple[int, ...] = ()


@dataclass(frozen=True, eq=False)
class ChapterFit:
    """All modes of one chapter, fitted together."""

    chapter: Chapter
    grid: Grid
    modes: tuple[ModeFit, ...]
    suspects: tuple[int, ...]


def fit_history(
    sets: Sequence[TapSet],
    adjustments: Sequence[Adjustment],
    *,
    repeatability: Repeatability | None = None,
    threshold_cents_per_week: float = THRESHOLD_CENTS_PER_WEEK,
    progress: Progress | None = None,
) -> list[History]:
    """Say of every mode how it settled and what each adjustment did to it.

    Parameters
    ----------
    sets : sequence of TapSet, in the maker's order   modes without a track are given one first
        (`resonance.changes.tracks`)
    adjustments : sequence of Adjustment, in the maker's order
    repeatability : Repeatability or None   put-back scatter; without it, what the sets' own repeats tell
    threshold_cents_per_week : float   slower than this counts as settled
    progress : callable or None   progress(fraction, text)

    Returns
    -------
    list of History   chapter by chapter, by rising frequency; only tracks that two sets or more show

    Raises
    ------
    ValueError   when the threshold is not above 0, or the sets were analysed by different methods
    """
    methods = sorted({tap_set.analysis.method for tap_set in sets})
    if len(methods) > 1:
        raise ValueError(f"tap sets analysed by methods {methods}; analyse all again by one method")
    if not threshold_cents_per_week > 0.0:
        raise ValueError(f"threshold is {threshold_cents_per_week} cents a week; it must be above 0, e.g. 4")
    if any(mode.track is None for tap_set in sets for mode in tap_set.modes if is_body(mode)):
        sets = track_modes(sets, adjustments).sets
    yardstick = repeatability or learn_repeatability(sets)
    histories = []
    chapters = make_chapters(sets, adjustments)
    for number, chapter in enumerate(chapters):
        if progress is not None:
            progress(number / len(chapters), "fitting the course of every mode")
        fit = fit_chapter(chapter, yardstick)
        histories += read_histories(fit, yardstick, threshold_cents_per_week)
    return histories


def tracks_of(chapter: Chapter) -> list[Track]:
    """The tracks that two sets or more of a chapter show, by rising frequency."""
    found: dict[str, list[tuple[int, Mode]]] = {}
    for index, tap_set in enumerate(chapter.sets):
        seen = Counter(mode.track for mode in tap_set.modes)
        for mode in tap_set.modes:
            if mode.track is not None and seen[mode.track] == 1 and is_body(mode) and not in_doubt(mode):
                found.setdefault(mode.track, []).append((index, mode))
    tracks = [
        make_track(track, modes, air=_is_air([mode for _, mode in modes]))
        for track, modes in found.items()
        if len(modes) >= FEWEST_SETS
    ]
    return sorted(tracks, key=lambda track: track.modes[0].frequency)


def _is_air(modes: Sequence[Mode]) -> bool:
    named = [m.label in AIR_LABELS for m in modes if m.label]
    air = [m.kind == "air" or m.label in AIR_LABELS for m in modes]
    return 2 * sum(air) > len(air) or (bool(named) and all(named))


def fit_chapter(chapter: Chapter, repeatability: Repeatability) -> ChapterFit:
    """Fit all modes of a chapter together; what does not fit is counted less, and all fitted again."""
    tracks = tracks_of(chapter)
    known = scatter_for(repeatability, kind=PUT_BACK)
    grid = make_grid(
        scatter_cents=known.scatter_cents,
        dof=known.dof if isfinite(known.dof) else 1e3,
        humidity_noted=chapter.humidity is not None,
        late=isfinite(late_start(chapter.days)),
        moisture_noted=chapter.mass is not None,
        swing=humidity_swing(chapter),
    )
    shared = _untouched_share(repeatability)
    terms = [make_terms(chapter, track, grid) for track in tracks]
    own = [_own_scatter(grid, repeatability, track) for track in tracks]
    fits = [_fit(chapter, *each, grid, (), (), shared) for each in zip(tracks, terms, strict=True)]
    posteriors = _weigh(fits, grid, own)
    suspects: list[int] = []
    while tracks and len(suspects) < most_suspects(len(chapter.sets)):
        worst = suspect_set(fits, posteriors, tracks, grid, len(chapter.sets), suspects)
        if worst is None:
            break
        suspects.append(worst)
        fits = [_fit(chapter, *each, grid, suspects, (), shared) for each in zip(tracks, terms, strict=True)]
        posteriors = _weigh(fits, grid, own)
    readings: list[tuple[int, ...]] = [() for _ in tracks]
    for m, (track, term) in enumerate(zip(tracks, terms, strict=True)):
        readings[m] = _suspect_readings(track, fits[m], posteriors[m], grid)
        if readings[m]:
            fits[m] = _fit(chapter, track, term, grid, suspects, readings[m], shared)
    if any(readings):
        posteriors = _weigh(fits, grid, own)
    modes = tuple(ModeFit(*each) for each in zip(tracks, terms, fits, posteriors, readings, strict=True))
    return ChapterFit(chapter, grid, modes, tuple(suspects))


def _suspect_readings(track: Track, fits: Fits, posterior: Posterior, grid: Grid) -> tuple[int, ...]:
    found: list[int] = []
    while len(found) < most_suspects(track.index.size):
        worst = suspect_reading(fits, posterior, grid, found)
        if worst is None:
            break
        found.append(worst)
    return tuple(found)


def _fit(
    chapter: Chapter,
    track: Track,
    terms: Terms,
    grid: Grid,
    suspects: Sequence[int],
    readings: Sequence[int],
    untouched_share: float,
) -> Fits:
    noise = covariances(chapter, track, grid, suspects=suspects, untouched_share=untouched_share)
    if readings:
        widened = np.repeat(grid.scatters**2, len(grid.noises)) * (SUSPECT_FACTOR**2 - 1.0)
        for position in readings:
            noise[:, position, position] += widened
    return fit_all(terms.basis, track.cents, noise, terms.designs, terms.prior)


def _weigh(fits: Sequence[Fits], grid: Grid, own: Sequence[FloatArray]) -> list[Posterior]:
    """Weights of all modes' points, the modes informing each other, and the points worth keeping."""
    evidence = [
        fit.log_evidence.reshape(grid.shape) + known.reshape(-1, *[1] * (len(grid.shape) - 1))
        for fit, known in zip(fits, own, strict=True)
    ]
    weights = share(evidence, grid.log_prior, grid.kernels) if fits else []
    return [
        keep(fit, weight.reshape(fit.log_evidence.shape)) for fit, weight in zip(fits, weights, strict=True)
    ]


def _own_scatter(grid: Grid, repeatability: Repeatability, track: Track) -> FloatArray:
    """What repeats say of this mode's scatter beyond that of all modes: log of the priors' ratio."""
    pooled = scatter_for(repeatability, kind=PUT_BACK)
    known = scatter_for(repeatability, kind=PUT_BACK, track=track.track)
    if known.track is None or not isfinite(known.dof):
        return np.zeros(grid.scatters.size)
    ln = np.log(grid.scatters)
    densities = [
        -0.5 * s.dof * (2.0 * ln - 2.0 * log(s.scatter_cents) + (s.scatter_cents / grid.scatters) ** 2)
        for s in (known, replace(pooled, dof=min(pooled.dof, known.dof)))
    ]
    return np.asarray(densities[0] - densities[1])


def _untouched_share(repeatability: Repeatability) -> float:
    """Share of the put-back variance that sets standing untouched have in common, where repeats tell it."""
    known = {s.kind: s for s in repeatability.kinds if s.source != "assumed"}
    if UNTOUCHED not in known or PUT_BACK not in known:
        return UNTOUCHED_SHARE
    ratio = known[UNTOUCHED].scatter_cents / known[PUT_BACK].scatter_cents
    return float(np.clip(1.0 - ratio**2, 0.0, 0.95))


def read_histories(
    fit: ChapterFit, repeatability: Repeatability, threshold_cents_per_week: float
) -> list[History]:
    """Read the histories of all modes off a fitted chapter."""
    chapter, grid = fit.chapter, fit.grid
    found = [find_steps(m.posterior, m.terms, grid, chapter, m.track, repeatability) for m in fit.modes]
    steps = judge_steps(found, chapter, [m.track for m in fit.modes], repeatability)
    return [
        replace(
            _history(fit, mode, of_mode, repeatability, threshold_cents_per_week),
            **_together(fit, mode, each),
        )
        for mode, of_mode, each in zip(fit.modes, steps, found, strict=True)
    ]


def _together(fit: ChapterFit, mode: ModeFit, found: Sequence[Found]) -> dict[str, Any]:
    """Give the fields of a history that hold all steps together."""
    if not found:
        return {}
    middle, covariance = joint_steps(mode.posterior, mode.terms, [each.accident for each in found])
    return {
        "step_ids": ids_alone(fit.chapter, mode.terms),
        "step_cents": middle,
        "step_covariance": covariance,
    }


def _history(
    fit: ChapterFit, mode: ModeFit, steps: tuple[Step, ...], repeatability: Repeatability, threshold: float
) -> History:
    chapter, grid, track, terms = fit.chapter, fit.grid, mode.track, mode.terms
    made = chapter.made[terms.first]
    days = chapter.days[track.index]
    settling = settling_of(mode.posterior, mode.fits, terms, grid, made, days, threshold)
    after = chapter.after[np.ix_(track.index, terms.first)]
    parts = (mode.fits, mode.posterior, terms, grid, chapter, track)
    curve, behind = curve_days(chapter, track, terms)
    whole = course(*parts, np.append(days, curve), np.concatenate([after, behind]))
    at_sets, drawn = whole.part(slice(days.size)), whole.part(slice(days.size, None))
    first = track.modes[0].frequency
    humidity, humidity_interval = _coefficient(mode, terms.humidity, 1.0)
    degree = AIR_DEGREE_CENTS if track.air else 1.0
    temperature, temperature_interval = _coefficient(mode, terms.temperature, degree)
    scatter = grid.scatters[mode.posterior.points[0] // len(grid.noises)]
    return History(
        track=track.track,
        label=track.label,
        taken=tuple(aware(_date(chapter, i)) for i in track.index),
        frequency=np.array([m.frequency for m in track.modes]),
        frequency_u=np.array([m.frequency_u for m in track.modes]),
        fitted=_hertz(first, at_sets.cents),
        fitted_u=_hertz_u(first, at_sets.cents, at_sets.sd),
        steps=steps,
        rate_cents_per_week=settling.rate,
        settled=settling.verdict,
        settled_by=chapter.date(settling.day) if isfinite(settling.day) else None,
        expected_4_weeks=settling.four_weeks,
        time_constant_days=settling.time_constant,
        humidity_cents_per_percent=humidity,
        suspect_sets=_suspect_ids(fit, mode),
        chapter=chapter.id,
        reasons=_reasons(fit, mode, settling, threshold),
        sets=tuple(chapter.sets[i].id for i in track.index),
        time_constant_interval_days=settling.time_constant_interval,
        humidity_interval=humidity_interval,
        temperature_cents_per_degree=temperature,
        temperature_interval=temperature_interval,
        course_at=tuple(chapter.date(float(day)) for day in drawn.days),
        course=_hertz(first, drawn.cents),
        course_u=_hertz_u(first, drawn.cents, drawn.sd),
        settling_cents=at_sets.settling,
        scatter_cents=float(mode.posterior.weight @ scatter),
        repeatability=scatter_for(repeatability, kind=PUT_BACK, track=track.track),
    )


def _date(chapter: Chapter, index: int) -> datetime:
    taken = chapter.sets[index].taken
    assert taken is not None
    return taken


def _hertz(first: float, course_cents: FloatArray) -> FloatArray:
    return np.asarray(first * 2.0 ** (course_cents / 1200.0))


def _hertz_u(first: float, course_cents: FloatArray, sd: FloatArray) -> FloatArray:
    return np.asarray(_hertz(first, course_cents) * sd * log(2.0) / 1200.0)


def _coefficient(mode: ModeFit, place: int | None, factor: float) -> tuple[float, tuple[float, float]]:
    if place is None:
        return nan, (nan, nan)
    normals = coefficient(mode.posterior, place, factor=factor)
    low, high = quantiles(normals, (0.025, 0.975))
    return moments(normals)[0], (float(low), float(high))


def _suspect_ids(fit: ChapterFit, mode: ModeFit) -> tuple[str, ...]:
    shown = [i for i in fit.suspects if i in mode.track.index]
    shown += [int(mode.track.index[p]) for p in mode.suspect_readings]
    return tuple(fit.chapter.sets[i].id for i in sorted(set(shown)))


def _reasons(fit: ChapterFit, mode: ModeFit, settling: Settling, threshold: float) -> tuple[Reason, ...]:
    chapter, track = fit.chapter, mode.track
    reasons = [Reason("suspect_set", {"set": chapter.sets[i].id}) for i in fit.suspects if i in track.index]
    reasons += [
        Reason("suspect_reading", {"set": chapter.sets[int(track.index[p])].id})
        for p in mode.suspect_readings
        if int(track.index[p]) not in fit.suspects
    ]
    doubts = sum(m.track == track.track and in_doubt(m) for s in chapter.sets for m in s.modes)
    reasons += [Reason("readings_in_doubt", {"n": doubts})] if doubts else []
    reasons += climate_reasons(chapter, air=track.air)
    if settling.verdict == CANNOT_TELL:
        low, _, high = settling.rate
        reasons.append(Reason("rate_not_known", {"low": low, "high": high, "threshold": threshold}))
    if not isfinite(settling.day):
        reasons.append(Reason("no_end_in_sight", {"threshold": threshold}))
    if settling.time_constant is None:
        span = float(np.ptp(chapter.days[track.index]))
        reasons.append(Reason("time_constant_not_known", {"span": span}))
    return (*reasons, *chapter.reasons)
