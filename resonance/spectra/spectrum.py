"""Spectra of decays, their maxima, and what a maximum's width says of damping.

The frequency axis is last. Power is per bin and relative: there is no absolute level without a force channel.
"""

from functools import lru_cache
from math import nan

import numpy as np

from resonance.sound.recording import FloatArray

PAD = 4  # zero padding of averaged spectra


def average_spectrum(
    segments: FloatArray, sample_rate: float, *, window: FloatArray | None = None, pad: int = PAD
) -> tuple[FloatArray, FloatArray]:
    """Mean power spectrum of segments of equal length.

    Parameters
    ----------
    segments : array (n_segments, n_samples)
    sample_rate : float, Hz
    window : array (n_samples,) or None   None leaves a free decay as it is
    pad : int   the transform is this many times as long as the segments

    Returns
    -------
    (frequencies, power) : arrays (n_bins,), Hz and mean |X|^2
    """
    n = segments.shape[-1] * pad
    data = segments if window is None else segments * window
    power = np.mean(np.abs(np.fft.rfft(data, n=n, axis=-1)) ** 2, axis=0)
    return np.asarray(np.fft.rfftfreq(n, 1.0 / sample_rate), float), np.asarray(power, float)


def long_term_power(
    sound: FloatArray, sample_rate: float, *, size: int, window: str = "hann", pad: int = 1
) -> tuple[FloatArray, FloatArray]:
    """Averaged one-sided power spectrum of a steady sound in half-overlapping frames (Welch's method).

    Parameters
    ----------
    sound : array (n_samples,)
    size : int   samples in a frame, `sound.size` at most
    window : str   as `scipy.signal.get_window` knows it
    pad : int   the transform is this many times as long as a frame

    Returns
    -------
    (frequencies, power) : arrays (n_bins,); with pad 1 the sum over the bins is the mean square of the sound
        about the mean of each frame
    """
    taper = _taper(window, size)
    n = max(1, (sound.size - size) // max(1, size // 2) + 1)
    starts = range(0, n * max(1, size // 2), max(1, size // 2))
    power = np.zeros(size * pad // 2 + 1)
    for start in starts:
        frame = sound[start : start + size]
        power += np.abs(np.fft.rfft((frame - frame.mean()) * taper, n=size * pad)) ** 2
    power[1 : (size * pad + 1) // 2] *= 2.0
    return np.asarray(np.fft.rfftfreq(size * pad, 1.0 / sample_rate), float), power / (
        n * pad * size * float(taper @ taper)
    )


@lru_cache(maxsize=16)
def _taper(window: str, size: int) -> FloatArray:
    import scipy

    return np.asarray(scipy.signal.get_window(window, size), float)


def nearest_maximum(frequencies: FloatArray, power_db: FloatArray, near: float, within: float) -> float:
    """Frequency of the spectrum maximum nearest to `near`, by a parabola through the logarithm.

    Parameters
    ----------
    frequencies, power_db : arrays (n_bins,), Hz on an even grid, dB
    near, within : float, Hz

    Returns
    -------
    float, Hz; NaN when no maximum lies within `within`
    """
    inner = power_db[1:-1]
    tops = 1 + np.flatnonzero((inner >= power_db[:-2]) & (inner > power_db[2:]))
    if tops.size == 0:
        return nan
    left, top, right = power_db[tops - 1], power_db[tops], power_db[tops + 1]
    bend = left - 2.0 * top + right
    offset = np.where(bend < 0.0, 0.5 * (left - right) / np.where(bend < 0.0, bend, -1.0), 0.0)
    places = frequencies[tops] + offset * (frequencies[1] - frequencies[0])
    best = int(np.argmin(np.abs(places - near)))
    return float(places[best]) if abs(places[best] - near) <= within else nan


def half_power_damping(frequencies: FloatArray, power: FloatArray, peak: float) -> float:
    """Damping ratio from the half-power width of the maximum nearest to `peak` (Hz): (f2 - f1) / 2 f0.

    Exact for the velocity of a single mode; wide where modes overlap and where the record is short.
    NaN when the spectrum does not fall to half on both sides.
    """
    top = int(np.argmin(np.abs(frequencies - peak)))
    while 0 < top < power.size - 1 and power[top] < max(power[top - 1], power[top + 1]):
        top += 1 if power[top + 1] > power[top - 1] else -1
    half = 0.5 * power[top]
    below = np.flatnonzero(power[:top] < half)
    above = np.flatnonzero(power[top:] < half)
    if below.size == 0 or above.size == 0:
        return nan
    i, j = int(below[-1]), top + int(above[0])
    low = np.interp(half, power[i : i + 2], frequencies[i : i + 2])
    high = np.interp(-half, -power[j - 1 : j + 1], frequencies[j - 1 : j + 1])
    return float((high - low) / (2.0 * frequencies[top]))


def window_constants(window: FloatArray) -> tuple[float, float, float]:
    """Coherent gain, equivalent noise bandwidth in bins, and scalloping loss in dB of a window.

    Harris 1978, Proc. IEEE 66, 51: mean(w); n sum(w^2) / sum(w)^2; |sum w exp(-i pi k / n)| / sum(w).
    """
    n, total = window.size, float(np.sum(window))
    turned = np.abs(np.sum(window * np.exp(-1j * np.pi * np.arange(n) / n)))
    return total / n, float(n * np.sum(window**2)) / total**2, float(-20.0 * np.log10(turned / total))


def pitch_points(
    sound: FloatArray, sample_rate: float, band: tuple[float, float], n_points: int
) -> FloatArray:
    """Give the amplitude spectrum of a sound at points evenly spaced in pitch, for the eye.

    Parameters
    ----------
    sound : array (n,)
    band : (float, float), Hz

    Returns
    -------
    array (n_points,), full scale 1 for a sine   each the largest bin nearer to it than to its neighbours;
        where bins lie wider than points, the line between them
    """
    window = np.hanning(len(sound))
    amplitude = np.abs(np.fft.rfft(sound * window)) * (2.0 / np.sum(window))
    step = sample_rate / len(sound)
    edges = np.geomspace(*band, n_points + 1)
    middle = np.sqrt(edges[1:] * edges[:-1])
    first = np.minimum(np.ceil(edges / step).astype(int), len(amplitude) - 1)
    between = np.interp(middle, step * np.arange(len(amplitude)), amplitude)
    largest = np.maximum.reduceat(amplitude, first[:-1])
    return np.asarray(np.where(first[1:] > first[:-1], largest, between))
