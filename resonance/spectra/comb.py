"""Which note a sound is: the comb of partials that explains its spectrum, in the right octave.

Bowed partials lie on whole multiples of the pitch; the first may be far weaker than the third. So a
candidate is judged by which share of the lines it explains (a note an octave too high leaves every other line
over) and by which share of its own places is taken (one an octave too low leaves every other place empty).
Lines count by their height over the floor in decibels, so that strong ones do not decide alone.
"""

from math import nan

import numpy as np

from resonance.sound.recording import FloatArray
from resonance.spectra.spectrum import long_term_power

ABOVE_DB = 10.0  # over the floor: a line
CAP_DB = 40.0  # higher ones count no more
RANGE_DB = 60.0  # below the strongest line: window leakage and noise, not looked at
FIRST = 10  # a line may be one of so many first partials
STRONGEST = 8  # so many lines propose candidates
LINES = 24  # lines looked at, the strongest
PERIODS = 12.0  # in a frame at least, of the lowest note looked for
WITHIN = 0.03  # relative to the pitch: a line so near to its place is taken for it
REACH = 9000.0  # Hz, lines above are left alone
FULL = 8  # partials of which the places must be taken


def frame_length(lowest: float) -> float:
    """Seconds of a frame in which partials of the lowest note stand apart."""
    return PERIODS / lowest


def averaged_spectrum(
    sound: FloatArray, sample_rate: float, *, lowest: float
) -> tuple[FloatArray, FloatArray]:
    """Mean power over frames under a Hann window, up to `REACH`; arrays (n_bins,), zero padded twice."""
    import scipy

    size = scipy.fft.next_fast_len(int(frame_length(lowest) * sample_rate), real=True)
    grid, power = long_term_power(sound, sample_rate, size=min(sound.size, size), pad=2)
    kept = grid <= REACH
    return grid[kept], power[kept]


def spectral_lines(grid: FloatArray, power: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Frequencies (Hz) of the strongest lines, and their heights over what noise may reach (dB).

    Arrays (n_lines,). The floor is the lower quartile of the level within 100 Hz on either side; noise
    reaches `ABOVE_DB` over it.
    """
    import scipy

    db = 10.0 * np.log10(power + 1e-30)
    width = max(3, int(100.0 / (grid[1] - grid[0])) | 1)
    floor = scipy.ndimage.percentile_filter(db, 25, size=2 * width + 1)
    tops, _ = scipy.signal.find_peaks(db)
    height = db[tops] - floor[tops]
    tops = tops[(height > ABOVE_DB) & (db[tops] > db.max() - RANGE_DB)]
    tops = np.sort(tops[np.argsort(db[tops])[::-1][:LINES]])
    left, top, right = db[tops - 1], db[tops], db[tops + 1]
    places = grid[tops] + 0.5 * (left - right) / (left - 2.0 * top + right) * (grid[1] - grid[0])
    return places, np.minimum(db[tops] - floor[tops], CAP_DB) - ABOVE_DB


def comb_scores(pitches: FloatArray, places: FloatArray, heights: FloatArray) -> FloatArray:
    """How well each pitch explains the lines: harmonic mean of the explained share and of the taken share.

    Parameters
    ----------
    pitches : array (n,), Hz
    places, heights : arrays (n_lines,), Hz and dB

    Returns
    -------
    array (n,), 0 to 1
    """
    ratio = places / pitches[:, None]
    number = np.maximum(1.0, np.round(ratio))
    hit = np.abs(ratio - number) * pitches[:, None] < WITHIN * pitches[:, None] + 0.002 * places
    explained = hit @ heights / heights.sum()
    last = np.clip(np.floor(places.max() / pitches + 0.5), 1, FULL)
    held = [np.any(hit & (number == k), axis=1) & (k <= last) for k in range(1, FULL + 1)]
    taken = np.sum(held, axis=0) / last
    return np.asarray(2.0 * explained * taken / np.maximum(explained + taken, 1e-12))


def note_pitch(
    sound: FloatArray, sample_rate: float, *, lowest: float, highest: float
) -> tuple[float, float]:
    """Pitch of a steady note to a tenth of a semitone or so, in the right octave.

    Parameters
    ----------
    sound : array (n_samples,)
    lowest, highest : float, Hz   where it may lie

    Returns
    -------
    (pitch, score) : Hz, NaN where no line stands out; score 1 when the comb explains every line and misses
    none
    """
    if sound.size < 0.5 * frame_length(lowest) * sample_rate:
        return nan, 0.0
    places, heights = spectral_lines(*averaged_spectrum(sound, sample_rate, lowest=lowest))
    if not places.size:
        return nan, 0.0
    strong = places[np.argsort(-heights, kind="stable")[:STRONGEST]]  # of equals the lowest
    candidates = np.unique((strong[:, None] / np.arange(1, FIRST + 1)).ravel())
    candidates = candidates[(candidates >= lowest) & (candidates <= highest)]
    if not candidates.size:
        return nan, 0.0
    scores = comb_scores(candidates, places, heights)
    best = float(candidates[int(np.argmax(scores))])
    return _centred(best, places, heights), float(scores.max())


def _centred(pitch: float, places: FloatArray, heights: FloatArray) -> float:
    """Pitch from all lines of the comb, each weighted by its height and number."""
    for _ in range(2):
        number = np.maximum(1, np.round(places / pitch))
        hit = np.abs(places - number * pitch) < WITHIN * pitch + 0.002 * places
        weights = heights[hit] * number[hit]
        pitch = float(np.sum(weights * places[hit] / number[hit]) / np.sum(weights))
    return pitch
