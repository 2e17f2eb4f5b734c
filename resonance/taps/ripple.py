"""Second blows a few milliseconds after the first, heard by holding each tap against the others.

A second blow of strength r after a delay d multiplies a tap's spectrum by 1 + r exp(-2 pi i f d): a ripple.
Instrument, room and reflections are the same in every tap of a recording and fall out of the ratio of two
spectra; what a softer or harder blow does to the ratio is smooth in frequency, so a second blow is what is
left, a peak at the lag d and none at -d. That side, where nothing can be, shows what chance gives. Bins in
the noise have no weight. One tap alone does not tell a second blow from a reflection.

Tried on five real taps of each of two spruce plates with copies of one added: r = 0.1 at 4 ms was read as
0.117 and 0.105 and stood 3.7 and 6.4 times above chance; without copies no r above 0.07.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, log2

import numpy as np
import scipy
from numpy.typing import NDArray

from resonance.sound.recording import ComplexArray, FloatArray
from resonance.taps.measures import decay_ends, faded, piece_of, quiet_before

SPAN, LEAD = 0.25, 0.003  # s of each tap, and how much of it lies before the onset
BAND = (150.0, 8000.0)  # Hz
USABLE = 0.45  # of the sample rate
NOISE_WEIGHT = 4.0  # a bin counts by (signal / (signal + 4 noise))^2
NOISE_SMOOTH = 60.0  # Hz
ROUNDING = 1e-7  # of the largest power: noise at least
SHIFT = 0.0012  # s by which two onsets may be out of step
SMOOTH_LAG = 0.0007  # s: lags up to about this are the shapes of the two blows
LONGEST_RATIO = 3.0  # the ratio of two bins is not trusted beyond this
SOONEST = 0.0025  # s
MOST_PARTNERS = 6  # taps that one is held against
LEAST_BANDWIDTH = 100.0  # Hz in which both taps must be heard
CHANCE = 3.0  # a peak this much above what chance gives is a second blow


@dataclass(frozen=True)
class SecondBlow:
    """A second blow: delay (s) and strength relative to the first."""

    delay: float
    ratio: float


@dataclass(frozen=True, eq=False)
class _Spectra:
    """Spectra (n_taps, n_bins) of the taps, their noise power, and the bins (Hz)."""

    taps: ComplexArray
    noise: FloatArray
    frequencies: FloatArray


def second_blows(
    sound: FloatArray,
    sample_rate: float,
    onsets: Sequence[float],
    *,
    references: Sequence[int],
    within: float,
    least_ratio: float,
    judged: Sequence[int] | None = None,
) -> list[SecondBlow | None]:
    """For each tap the second blow that it alone has, None where it has none.

    Parameters
    ----------
    sound : array (n_samples,)
    sample_rate : float, Hz
    onsets : sequence of float, s, rising
    references : indices of the taps to hold the others against, none of them known to be bad
    within : float, s   longest delay
    least_ratio : float   smallest strength relative to the first blow
    judged : indices of the taps to look at, to save time; all when None

    Returns
    -------
    list as long as `onsets`; all None where there is nothing to compare with
    """
    if len(onsets) < 2 or not references:
        return [None] * len(onsets)
    spectra = _spectra(sound, sample_rate, onsets)
    found: list[SecondBlow | None] = []
    for k in range(len(onsets)):
        if judged is not None and k not in judged:
            found.append(None)
            continue
        nearest = _nearest(references, k)
        lags = [lag for lag in (_lags(spectra, k, j) for j in nearest) if lag is not None]
        found.append(_peak(np.stack(lags), spectra, within, least_ratio) if lags else None)
    return found


def _nearest(references: Sequence[int], k: int) -> list[int]:
    """The references nearest in time to tap k, itself left out."""
    others = [j for j in references if j != k]
    return sorted(others, key=lambda j: abs(j - k))[:MOST_PARTNERS]


def _spectra(sound: FloatArray, sample_rate: float, onsets: Sequence[float]) -> _Spectra:
    """Spectra of all taps up to the highest bin used, and of the quiet before each."""
    n = round(SPAN * sample_rate)
    size = 1 << ceil(log2(2 * n))
    bins: FloatArray = np.asarray(np.fft.rfftfreq(size, 1.0 / sample_rate), dtype=np.float64)
    used = bins <= min(BAND[1], USABLE * sample_rate)
    window = faded(n)
    taps, noise = [], []
    for k, end in enumerate(decay_ends(onsets, len(sound) / sample_rate)):
        first = round((onsets[k] - LEAD) * sample_rate)
        piece = sound[max(0, first) : min(first + n, round(end * sample_rate))]
        padded = np.zeros(n)
        padded[max(0, -first) : max(0, -first) + len(piece)] = piece
        taps.append(np.fft.rfft(padded * window, size)[used])
        quiet = quiet_before(onsets, k)
        if quiet is None:
            noise.append(np.full(int(np.count_nonzero(used)), np.nan))
        else:
            noise.append(_noise(piece_of(sound, sample_rate, *quiet), size, bins, used) * np.sum(window**2))
    spectra = np.stack(taps)
    floor = ROUNDING * np.max(np.abs(spectra) ** 2, axis=1, keepdims=True) + 1e-300
    return _Spectra(spectra, _filled(np.stack(noise)) + floor, bins[used])


def _filled(noise: FloatArray) -> FloatArray:
    """Noise of all taps, the usual one where a tap has no quiet before it (NaN); none where none has."""
    known = ~np.isnan(noise[:, 0])
    usual = np.median(noise[known], axis=0) if np.any(known) else np.zeros(noise.shape[1])
    return np.where(np.isnan(noise), usual, noise)


def _noise(quiet: FloatArray, size: int, bins: FloatArray, used: NDArray[np.bool_]) -> FloatArray:
    """Smoothed power of the quiet for a window of unit energy, at the used bins."""
    window = scipy.signal.windows.hann(len(quiet), sym=False)
    power = np.abs(np.fft.rfft((quiet - np.mean(quiet)) * window, size)[used]) ** 2 / np.sum(window**2)
    return np.asarray(scipy.ndimage.uniform_filter1d(power, max(3, round(NOISE_SMOOTH / bins[1]))))


def _lags(spectra: _Spectra, k: int, j: int) -> FloatArray | None:
    """What tap k holds of tap j at each lag beyond the direct one; array (size,), negative lags last."""
    power = np.abs(spectra.taps[j]) ** 2
    gain = np.sum(np.abs(spectra.taps[k]) ** 2) / np.sum(power)
    noise = spectra.noise[j] + spectra.noise[k] / gain
    weight = (power / (power + NOISE_WEIGHT * noise)) ** 2 * (spectra.frequencies >= BAND[0])
    if np.sum(weight) * spectra.frequencies[1] < LEAST_BANDWIDTH:
        return None
    size, step = _lag_grid(spectra)
    ratio = spectra.taps[k] * np.conj(spectra.taps[j]) / (power + 1e-3 * spectra.noise[j])
    ratio *= np.exp(2j * np.pi * spectra.frequencies * _shift(np.fft.irfft(weight * ratio, size), step))
    smooth = _smooth(weight * ratio, size, step) / np.maximum(_smooth(weight, size, step).real, 1e-3)
    rest = np.where(weight > 0.0, ratio / (smooth + 1e-30) - 1.0, 0.0)
    rest *= LONGEST_RATIO / np.maximum(np.abs(rest), LONGEST_RATIO)
    return np.asarray(np.fft.irfft(weight * rest, size) * size / (2.0 * np.sum(weight)))


def _lag_grid(spectra: _Spectra) -> tuple[int, float]:
    """Number of lags and the step between them (s)."""
    size = 1 << ceil(log2(2 * len(spectra.frequencies)))
    return size, 1.0 / (size * float(spectra.frequencies[1]))


def _shift(lags: FloatArray, step: float) -> float:
    """How much later tap k was cut than tap j, s: the lag of the largest peak near zero."""
    most = int(SHIFT / step)
    near = np.concatenate([lags[-most:], lags[: most + 1]])
    return float((int(np.argmax(np.abs(near))) - most) * step)


def _smooth(values: FloatArray | ComplexArray, size: int, step: float) -> ComplexArray:
    """Keep what varies slowly with frequency: lags well within `SMOOTH_LAG`."""
    lag = np.fft.fftfreq(size, 1.0 / size) * step
    short = np.exp(-0.5 * (lag / SMOOTH_LAG) ** 2)
    return np.asarray(np.fft.fft(np.fft.ifft(values, size) * short)[: len(values)])


def _peak(lags: FloatArray, spectra: _Spectra, within: float, least_ratio: float) -> SecondBlow | None:
    """The second blow that shows against most partners; lags is (n_partners, size)."""
    _, step = _lag_grid(spectra)
    if len(lags) > 2:
        usual = np.median(lags, axis=0)
    else:
        usual = np.take_along_axis(lags, np.argmin(np.abs(lags), axis=0)[None, :], axis=0)[0]
    first, end = int(SOONEST / step), int(within / step)
    after, before = usual[first:end], usual[-end:-first]
    top = int(np.argmax(after))
    chance = max(float(np.max(np.abs(before))), 1e-6)
    ratio = float(after[top])
    a_partner_has_two = -float(np.min(after)) > ratio  # the ratio to a double hit begins with -r
    if ratio < least_ratio or ratio < CHANCE * chance or a_partner_has_two:
        return None
    return SecondBlow((first + top) * step, ratio)
