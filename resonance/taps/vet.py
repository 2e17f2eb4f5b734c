"""Vet taps: one small check per fault. A fault is never an error; a refused tap stays, with its reasons.

Codes and values (bare numbers are Hz, s or dimensionless):

clipped : run, level            flat tops at the extreme of the recording: the longest run of equal samples,
                                and its level re full scale
double_hit : delay, ratio_db    a second blow that long after the first, and its level re the first
too_quiet : snr_db, needed_db   too little above the quiet before it, 200-1000 Hz
cut_short : left                the recording ends that long after the onset
overlaps_next : after           the next tap comes that long after the onset
unlike_others : distance        its spectrum differs from the other taps' by that many times the usual
                                deviation (of 1 dB at least)
dull : reach                    the blow excites little above that frequency

All refuse the tap but `dull`, which does so only where the tap does not reach 400 Hz while the others reach
1.75 times as high: how far a kept tap reaches is for the estimator to heed. Each check takes numbers and
gives a `Fault` or None.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf, isfinite, isnan

import numpy as np
from numpy.typing import NDArray

from resonance.reasons import Fault
from resonance.sound.recording import FloatArray
from resonance.taps.alike import LEAST_TAPS, PER_DECADE, distances
from resonance.taps.measures import Profiles, piece_of, profiles
from resonance.taps.ripple import SecondBlow, second_blows
from resonance.taps.tap import Tap, TapLimits

FLAT = 1e-6  # of the span of the sound: samples this near to the extreme equal it
NEARLY_FLAT = 0.002  # the same for sound that went through a codec or a filter; runs must be twice as long
LEAST_OVERSHOOT = 0.01  # of the span: to lose less off the top harms nothing
STEP_LOSS = 4.0  # steps of the number format: a coarse one makes flat tops of its own
AROUND = 500  # samples about a flat top in which that step is sought
EARLY = 0.001  # s before the onset at which a tap may clip
BOUNCE = 0.005  # s from an onset in which the level of that blow is taken
WIDE = 2.5  # delay times reach below which two blows are the two edges of one
FAR_DULLER = 1.75  # the others reach this many times as high


@dataclass(frozen=True)
class FlatRun:
    """A flat top: its first sample, how many samples, its level re full scale, equal or only nearly so."""

    first: int
    length: int
    level: float
    exact: bool = True


def vet_taps(
    sound: FloatArray,
    sample_rate: float,
    taps: Sequence[Tap],
    *,
    bounces: Sequence[Sequence[float]] = (),
    judged: Sequence[int] | None = None,
    limits: TapLimits,
) -> list[Tap]:
    """The same taps with their faults, and `kept` as these demand.

    Parameters
    ----------
    sound : array (n_samples,), full scale 1
    sample_rate : float, Hz
    taps : sequence of Tap of this sound, measured, by time
    bounces : for each tap the times (s) of further blows that the detection curve shows; may be left out
    judged : indices of the taps to hold against the others for second blows, to save time; all when None
    limits : TapLimits
    """
    if not taps:
        return []
    runs = flat_runs(sound, limits=limits)
    ends = [*(tap.onset for tap in taps[1:]), inf]
    duration = len(sound) / sample_rate
    faults = []
    for k, tap in enumerate(taps):
        inside = [run for run in runs if tap.onset - EARLY <= run.first / sample_rate < tap.end]
        own = (
            clipped(inside),
            double_hit(bounce(sound, sample_rate, tap.onset, bounces[k] if bounces else ()), limits=limits),
            too_quiet(tap.snr_db, limits=limits),
            cut_short(duration - tap.onset, limits=limits),
            overlaps_next(ends[k] - tap.onset, limits=limits),
        )
        faults.append([fault for fault in own if fault])
    faults = _with_double_hits(sound, sample_rate, taps, faults, limits, judged)
    faults = _with_unlike_ones(sound, sample_rate, taps, faults, limits)
    return [_judged(k, taps, faults[k], limits) for k in range(len(taps))]


def _judged(k: int, taps: Sequence[Tap], faults: list[Fault], limits: TapLimits) -> Tap:
    """Tap k with its faults, dullness last; refused for any other, or when far duller than the rest."""
    others = [inf if isnan(tap.reach) else tap.reach for i, tap in enumerate(taps) if i != k]
    usual = float(np.median(others)) if others else taps[k].reach
    weak = dull(taps[k].reach, usual, limits=limits)
    lost = taps[k].reach < limits.dull_refused_below and usual >= FAR_DULLER * taps[k].reach
    return replace(taps[k], faults=(*faults, *([weak] if weak else [])), kept=not (faults or lost))


def _with_double_hits(
    sound: FloatArray,
    sample_rate: float,
    taps: Sequence[Tap],
    faults: list[list[Fault]],
    limits: TapLimits,
    judged: Sequence[int] | None,
) -> list[list[Fault]]:
    """Add the second blows that only show against the other taps."""
    good = [k for k, found in enumerate(faults) if not found]
    blows = second_blows(
        sound,
        sample_rate,
        [tap.onset for tap in taps],
        references=good if len(good) > 1 else range(len(taps)),
        within=limits.double_hit_within,
        least_ratio=10.0 ** (limits.double_hit_db / 20.0),
        judged=judged,
    )
    result = []
    for tap, found, blow in zip(taps, faults, blows, strict=True):
        settled = any(fault.code in ("double_hit", "clipped") for fault in found)
        fault = None if settled or _one_wide_blow(tap, blow) else double_hit(blow, limits=limits)
        result.append([*found, *([fault] if fault else [])])
    return result


def _one_wide_blow(tap: Tap, blow: SecondBlow | None) -> bool:
    """Whether a second blow so soon is but the end of a soft one.

    A half sine of width T is two of its edges T apart: its spectrum holds the factor 1 + exp(-2 pi i f T),
    and it reaches to about 1.5 / T.
    """
    return blow is not None and blow.delay * tap.reach < WIDE


def _with_unlike_ones(
    sound: FloatArray,
    sample_rate: float,
    taps: Sequence[Tap],
    faults: list[list[Fault]],
    limits: TapLimits,
) -> list[list[Fault]]:
    """Add the taps whose spectrum is unlike that of the other good ones."""
    good = [k for k, found in enumerate(faults) if not found]
    if len(good) < LEAST_TAPS:
        return faults
    measured = profiles(sound, sample_rate, [tap.onset for tap in taps], per_decade=PER_DECADE)
    chosen = Profiles(measured.edges, measured.energy_db[good], measured.noise_db[good])
    strange = dict(zip(good, unlike_others(distances(chosen), limits=limits), strict=True))
    extra = [strange.get(k) for k in range(len(taps))]
    return [[*found, *([fault] if fault else [])] for found, fault in zip(faults, extra, strict=True)]


def flat_runs(sound: FloatArray, *, limits: TapLimits) -> list[FlatRun]:
    """Flat tops at either extreme of a sound, where the sound around them heads further out.

    Parameters
    ----------
    sound : array (n_samples,), full scale 1
    limits : TapLimits   `clip_run` equal samples at least; at `clip_level` of full scale any loss counts

    Returns
    -------
    list of FlatRun, by time. The level is that of the recording, so that clipping in front of the recorder
    or before a change of gain shows as well. A parabola through the slopes on both sides of a run tells how
    far the top would have gone: a rounded top of the sound's own goes no further than it does.
    """
    span = 0.5 * float(np.ptp(sound)) if len(sound) else 0.0
    found = []
    for heights in (sound, -sound) if span > 0.0 else ():
        top = float(np.max(heights))
        least_loss = 0.0 if top >= limits.clip_level else LEAST_OVERSHOOT * span
        for tolerance, least in ((FLAT, limits.clip_run), (NEARLY_FLAT, 2 * limits.clip_run)):
            for first, length in _stretches(heights >= top - tolerance * span):
                if length >= least and _loss(heights, first, length) > max(
                    least_loss, 2.0 * tolerance * span
                ):
                    found.append(FlatRun(first, length, abs(top), tolerance == FLAT))
    return sorted(found, key=lambda run: run.first)


def _stretches(chosen: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """(first, length) of each stretch of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], chosen, [False]]).astype(np.int8)))
    return [(int(a), int(b - a)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _loss(heights: FloatArray, first: int, length: int) -> float:
    """How much higher a flat top would have gone; 0 where the steps of the number format explain it."""
    m = max(1, length // 2)
    before, after = heights[max(0, first - 1 - m) : first], heights[first + length : first + length + 1 + m]
    if len(before) < 1 + m or len(after) < 1 + m:
        return 0.0
    slopes = max(0.0, float(before[-1] - before[0])) + max(0.0, float(after[0] - after[-1]))
    loss = length * slopes / m / 8.0
    steps = np.abs(np.diff(heights[max(0, first - AROUND) : first + length + AROUND]))
    step = float(np.min(steps[steps > 0.0], initial=inf))
    return loss if loss > STEP_LOSS * step else 0.0


def bounce(sound: FloatArray, sample_rate: float, onset: float, later: Sequence[float]) -> SecondBlow | None:
    """The strongest of the further blows (s) of a tap: its delay and its peak over that of the first."""
    first = _strength(sound, sample_rate, onset)
    blows = [SecondBlow(time - onset, _strength(sound, sample_rate, time) / first) for time in later]
    return max(blows, key=lambda blow: blow.ratio, default=None)


def _strength(sound: FloatArray, sample_rate: float, onset: float) -> float:
    """Largest step between samples just after an onset, where the ringing of before counts for little."""
    steps = np.diff(piece_of(sound, sample_rate, onset, onset + BOUNCE))
    return max(float(np.max(np.abs(steps), initial=0.0)), 1e-300)


def clipped(runs: Sequence[FlatRun]) -> Fault | None:
    """Whether a tap has flat tops; `runs` are those within it.

    One top that is only nearly flat is no proof: a codec or a player's limiter leaves such.
    """
    if not any(run.exact for run in runs) and len(runs) < 2:
        return None
    longest = max(runs, key=lambda run: run.length)
    return Fault("clipped", {"run": float(longest.length), "level": longest.level})


def double_hit(blow: SecondBlow | None, *, limits: TapLimits) -> Fault | None:
    """Whether a second blow is strong enough to matter, and soon enough to belong to the tap."""
    if blow is None or blow.delay >= limits.double_hit_within:
        return None
    ratio_db = 20.0 * float(np.log10(blow.ratio))
    if ratio_db < limits.double_hit_db:
        return None
    return Fault("double_hit", {"delay": blow.delay, "ratio_db": ratio_db})


def too_quiet(snr_db: float, *, limits: TapLimits) -> Fault | None:
    """Whether a tap is lost in the noise of its room; NaN (no quiet to compare with) passes."""
    if isnan(snr_db) or snr_db >= limits.lowest_snr_db:
        return None
    return Fault("too_quiet", {"snr_db": snr_db, "needed_db": limits.lowest_snr_db})


def cut_short(left: float, *, limits: TapLimits) -> Fault | None:
    """Whether the recording ends too soon after a tap."""
    return Fault("cut_short", {"left": left}) if left < limits.shortest else None


def overlaps_next(after: float, *, limits: TapLimits) -> Fault | None:
    """Whether the next tap comes before this one has been heard."""
    return Fault("overlaps_next", {"after": after}) if after < limits.overlap_within else None


def unlike_others(distance: Sequence[float], *, limits: TapLimits) -> list[Fault | None]:
    """Which taps are unlike the others; none where half of them or more would be."""
    strange = [isfinite(value) and value > limits.unlike for value in distance]
    if 2 * sum(strange) >= len(strange):
        return [None] * len(distance)
    return [
        Fault("unlike_others", {"distance": value}) if odd else None
        for value, odd in zip(distance, strange, strict=True)
    ]


def dull(reach: float, usual: float, *, limits: TapLimits) -> Fault | None:
    """Whether a blow stops exciting too low: absolutely, or below half of what the other taps reach.

    Both in Hz; NaN where the blow still excites at the top of what was looked at.
    """
    if isnan(reach):
        return None
    far_duller = reach < limits.dull_beside_others and usual >= FAR_DULLER * reach
    return Fault("dull", {"reach": reach}) if reach < limits.dull_below or far_duller else None
