"""Third-octave and other band levels of a steady sound.

Bands are those of IEC 61260-1:2014, base ten: G = 10^0.3, centres 1000 G^(k/3), edges at G^(+-1/6) of them
(quoted in public source files, the standard itself not read). A level is the sum over the bins of an averaged
spectrum, each weighted by the power gain of a band-pass of sixth order (Butterworth, three poles a side).
Those gains lie within the mask of class 1 at every frequency and any sample rate, since they are no digital
filter that the sample rate would warp; what is given up is the filter's answer in time, which a steady note
does not need. A sound shorter than `least_duration` blurs a band's edges: that band then has no level.
"""

from functools import lru_cache
from itertools import pairwise

import numpy as np

from resonance.sound.recording import FloatArray
from resonance.spectra.spectrum import long_term_power

G = 10.0**0.3
LOWEST, HIGHEST = 40.0, 16000.0  # Hz, nominal centres
LONGEST_FRAME, SHORTEST_FRAME = 2.0, 0.1  # s
LINES = 16.0  # a band is at least so many lines of the spectrum wide

# Duennwald 1991, CASJ 1(7), from memory; the top limit is 6400 or 7000 Hz by author
DUENNWALD = (190.0, 650.0, 1300.0, 1640.0, 2580.0, 4200.0, 7000.0)


def third_octaves(lowest: float = LOWEST, highest: float = HIGHEST) -> FloatArray:
    """Exact centres in Hz of the third-octave bands from one nominal centre to another."""
    first, last = round(10.0 * np.log10(lowest / 1000.0)), round(10.0 * np.log10(highest / 1000.0))
    return np.asarray(1000.0 * 10.0 ** (np.arange(first, last + 1) / 10.0))


def band_gain(frequency: FloatArray, centre: float, *, per_octave: int = 3) -> FloatArray:
    """Power gain (1 in mid band) of the band-pass of one band.

    1 / (1 + w^6), w = (f/fc - fc/f) / (G^(1/2b) - G^(-1/2b)): a Butterworth low-pass of order three turned
    into a band-pass whose half-power points are the band's edges.

    Parameters
    ----------
    frequency : array, Hz, 0 or more
    centre : float, Hz
    per_octave : int   bands an octave
    """
    ratio = np.maximum(np.asarray(frequency, float) / centre, 1e-12)
    half = G ** (0.5 / per_octave)
    squared = ((ratio - 1.0 / ratio) / (half - 1.0 / half)) ** 2
    return np.asarray(1.0 / (1.0 + squared * squared * squared))


def power_spectrum(sound: FloatArray, sample_rate: float) -> tuple[FloatArray, FloatArray]:
    """Averaged one-sided power spectrum: the sum over its bins is the mean square of the sound.

    Frames of 2 s, or of a half, a quarter ... of that in a shorter sound, half overlapping, under a
    four-term Blackman-Harris window (side lobes 92 dB down: Harris 1978).

    Parameters
    ----------
    sound : array (n_samples,)

    Returns
    -------
    (frequencies, power) : arrays (n_bins,)
    """
    size = int(LONGEST_FRAME * sample_rate)
    while size > sound.size and size > SHORTEST_FRAME * sample_rate:
        size //= 2
    return long_term_power(sound, sample_rate, size=min(size, sound.size), window="blackmanharris")


def least_duration(centre: float) -> float:
    """Seconds of sound that a third-octave band needs for its edges to hold."""
    return float(LINES / (centre * (G ** (1.0 / 6.0) - G ** (-1.0 / 6.0))))


def band_levels_db(frequencies: FloatArray, power: FloatArray, centres: FloatArray) -> FloatArray:
    """Levels in dB re mean square 1 of third-octave bands of an averaged spectrum.

    NaN for a band that reaches above half the sample rate, or for which the sound was too short.

    Parameters
    ----------
    frequencies, power : arrays (n_bins,)   as `power_spectrum` gives them
    centres : array (n_bands,), Hz
    """
    step, top = float(frequencies[1]), float(frequencies[-1])
    fits = (centres * G ** (1.0 / 6.0) <= top) & (step * np.vectorize(least_duration)(centres) <= 1.0)
    gains = _gains(frequencies.size, step, tuple(centres.tolist()))
    return np.where(fits, 10.0 * np.log10(gains @ power + 1e-30), np.nan)


@lru_cache(maxsize=8)
def _gains(n_bins: int, step: float, centres: tuple[float, ...]) -> FloatArray:
    """Gains of several bands on an even grid, array (n_bands, n_bins); the same for note after note."""
    grid = np.asarray(step * np.arange(n_bins), float)
    return np.stack([band_gain(grid, centre) for centre in centres])


def limit_levels_db(
    frequencies: FloatArray, power: FloatArray, limits: tuple[float, ...] = DUENNWALD
) -> FloatArray:
    """Levels in dB re mean square 1 between successive limits (Hz), by sums of bins; array (n_limits - 1,).

    NaN where a band reaches above half the sample rate.
    """
    sums = [
        power[(frequencies >= low) & (frequencies < high)].sum() if high <= frequencies[-1] else np.nan
        for low, high in pairwise(limits)
    ]
    return np.asarray(10.0 * np.log10(np.array(sums) + 1e-30))
