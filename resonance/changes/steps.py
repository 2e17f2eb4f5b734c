"""What each adjustment did: steps of all modes judged together.

A step is called when, over the modes of the job, the share of false calls holds (Benjamini and Hochberg 1995,
as between two sets) and its own 95 % interval leaves zero out. One that is not called is "no change seen"
where its interval is narrow enough to say so, else "cannot separate", with the reason and what would settle
it.

Work that slackens the strings has a put-back scatter of its own, the larger one of slackening and retuning.
All sets after it share that accident, so that more sets do not average it out: the step's distribution is
widened by the difference of the two variances, once on either side.

Reason codes
------------
repeatability_assumed : {'scatter_cents', 'kind'}   no repeat sets of that kind: say "differs", not "moved"
few_repeats : {'n', 'scatter_cents'}        fewer than three repeat sets behind the put-back scatter
made_together : {'others', 'n', 'cents', 'low', 'high', 'least_cents', 'together'}   made between the same two
    sets; the interval is of all of them, 'together' their verdict, 'least_cents' what could go unseen;
    {'what': 'unseen'} where sets between them do not show this mode
one_of_many : {'p', 'threshold', 'n'}       not called among n, though its interval leaves zero out
no_set_before : {'adjustment'}              in this chapter, with this mode
no_set_after : {'adjustment'}               likewise
since : {'hours', 'days', 'adjustment'}     from the work to the first set after: "since", not "after"
not_bracketed : {'hours'}                   so long lies between the sets around it: settling comes in between
scatter_too_wide : {'scatter_cents'}        put-back scatter hides it; repeat sets would narrow that
common_shift : {'cents', 'of'}              days lie between the sets, and nearly all modes went together
too_few_sets : {'n'}                        of this chapter show the mode
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf, nan, sqrt

import numpy as np
from numpy.typing import NDArray

from resonance.changes.chapters import Chapter, climate_reasons
from resonance.changes.comparison import Repeatability, Scatter
from resonance.changes.course import CANNOT_SEPARATE, MOVED, NO_CHANGE, Step
from resonance.changes.judge import CONFIDENCE, call, detectable, thresholds
from resonance.changes.mixture import Normals, Posterior, both_ways, coefficient, moments, quantiles
from resonance.changes.repeatability import PUT_BACK, scatter_for, work_kind
from resonance.changes.settling import RESTARTS, Grid
from resonance.changes.terms import N_LAWS, Terms, Track
from resonance.reasons import Reason
from resonance.sound.recording import FloatArray

FALSE_DISCOVERY = 0.10
NARROW_CENTS = 20.0  # half width of an interval: wider, and "no change seen" would say nothing
SINCE_HOURS = 3.0
ENOUGH_REPEATS = 3
FEW_SETS = 5
BRACKET_DAYS = 1.0
STEADY_PERCENT = 5.0
# All modes going together over days is what weather does; a step far from the common one is not
FEWEST_TOGETHER, TOGETHER_SHARE, TOGETHER_CENTS, STANDS_OUT = 4, 0.9, 10.0, 1.0
ROUGHER = 1.3  # slackening against putting back, until learned (assumed, no source)


@dataclass(frozen=True, eq=False)
class Found:
    """What one group of adjustments did, at once and in all, the yardstick, and what slackening adds."""

    group: tuple[int, ...]
    at_once: Normals
    total: Normals
    scatter: Scatter
    accident: FloatArray


def find_steps(
    posterior: Posterior,
    terms: Terms,
    grid: Grid,
    chapter: Chapter,
    track: Track,
    repeatability: Repeatability,
) -> list[Found]:
    """Distributions of one mode's steps."""
    found = []
    rho = np.array([r for r, _, _ in RESTARTS])
    restart = np.unravel_index(posterior.points[1], (N_LAWS, len(RESTARTS), len(grid.lags)))[1]
    for position, group in enumerate(terms.groups):
        kind = work_kind(chapter.adjustments[k].part for k in group)
        scatter = scatter_for(repeatability, kind=kind, track=track.track)
        place = terms.steps.start + position
        accident = _accident(posterior, scatter, kind, grid, repeatability)
        at_once, total = (
            coefficient(posterior, place, factor=factor, extra_variance=accident)
            for factor in (1.0, 1.0 + rho[restart])
        )
        found.append(Found(group, at_once, total, scatter, accident))
    return found


