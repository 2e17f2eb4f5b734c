"""The partials of one note followed through time, and the pitch they share.

Each partial is brought down to zero frequency along the pitch followed so far and smoothed under a Hann
window whose nulls lie on its neighbours; the turning left over tells how far the pitch is off. One look at
the low partials, which no vibrato of a hand carries out of reach, and one along what they showed, with all
partials. Partials are weighted by number squared times power over the noise beside them: where the noise is
white, the slope of their common phase then has nearly the least scatter that any method can have.
"""

from dataclasses import dataclass
from math import ceil, nan, sqrt

import numpy as np

from resonance.sound.recording import ComplexArray, FloatArray

MOST = 16  # partials
REACH = 7000.0  # Hz
SMOOTHED = 0.008  # s at least, and two periods
WANDER = 0.035  # share of the pitch that the first look follows: a semitone's half and more
FIRST = 6  # partials of the first look
FASTEST = 120.0  # Hz that a partial may be off while it is followed
OVERLAP = 4  # steps a window
SWELL = 0.05  # s over which the level that weights the pitch is averaged, lest its noise meet the pitch's
NOISE_FROM = 24  # windows from the middle of a note tell the noise between its partials
SHORTEST = 8.0  # windows in a note
LONGEST = 0.06  # s, window of a note that stands little above its noise
HEARD = 9.0  # power over noise of its means at which a partial is believed
CLEAR = 30.0  # power over noise at which the phase of one value is sure


@dataclass(frozen=True, eq=False)
class Track:
    """Partials of one note along time.

    Parameters
    ----------
    times : array (n,), s from the start of the sound
    turns : array (n,)   phase of the first partial by all of them, in cycles
    partials : array (n_partials, n), complex   each along the common phase; |z| its amplitude, its angle
        what the common phase leaves over
    weights : array (n_partials,)   number squared times power over the noise beside it, summing to 1
    noise : array (n_partials,)   mean square of the noise in one value of a partial
    step, window : float, s   between values; length of the Hann window
    """

    times: FloatArray
    turns: FloatArray
    partials: ComplexArray
    weights: FloatArray
    noise: FloatArray
    step: float
    window: float

    @property
    def pitches(self) -> FloatArray:
        """Pitch from value to value, array (n - 1,), Hz."""
        return np.asarray(np.diff(self.turns) / self.step)


def follow(sound: FloatArray, sample_rate: float, near: float) -> Track | None:
    """Follow the partials of a note whose pitch is roughly known.

    Parameters
    ----------
    sound : array (n_samples,)   the steady part of one note
    near : float, Hz   within a third of a semitone

    Returns
    -------
    Track, or None where the sound is shorter than eight windows
    """
    top = min(REACH, 0.4 * sample_rate)
    count = max(1, min(MOST, int(top / near)))
    low, rate = _decimated(sound, sample_rate, near * (count + 1.0))
    window = max(2.0, ceil(SMOOTHED * near)) / near
    first = max(1, min(count, FIRST, int(FASTEST / (WANDER * near))))
    if low.size < SHORTEST * window * rate:
        return None
    track = _look(low, rate, _even(low.size, near / rate), first, window)
    while _loudness(track) < CLEAR and low.size >= 2 * SHORTEST * window * rate and window < LONGEST:
        window *= 2.0
        track = _look(low, rate, _even(low.size, near / rate), first, window)
    return _look(low, rate, _extended(low.size, rate, track), count, window)


def follow_along(
    sound: FloatArray, sample_rate: float, times: FloatArray, pitches: FloatArray, *, count: int
) -> Track | None:
    """Follow the partials of a slide whose pitch is roughly known at some times.

    Parameters
    ----------
    sound : array (n_samples,)
    times, pitches : arrays (n,), s and Hz   within a third of a semitone
    count : int   partials

    Returns
    -------
    Track, or None where the sound is shorter than eight windows
    """
    low, rate = _decimated(sound, sample_rate, float(pitches.max()) * (count + 1.0))
    window = 2.0 / float(pitches.min())
    if low.size < SHORTEST * window * rate:
        return None
    along = np.interp(_even(low.size, 1.0 / rate), times, pitches)
    turns = np.concatenate([[0.0], np.cumsum(0.5 * (along[1:] + along[:-1]))]) / rate
    first = _look(low, rate, turns, min(count, 3), window)
    return _look(low, rate, _extended(low.size, rate, first), count, window)


