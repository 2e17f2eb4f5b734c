"""Where notes are held in a recording: by level, and by what sounds.

A detection curve first (level, and for each frame the candidate pitch whose comb of partials stands out
most), then stretches from it. The pitch here only tells where one note ends and the next begins; what note
it is, in its right octave, is told from the whole stretch (`resonance.spectra.comb`).
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from resonance.sound.recording import FloatArray

HOP = 0.025  # s
PER_SEMITONE = 4  # candidates
COMB = 8  # partials
REACH = 4000.0  # Hz
CHUNK = 256  # frames at a time, so that a long recording needs little memory
BELOW_DB = 32.0  # under the loudest: no note
ABOVE_DB = 10.0  # over the quiet
DIP_DB = 18.0  # a fall so deep ...
DIP = 0.085  # s ... and so long parts two strokes on one note; a wolf of 3 beats a second falls for less
AROUND = 0.4  # s, within which a dip is held against the level
CHANGE = 0.7  # semitones
SHORTEST = 0.25  # s


@dataclass(frozen=True, eq=False)
class Curve:
    """What sounds when: level (dB re full scale) and candidate pitch (Hz) every `HOP`; arrays (n,)."""

    times: FloatArray
    level_db: FloatArray
    pitch: FloatArray


def detection_curve(sound: FloatArray, sample_rate: float, *, lowest: float, highest: float) -> Curve:
    """Level and candidate pitch along a recording.

    Parameters
    ----------
    sound : array (n_samples,)
    lowest, highest : float, Hz   of the notes looked for
    """
    import scipy

    size = scipy.fft.next_fast_len(int(8.0 / lowest * sample_rate) | 1, real=True)
    hop = round(HOP * sample_rate)
    count = max(0, (sound.size - size) // hop + 1)
    candidates, comb, bins = _comb(size, sample_rate, lowest, highest)
    window = np.hanning(size)
    inner = slice((size - hop) // 2, (size + hop) // 2)
    level, best = np.empty(count), np.empty(count, int)
    for start in range(0, count, CHUNK):
        stop = min(count, start + CHUNK)
        frames = np.lib.stride_tricks.sliding_window_view(sound[start * hop :], size)[::hop][: stop - start]
        spectrum = np.abs(scipy.fft.rfft(frames * window, axis=1)[:, :bins])
        level[start:stop] = 10.0 * np.log10(np.var(frames[:, inner], axis=1) + 1e-20)
        best[start:stop] = np.argmax(np.sqrt(spectrum) @ comb, axis=1)
    times = np.asarray((np.arange(count) * hop + 0.5 * size) / sample_rate, float)
    return Curve(times, level, candidates[best] if count else np.zeros(0))


def _comb(size: int, rate: float, lowest: float, highest: float) -> tuple[FloatArray, FloatArray, int]:
    """Candidates (Hz), a matrix (bins, candidates) of their combs, and the number of bins used.

    A comb is +1/k at partial k, and -1/2 of it half-way between two: what an octave too low would have there.
    """
    n = int(12 * PER_SEMITONE * np.log2(highest / lowest)) + 1
    candidates = lowest * 2.0 ** (np.arange(n) / (12.0 * PER_SEMITONE))
    step = rate / size
    bins = min(size // 2, int(min(REACH, 0.45 * rate) / step))
    comb = np.zeros((bins, n))
    column = np.arange(n)
    for k in range(1, COMB + 1):
        for place, weight in ((k, 0.9**k), (k - 0.5, -0.5 * 0.9**k)):
            row = place * candidates / step
            low = np.floor(row).astype(int)
            for shift, share in ((0, 1.0 - (row - low)), (1, row - low)):
                inside = low + shift < bins
                comb[low[inside] + shift, column[inside]] += weight * share[inside]
    return candidates, comb, bins


def held_stretches(curve: Curve) -> list[tuple[float, float, int]]:
    """Stretches in which one note is held, parted by silence, by a dip or by a new pitch.

    Returns
    -------
    list of (start, end, run) : s, and the number of the sounding run between two silences or dips
    """
    if not curve.level_db.size:
        return []
    level = curve.level_db
    loudest, quiet = np.max(level), np.quantile(level, 0.05)
    least = loudest - BELOW_DB
    if quiet < loudest - BELOW_DB + ABOVE_DB:
        least = max(least, quiet + ABOVE_DB)
    sounding = (level > least) & ~_dips(level)
    found: list[tuple[float, float, int]] = []
    for run, (start, stop) in enumerate(_runs(sounding)):
        for first, last in _by_pitch(curve.pitch[start:stop]):
            if (last - first) * HOP >= SHORTEST:
                begins, ends = curve.times[start + first], curve.times[start + last - 1]
                found.append((float(begins - 0.5 * HOP), float(ends + 0.5 * HOP), run))
    return found


def _dips(level: FloatArray) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Where the level lies so far under what it is around, long enough to be a change of stroke."""
    import scipy

    around = scipy.ndimage.maximum_filter1d(level, 2 * round(AROUND / HOP) + 1)
    low = level < around - DIP_DB
    for start, stop in _runs(low):
        if (stop - start) * HOP < DIP:
            low[start:stop] = False
    return low


def _runs(flags: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(int), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _by_pitch(pitch: FloatArray) -> list[tuple[int, int]]:
    """Part a sounding run where the candidate pitch changes and stays; short strays belong to their run."""
    import scipy

    semitones = scipy.ndimage.median_filter(12.0 * np.log2(pitch), size=7, mode="nearest")
    changes = np.flatnonzero(np.abs(np.diff(semitones)) > CHANGE) + 1
    edges = [0, *changes.tolist(), pitch.size]
    parts = [(a, b) for a, b in pairwise(edges) if (b - a) * HOP >= 0.4 * SHORTEST]
    joined: list[tuple[int, int]] = []
    for a, b in parts:
        same = joined and abs(np.median(semitones[a:b]) - np.median(semitones[slice(*joined[-1])])) < CHANGE
        if same:
            joined[-1] = (joined[-1][0], b)
        else:
            joined.append((a, b))
    return joined
