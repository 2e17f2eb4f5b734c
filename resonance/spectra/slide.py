"""What of the body shows under a bowed slide: each partial sweeps over it as the pitch rises.

The level of partial k when the pitch is f is taken for the sum of three parts: the body at k f, the string's
own partial k, and the bow at that moment, alike for all partials. Partials that pass the same frequency at
other moments tell the three apart, but for a steady tilt, which is taken off. What comes out is a curve of
levels with hills, not a set of modes: neighbours that overlap show as one hill, and damping is not to be had
from it.

Reason codes
------------
slide_too_narrow : semitones: the slide spans too little
slide_not_followed : no steady rise or fall of one pitch was found
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import nan, sqrt

import numpy as np
from numpy.typing import NDArray

from resonance.reasons import Reason
from resonance.sound.recording import FloatArray, Take
from resonance.spectra.bowed import RANGES
from resonance.spectra.partials import Track, follow_along
from resonance.spectra.stretches import HOP, detection_curve

PARTIALS = 8
HIGHEST = 2000.0  # Hz
BIN_CENTS = 25.0
MOMENT = 0.05  # s over which the bow is one
BOW_DB, PARTIAL_DB, ROUGH_DB = 6.0, 20.0, 1.5  # what is thought beforehand of bow, partials, step to step
NARROWEST = 4.0  # semitones
GROUPS = 10  # left out one after another for the uncertainty
LEAST_DB = 3.0  # height of a hill over the lower of its two sides
CLOSE_CENTS = 120.0  # a hill of a part of the slide is the same within so much


@dataclass(frozen=True)
class Hill:
    """One hill of the curve: frequency and its standard uncertainty, Hz; height over its sides, dB."""

    frequency: float
    frequency_u: float = nan
    height_db: float = nan


@dataclass(frozen=True, eq=False)
class SlideCurve:
    """What shows of the body under a slide.

    Parameters
    ----------
    frequencies, level_db, level_u_db : arrays (n,)   Hz, dB about their mean, standard uncertainty
    hills : tuple of Hill, by rising frequency
    lowest, highest : float, Hz   of the pitch
    reasons : tuple of Reason   why there is no curve
    """

    frequencies: FloatArray = field(default_factory=lambda: np.zeros(0))
    level_db: FloatArray = field(default_factory=lambda: np.zeros(0))
    level_u_db: FloatArray = field(default_factory=lambda: np.zeros(0))
    hills: tuple[Hill, ...] = ()
    lowest: float = nan
    highest: float = nan
    reasons: tuple[Reason, ...] = ()


def slide_curve(takes: Sequence[Take], *, family: str = "violin") -> SlideCurve:
    """Read the body's curve off one or more slides on one string, taken together.

    Parameters
    ----------
    takes : sequence of Take   each one slide, up or down, slow and even; the first channel of sound is heard
    family : str
    """
    rows: list[FloatArray] = []
    span, at = [np.inf, 0.0], 0.0
    for take in takes:
        track, pitches = _followed(take, family)
        if track is None:
            continue
        span = [min(span[0], float(pitches.min())), max(span[1], float(pitches.max()))]
        rows.append(_readings(track, pitches, at))
        at += float(track.times[-1]) + 1.0
    if not rows:
        return SlideCurve(reasons=(Reason("slide_not_followed"),))
    semitones = 12.0 * float(np.log2(span[1] / span[0]))
    if semitones < NARROWEST:
        return SlideCurve(reasons=(Reason("slide_too_narrow", {"semitones": semitones}),))
    return _curve(np.concatenate(rows), span)


def _followed(take: Take, family: str) -> tuple[Track | None, FloatArray]:
    """Follow the longest stretch of one take in which the pitch goes up or down without a leap."""
    none = np.zeros(0)
    channel = next((k for k in range(take.recording.n_channels) if take.role(k) == "sound"), None)
    if channel is None:
        return None, none
    sound, rate = take.recording.samples[:, channel], take.recording.sample_rate
    lowest, highest = RANGES.get(family, RANGES["other"])
    curve = detection_curve(sound, rate, lowest=lowest, highest=highest)
    if curve.pitch.size < 20:
        return None, none
    steady = np.abs(np.diff(np.log2(curve.pitch))) < 1.5 / 12.0
    loud = curve.level_db > curve.level_db.max() - 30.0
    start, stop = _longest_run(steady & loud[1:] & loud[:-1])
    if stop - start < 1.0 / HOP:
        return None, none
    times, pitches = curve.times[start:stop], _smoothed(curve.pitch[start:stop])
    first = int(times[0] * rate)
    piece = sound[first : int(times[-1] * rate)]
    track = follow_along(piece, rate, times - times[0], pitches, count=PARTIALS)
    if track is None:
        return None, none
    return track, np.asarray(np.gradient(track.turns, track.times))


def _longest_run(flags: NDArray[np.bool_]) -> tuple[int, int]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(int), [0]])))
    if not edges.size:
        return 0, 0
    starts, stops = edges[::2], edges[1::2]
    k = int(np.argmax(stops - starts))
    return int(starts[k]), int(stops[k])


def _smoothed(pitches: FloatArray) -> FloatArray:
    """Candidate pitches, a quarter of a semitone apart, as the even course they stand for."""
    import scipy

    course = scipy.ndimage.uniform_filter1d(
        scipy.ndimage.median_filter(np.log2(pitches), size=9, mode="nearest"), 9, mode="nearest"
    )
    return np.asarray(2.0**course)


def _readings(track: Track, pitches: FloatArray, at: float) -> FloatArray:
    """Rows (moment in s, partial, Hz, dB) of what stands over the noise, array (n, 4)."""
    size = max(1, round(MOMENT / track.step))
    n = pitches.size // size
    pitch = pitches[: n * size].reshape(n, size).mean(axis=1)
    times = at + track.times[: n * size].reshape(n, size).mean(axis=1)
    rows = []
    for k in range(len(track.partials)):
        power = np.mean(np.abs(track.partials[k, : n * size].reshape(n, size)) ** 2, axis=1) - track.noise[k]
        heard = (power > 3.0 * track.noise[k]) & ((k + 1) * pitch < HIGHEST)
        db = 10.0 * np.log10(np.maximum(power, 1e-30))
        rows.append(np.stack([times, np.full(n, k + 1.0), (k + 1) * pitch, db], axis=1)[heard])
    return np.concatenate(rows)


def _curve(rows: FloatArray, span: Sequence[float]) -> SlideCurve:
    place = np.round(1200.0 / BIN_CENTS * np.log2(rows[:, 2] / span[0])).astype(int)
    frequencies = span[0] * 2.0 ** (np.arange(place.max() + 1) * BIN_CENTS / 1200.0)
    level = _solved(rows, place)
    moments = np.unique(np.round(rows[:, 0] / 0.5)).size  # half seconds
    group = np.round(rows[:, 0] / 0.5).astype(int) % min(GROUPS, max(2, moments))
    parts = np.array(
        [_solved(rows[group != g], place[group != g], size=level.size) for g in np.unique(group)]
    )
    share = (len(parts) - 1.0) / len(parts)
    level_u = np.sqrt(share * np.sum((parts - parts.mean(axis=0)) ** 2, axis=0))
    hills = []
    for frequency, height in _hills(frequencies, level):
        near = [_nearest(frequencies, part, frequency) for part in parts]
        if height < 2.0 * float(np.interp(frequency, frequencies, level_u)) or np.isnan(near).any():
            continue
        u = sqrt(share * float(np.sum((np.array(near) - np.mean(near)) ** 2)))
        step = frequency * (2.0 ** (BIN_CENTS / 1200.0) - 1.0) / sqrt(12.0)
        hills.append(Hill(frequency, float(np.hypot(u, step)), height))
    return SlideCurve(frequencies, level, level_u, tuple(hills), span[0], span[1])


def _solved(
    rows: FloatArray, place: np.ndarray[tuple[int, ...], np.dtype[np.int_]], *, size: int = 0
) -> FloatArray:
    """Curve (n_bins,) by least squares; steps of the curve, bow and partials held to what is usual."""
    n_bins = size or int(place.max()) + 1
    moments, moment = np.unique(np.round(rows[:, 0] / MOMENT).astype(int), return_inverse=True)
    n_partials = int(rows[:, 1].max())
    total = n_bins + n_partials + moments.size
    columns = np.stack([place, n_bins + rows[:, 1].astype(int) - 1, n_bins + n_partials + moment], axis=1)
    normal, right = np.zeros((total, total)), np.zeros(total)
    level = rows[:, 3] - rows[:, 3].mean()
    for i in range(3):
        np.add.at(right, columns[:, i], level)
        for j in range(3):
            np.add.at(normal, (columns[:, i], columns[:, j]), 1.0)
    bins = np.arange(n_bins - 1)
    rough = 1.0 / ROUGH_DB**2
    for i, j, sign in ((0, 0, 1.0), (1, 1, 1.0), (0, 1, -1.0), (1, 0, -1.0)):
        np.add.at(normal, (bins + i, bins + j), sign * rough)
    held = np.concatenate(
        [np.full(n_bins, 1e-6), np.full(n_partials, PARTIAL_DB**-2.0), np.full(moments.size, BOW_DB**-2.0)]
    )
    normal[np.arange(total), np.arange(total)] += held
    curve = np.linalg.solve(normal, right)[:n_bins]
    tilt = np.polyval(np.polyfit(np.arange(n_bins), curve, 1), np.arange(n_bins))
    return np.asarray(curve - tilt)


def _hills(frequencies: FloatArray, level: FloatArray) -> list[tuple[float, float]]:
    """Hills (Hz, height over the lower side's foot in dB) that rise by `LEAST_DB` or more on both sides."""
    import scipy

    tops, found = scipy.signal.find_peaks(level, prominence=LEAST_DB)
    return [
        (_top(frequencies, level, int(k)), float(p)) for k, p in zip(tops, found["prominences"], strict=True)
    ]


def _top(frequencies: FloatArray, level: FloatArray, k: int) -> float:
    bend = level[k - 1] - 2.0 * level[k] + level[k + 1]
    shift = 0.5 * (level[k - 1] - level[k + 1]) / bend if bend < 0.0 else 0.0
    return float(frequencies[k] * 2.0 ** (float(np.clip(shift, -0.5, 0.5)) * BIN_CENTS / 1200.0))


def _nearest(frequencies: FloatArray, level: FloatArray, near: float) -> float:
    """Highest place of a curve near a hill, Hz; NaN where it is at an end."""
    inside = np.flatnonzero(np.abs(1200.0 * np.log2(frequencies / near)) < CLOSE_CENTS)
    inside = inside[(inside > 0) & (inside < level.size - 1)]
    return _top(frequencies, level, int(inside[np.argmax(level[inside])])) if inside.size else nan