def _accident(
    posterior: Posterior, scatter: Scatter, kind: str, grid: Grid, repeatability: Repeatability
) -> FloatArray:
    """Variance that slackening and retuning adds to a step beyond putting back, at each point; array (k,)."""
    lone = grid.scatters[posterior.points[0] // len(grid.noises)] ** 2
    if kind == PUT_BACK:
        return np.zeros_like(lone)
    square, gentle = scatter.scatter_cents**2, scatter_for(repeatability, kind=PUT_BACK)
    if scatter.source == "assumed":
        return 2.0 * np.maximum(square - lone, (ROUGHER**2 - 1.0) * lone)
    if gentle.kind == scatter.kind:
        return 2.0 * np.maximum(square - lone, 0.0)
    return 2.0 * lone * max(square / gentle.scatter_cents**2 - 1.0, 0.0)


def judge_steps(
    found: Sequence[Sequence[Found]],
    chapter: Chapter,
    tracks: Sequence[Track],
    repeatability: Repeatability,
) -> list[tuple[Step, ...]]:
    """Judge the steps of all modes of a chapter, adjustment by adjustment.

    Parameters
    ----------
    found : one list a mode, from `find_steps`

    Returns
    -------
    list of tuples of Step, one tuple a mode, in the order of the chapter's adjustments
    """
    p = {(m, f.group): both_ways(f.at_once) for m, steps in enumerate(found) for f in steps}
    called: dict[tuple[int, tuple[int, ...]], tuple[bool, float]] = {}
    n_judged: dict[tuple[int, tuple[int, ...]], int] = {}
    common: dict[tuple[int, tuple[int, ...]], Reason | None] = {}
    for k in range(len(chapter.adjustments)):
        keys = [key for key in p if key[1][0] == k]
        chances = np.array([p[key] for key in keys])
        calls = call(chances, FALSE_DISCOVERY) & (chances <= 1.0 - CONFIDENCE)
        levels = np.minimum(thresholds(calls, FALSE_DISCOVERY), 1.0 - CONFIDENCE)
        calls, together = _not_the_weather(k, keys, calls, found, chapter, tracks)
        common |= dict.fromkeys(keys, together)
        n_judged |= dict.fromkeys(keys, len(keys))
        called |= {key: (bool(c), float(at)) for key, c, at in zip(keys, calls, levels, strict=True)}
    out = []
    for m, (steps, track) in enumerate(zip(found, tracks, strict=True)):
        by_adjustment: dict[int, Step] = {}
        for f in steps:
            step = _step(f, *called[m, f.group], p[m, f.group], chapter, track, repeatability)
            step = _with_common(step, p[m, f.group], common[m, f.group], noted=chapter.humidity is not None)
            step = _among_many(step, called[m, f.group][1], n_judged[m, f.group])
            by_adjustment |= {k: _one_of(step, f.group, k, chapter) for k in f.group}
        out.append(
            tuple(by_adjustment.get(k) or _unseen(k, chapter, track) for k in range(len(chapter.adjustments)))
        )
    return out


def _not_the_weather(
    k: int,
    keys: Sequence[tuple[int, tuple[int, ...]]],
    calls: NDArray[np.bool_],
    found: Sequence[Sequence[Found]],
    chapter: Chapter,
    tracks: Sequence[Track],
) -> tuple[NDArray[np.bool_], Reason | None]:
    """Take back calls that weather alone could explain: days between the sets, and nearly all modes together.

    A step that stands well out of the common one stays called.
    """
    gaps = [_gap(chapter, tracks[m], k) for m, _ in keys]
    if len(keys) < FEWEST_TOGETHER or min(gaps) <= BRACKET_DAYS or _weather_steady(chapter, k):
        return calls, None
    by_key = {(m, f.group): f for m, steps in enumerate(found) for f in steps}
    sizes = np.array([moments(by_key[key].at_once)[0] for key in keys])
    middle = float(np.median(sizes))
    if abs(middle) < TOGETHER_CENTS or np.mean(sizes * np.sign(middle) > 0.0) < TOGETHER_SHARE:
        return calls, None
    stands_out = np.abs(sizes - middle) > STANDS_OUT * abs(middle)
    return calls & stands_out, Reason("common_shift", {"cents": middle, "of": len(keys)})


def _weather_steady(chapter: Chapter, k: int) -> bool:
    """Whether the noted humidity about an adjustment changed too little to move all modes."""
    if chapter.humidity is None:
        return False
    after = chapter.after[:, k] == 1.0
    last = np.flatnonzero(~after)[np.argmax(chapter.days[~after])]
    first = np.flatnonzero(after)[np.argmin(chapter.days[after])]
    return bool(abs(chapter.humidity[first] - chapter.humidity[last]) < STEADY_PERCENT)


def _with_common(step: Step, p: float, common: Reason | None, *, noted: bool) -> Step:
    """Say why a step was not called that looked at alone would have been.

    Where the humidity was not noted, what all modes have in common may be all weather or all work: the
    interval holds both.
    """
    if common is None or step.verdict == MOVED:
        return step
    low, high = step.interval_cents
    if not noted:
        shared = float(common.values["cents"])
        low, high = min(low, low - shared), max(high, high - shared)
    wide = 0.5 * (high - low) > NARROW_CENTS
    if p > 1.0 - CONFIDENCE and not (wide and step.verdict == NO_CHANGE):
        return replace(step, interval_cents=(low, high))
    return replace(step, interval_cents=(low, high), verdict=CANNOT_SEPARATE, reasons=(common, *step.reasons))


def _among_many(step: Step, threshold: float, n: int) -> Step:
    """Say why a step whose interval leaves zero out is not called, where no common shift is the reason."""
    low, high = step.interval_cents
    if step.verdict == MOVED or low <= 0.0 <= high or any(r.code == "common_shift" for r in step.reasons):
        return step
    reason = Reason("one_of_many", {"p": step.p, "threshold": threshold, "n": n})
    return replace(step, reasons=(reason, *step.reasons))


def _gap(chapter: Chapter, track: Track, k: int) -> float:
    """Days between the sets around an adjustment that show the mode."""
    days, side = chapter.days[track.index], chapter.after[track.index, k]
    return float(days[side == 1.0].min() - days[side == 0.0].max())


def _step(
    found: Found,
    is_called: bool,
    threshold: float,
    p: float,
    chapter: Chapter,
    track: Track,
    repeatability: Repeatability,
) -> Step:
    low, middle, high = (float(x) for x in quantiles(found.at_once, (0.025, 0.5, 0.975)))
    growth = moments(found.total)[0] - moments(found.at_once)[0]
    half = 0.5 * (high - low)
    verdict = MOVED if is_called else NO_CHANGE if half <= NARROW_CENTS else CANNOT_SEPARATE
    k = found.group[-1]
    before, after = _hours(chapter, track, k)
    reasons = [*_yardstick(found.scatter, chapter, found.group, repeatability)]
    if verdict == CANNOT_SEPARATE:
        reasons += _why(found, chapter, track, before, after)
    if after > SINCE_HOURS:
        values: dict[str, float | str | bool] = {
            "hours": after,
            "days": after / 24.0,
            "adjustment": chapter.adjustments[k].id,
        }
        reasons.append(Reason("since", values))
    return Step(
        adjustment=chapter.adjustments[k].id,
        cents=middle,
        interval_cents=(low, high),
        total_cents=middle + growth,
        verdict=verdict,
        reasons=tuple(reasons),
        least_detectable_cents=detectable(half / 1.96, inf, threshold),
        hours_before=before,
        hours_after=after,
        p=p,
        scatter=found.scatter,
    )


def _hours(chapter: Chapter, track: Track, k: int) -> tuple[float, float]:
    """Hours to the sets around the work that show this mode; NaN where not dated."""
    if chapter.adjustments[k].made is None:
        return nan, nan
    days, after = chapter.days[track.index], chapter.after[track.index, k]
    before, since = days[after == 0.0], days[after == 1.0]
    made = chapter.made[k]
    return (
        24.0 * float(made - before.max()) if before.size else nan,
        24.0 * float(since.min() - made) if since.size else nan,
    )


def _yardstick(
    scatter: Scatter, chapter: Chapter, group: Sequence[int], repeatability: Repeatability
) -> list[Reason]:
    if scatter.source == "assumed":
        kind = work_kind(chapter.adjustments[k].part for k in group)
        return [Reason("repeatability_assumed", {"scatter_cents": scatter.scatter_cents, "kind": kind})]
    n = repeatability.n_repeats
    if scatter.source == "this job" and 0 < n < ENOUGH_REPEATS:
        return [Reason("few_repeats", {"n": n, "scatter_cents": scatter.scatter_cents})]
    return []


def _why(found: Found, chapter: Chapter, track: Track, before: float, after: float) -> list[Reason]:
    """What keeps a step from being told, the largest cause first."""
    reasons = []
    if track.index.size < FEW_SETS:
        reasons.append(Reason("too_few_sets", {"n": int(track.index.size)}))
    gap = _gap(chapter, track, found.group[-1])
    if gap > BRACKET_DAYS:
        reasons.append(Reason("not_bracketed", {"hours": 24.0 * gap}))
        reasons += climate_reasons(chapter, air=track.air)
    if 1.96 * sqrt(2.0) * found.scatter.scatter_cents > NARROW_CENTS or not reasons:
        reasons.append(Reason("scatter_too_wide", {"scatter_cents": found.scatter.scatter_cents}))
    return reasons


def _one_of(step: Step, group: Sequence[int], k: int, chapter: Chapter) -> Step:
    """One adjustment's share of what a group did: not to be told where the group has more than one."""
    if len(group) == 1:
        return step
    others = ", ".join(chapter.adjustments[other].id for other in group if other != k)
    values: dict[str, float | str | bool] = {
        "others": others,
        "n": len(group),
        "cents": step.cents,
        "low": step.interval_cents[0],
        "high": step.interval_cents[1],
        "least_cents": step.least_detectable_cents,
        "together": step.verdict,
    }
    if any((chapter.after[:, k] != chapter.after[:, other]).any() for other in group):
        values["what"] = "unseen"
    return replace(
        step,
        adjustment=chapter.adjustments[k].id,
        cents=nan,
        interval_cents=(nan, nan),
        total_cents=nan,
        verdict=CANNOT_SEPARATE,
        reasons=(Reason("made_together", values), *step.reasons),
        least_detectable_cents=nan,
    )


def _unseen(k: int, chapter: Chapter, track: Track) -> Step:
    """A step without a set before it or after it."""
    adjustment = chapter.adjustments[k].id
    seen = chapter.after[track.index, k]
    if seen.all():
        return Step(adjustment, reasons=(Reason("no_set_before", {"adjustment": adjustment}),))
    return Step(adjustment, reasons=(Reason("no_set_after", {"adjustment": adjustment}),))