def _look(sound: FloatArray, rate: float, turns: FloatArray, count: int, window: float) -> Track:
    """One look: partials along the phase given, the noise beside them, the phase they share."""
    hop = max(1, round(window * rate / OVERLAP))
    turn = np.exp(-2j * np.pi * turns)
    partials = _brought_down(sound, turn, turn, count, hop)
    centres = _even(partials.shape[1], hop / rate) + 0.5 * (OVERLAP * hop - 1) / rate
    along = np.interp(centres, _even(sound.size, 1.0 / rate), turns)
    noise = _noise_beside(sound, turns, turn, count, hop)
    return _common(partials, noise, along, centres, hop / rate, window)


def _even(n: int, step: float) -> FloatArray:
    return np.asarray(step * np.arange(n), float)


def _loudness(track: Track) -> float:
    """Power of all partials over their noise, in one value."""
    return float(np.sum(np.mean(np.abs(track.partials) ** 2, axis=1) / track.noise))


def _decimated(sound: FloatArray, sample_rate: float, reach: float) -> tuple[FloatArray, float]:
    """Sound at the lowest rate that still holds `reach` Hz; a linear-phase filter, ends left as they are."""
    import scipy

    factor = int(sample_rate / (2.4 * reach))
    if factor < 2:
        return sound - np.mean(sound), sample_rate
    low = scipy.signal.resample_poly(sound - np.mean(sound), 1, factor, window=("kaiser", 8.0))
    return np.asarray(low), sample_rate / factor


def _brought_down(
    sound: FloatArray, first: ComplexArray, turn: ComplexArray, count: int, hop: int
) -> ComplexArray:
    """Sound times first turn^k, k from 0, under a Hann window of `OVERLAP` hops; array (count, n).

    A window is the sum of `OVERLAP` blocks of one hop, so each block is weighted once for each place it
    takes.
    """
    blocks = sound.size // hop
    window = np.sin(np.pi * (np.arange(OVERLAP * hop) + 0.5) / (OVERLAP * hop)) ** 2
    weights = (2.0 * window / window.sum()).reshape(OVERLAP, hop).T.astype(complex)
    turned = np.empty((count, blocks * hop), complex)
    along = turn[: blocks * hop]
    np.multiply(sound[: blocks * hop], first[: blocks * hop], out=turned[0])
    for k in range(1, count):
        np.multiply(turned[k - 1], along, out=turned[k])
    parts = (turned.reshape(count * blocks, hop) @ weights).reshape(count, blocks, OVERLAP)
    n = blocks - OVERLAP + 1
    return np.asarray(sum(parts[:, place : place + n, place] for place in range(OVERLAP)))


def _noise_beside(
    sound: FloatArray, turns: FloatArray, turn: ComplexArray, count: int, hop: int
) -> FloatArray:
    """Mean square of what lies half-way between the partials, on either side of each; array (count,).

    At half a pitch away the window must have fallen off, so it is twice as long, its nulls twice as dense.
    """
    size = NOISE_FROM * OVERLAP * hop
    middle = slice(max(0, (sound.size - size) // 2), (sound.size + size) // 2)
    half = np.exp(-1j * np.pi * turns[middle])
    between = _brought_down(sound[middle], half, turn[middle], count + 1, 2 * hop)
    noise = 2.0 / np.log(2.0) * np.median(np.abs(between) ** 2, axis=1)
    return np.asarray(np.maximum(0.5 * (noise[:-1] + noise[1:]), 1e-20))


def _common(
    partials: ComplexArray,
    noise: FloatArray,
    turns: FloatArray,
    times: FloatArray,
    step: float,
    window: float,
) -> Track:
    """Phase that all partials share, from how each turns from value to value."""
    number = np.arange(1.0, len(partials) + 1.0)
    over = np.mean(np.abs(partials) ** 2, axis=1) / noise
    longest = max(1, partials.shape[1] // 4)
    spans = np.clip(np.ceil(OVERLAP * CLEAR / np.maximum(over, 1e-9)), 1, longest).astype(int)
    spans[over > CLEAR] = 1
    means = [_averaged(values, int(span)) for values, span in zip(partials, spans, strict=True)]
    alone = noise / np.maximum(1.0, 1.5 * spans / OVERLAP)  # what noise alone leaves in such a mean
    heard = np.array([np.mean(np.abs(mean) ** 2) for mean in means]) > HEARD * alone
    heard[np.argmax(over)] = True
    weights = np.where(heard, number**2 * np.maximum(over - 1.0, 1e-9), 0.0)
    weights = weights / weights.sum()
    common = np.zeros(partials.shape[1])
    for k in np.flatnonzero(heard):
        common += weights[k] * turned(means[k]) / number[k]
    left = partials * np.exp(-2j * np.pi * number[:, None] * common)
    return Track(times, turns + common, left, weights, noise, step, window)


def _averaged(values: ComplexArray, span: int) -> ComplexArray:
    """Running mean over so many values; the ends take the nearest whole mean, lest a phase slip there."""
    half = span // 2
    if half < 1:
        return values
    total = np.concatenate([[0.0], np.cumsum(values)])
    place = np.clip(np.arange(values.size), half, values.size - 1 - half)
    return np.asarray((total[place + half + 1] - total[place - half]) / (2 * half + 1))


def turned(values: ComplexArray) -> FloatArray:
    """Phase in cycles from the first value on."""
    steps = np.angle(values[1:] * np.conj(values[:-1]))
    return np.concatenate([[0.0], np.cumsum(steps)]) / (2.0 * np.pi)


def _extended(n_samples: int, rate: float, track: Track) -> FloatArray:
    """Common phase at every sample, smoothed over three values; beyond the ends the pitch stays as it is."""
    pitch = np.gradient(track.turns, track.step)
    padded = np.concatenate([pitch[:1], pitch, pitch[-1:]])
    pitch = (padded[:-2] + padded[1:-1] + padded[2:]) / 3.0
    along = np.interp(np.arange(n_samples) / rate, track.times, pitch)
    return np.concatenate([[0.0], np.cumsum(0.5 * (along[1:] + along[:-1]))]) / rate


def mean_pitch(track: Track) -> tuple[float, float]:
    """Pitch of a note, and its standard uncertainty, Hz.

    A mean over the note, weighted by a parabola over its time and by its amplitude. For a steady tone in
    white noise that is the slope of the common phase by least squares, nearly the best that can be had
    (Tretter 1985, IEEE Trans. IT 31, 832, from memory); in a note that swells, louder moments count more, as
    they do for the ear and in a spectrum of the whole.

    The uncertainty holds noise on the phase (s^2) and a wandering pitch (d), told apart by how the phase's
    mean square departure from a line grows with the time between two values, 2 s^2 + d tau: variance of the
    mean 12 s^2 w / T^3 + 1.2 d / T, w the time over which noise is one.
    """
    time = track.times - track.times.mean()
    middle = 0.5 * (time[1:] + time[:-1])
    power = np.sum(np.abs(track.partials) ** 2, axis=0)
    level = np.sqrt(np.abs(_averaged(power.astype(complex), min(power.size // 4, int(SWELL / track.step)))))
    weights = (1.0 - (middle / (0.5 * (time[-1] - time[0]))) ** 2 * (1.0 - 1e-9)) * (level[1:] + level[:-1])
    pitch = float(np.sum(weights * track.pitches) / np.sum(weights))
    left = track.turns - pitch * time
    duration = float(time[-1] - time[0]) + track.window
    lags = np.unique(np.round(np.geomspace(OVERLAP, max(OVERLAP + 1, left.size // 4), 12)).astype(int))
    grown = np.array([np.mean((left[lag:] - left[:-lag]) ** 2) for lag in lags])
    white, wander = _parts(lags * track.step, grown)
    variance = 12.0 * white * (track.window / 1.5) / duration**3 + 1.2 * wander / duration
    return pitch, sqrt(variance) if variance > 0.0 else nan


def _parts(lags: FloatArray, grown: FloatArray) -> tuple[float, float]:
    """Solve grown = 2 white + wander * lag for parts not below zero, each lag weighted by its own size."""
    import scipy

    scale = 1.0 / np.maximum(grown, 1e-30)
    matrix = np.stack([2.0 * scale, lags * scale], axis=1)
    (white, wander), _ = scipy.optimize.nnls(matrix, grown * scale)
    return float(white), float(wander)
