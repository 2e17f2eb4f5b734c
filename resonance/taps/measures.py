"""What can be read off each tap: where its decay ends, its level over the quiet, how high its blow reaches.

Conventions. Times in s from the start of the recording, levels in dB. A profile is the energy density of a
tap's first 0.12 s in third-octave bands (base ten) from 100 Hz to 8 kHz, with that of the quiet before it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isfinite, nan

import numpy as np
import scipy

from resonance.sound.recording import FloatArray
from resonance.taps.tap import Tap

QUIET_LONGEST, QUIET_SHORTEST = 0.25, 0.04  # s of quiet before a tap that is used, and that is needed
QUIET_GAP = 0.005  # s between the quiet and the onset
QUIET_AFTER = 0.15  # s after the tap before, at the earliest
SNR_BAND = (200.0, 1000.0)  # Hz
SNR_SPAN = 0.25  # s of decay
MOST_SNR_DB = 120.0  # more than any recorder gives: digital silence before the tap
END_GAP = 0.003  # s before the next onset at which a decay ends
BLOW = 0.05  # s after the onset in which the peak is sought
PROFILE_SPAN = 0.12  # s
PROFILE_BAND = (100.0, 8000.0)  # Hz
USABLE = 0.45  # of the sample rate
HEARD_DB = 6.0  # a band less than this above the noise is not excited
FALLEN_DB = 12.0  # a band this far below the other taps' shape is not excited either
SHAPE_BAND = (150.0, 400.0)  # Hz, where even a soft finger excites: shapes are compared from its level


@dataclass(frozen=True, eq=False)
class Profiles:
    """Third-octave profiles of the taps of one recording.

    Parameters
    ----------
    edges : array (n_bands + 1,), Hz
    energy_db : array (n_taps, n_bands), dB   energy density of the tap, only comparable within the recording
    noise_db : array (n_taps, n_bands), dB   what the quiet before would have given; NaN where there is none
    """

    edges: FloatArray
    energy_db: FloatArray
    noise_db: FloatArray

    @property
    def snr_db(self) -> FloatArray:
        """Energy over noise, dB; +inf where no quiet is there to compare with."""
        return np.where(np.isnan(self.noise_db), inf, self.energy_db - self.noise_db)


def measure_taps(sound: FloatArray, sample_rate: float, onsets: Sequence[float]) -> list[Tap]:
    """A tap for each onset, with end, peak, signal-to-noise ratio and reach; not yet vetted.

    Parameters
    ----------
    sound : array (n_samples,), full scale 1
    sample_rate : float, Hz
    onsets : sequence of float, s, rising
    """
    ends = decay_ends(onsets, len(sound) / sample_rate)
    quiets = [quiet_before(onsets, k) for k in range(len(onsets))]
    snr_db = decay_snr(sound, sample_rate, onsets, ends, quiets)
    reaches = reach(profiles(sound, sample_rate, onsets, ends, quiets))
    return [
        Tap(onset, end=end, peak_dbfs=peak_level(sound, sample_rate, onset, end), snr_db=ratio, reach=highest)
        for onset, end, ratio, highest in zip(onsets, ends, snr_db, reaches, strict=True)
    ]


def decay_ends(onsets: Sequence[float], duration: float) -> list[float]:
    """Where each decay ends: just before the next onset, or with the recording (s)."""
    return [*(max(time - END_GAP, 0.0) for time in onsets[1:]), duration][: len(onsets)]


def quiet_before(onsets: Sequence[float], k: int) -> tuple[float, float] | None:
    """Quiet before a tap, (start, end) in s; None where the tap before or the file's start is too near."""
    end = onsets[k] - QUIET_GAP
    start = max(end - QUIET_LONGEST, onsets[k - 1] + QUIET_AFTER if k else 0.0)
    return (start, end) if end - start >= QUIET_SHORTEST else None


def peak_level(sound: FloatArray, sample_rate: float, onset: float, end: float) -> float:
    """Largest sample of the blow, dB re full scale; NaN where there is no sample."""
    piece = _piece(sound, sample_rate, onset, min(end, onset + BLOW))
    peak = float(np.max(np.abs(piece), initial=0.0))
    return 20.0 * float(np.log10(peak)) if peak > 0.0 else nan


def decay_snr(
    sound: FloatArray,
    sample_rate: float,
    onsets: Sequence[float],
    ends: Sequence[float],
    quiets: Sequence[tuple[float, float] | None],
) -> list[float]:
    """Mean square of each tap's first 0.25 s over that of the quiet before, 200-1000 Hz, dB.

    Where the sample rate is low the band ends at 0.45 of it. NaN where there is no quiet; at most 120 dB.
    """
    high = min(SNR_BAND[1], USABLE * sample_rate)
    band = (min(SNR_BAND[0], high / 3.0), high)
    sections = scipy.signal.butter(4, band, "bandpass", fs=sample_rate, output="sos")
    heard = np.square(scipy.signal.sosfilt(sections, sound - np.mean(sound))) if len(onsets) else sound
    ratios = []
    for onset, end, quiet in zip(onsets, ends, quiets, strict=True):
        decay = _piece(heard, sample_rate, onset, min(end, onset + SNR_SPAN))
        if quiet is None or not len(decay):
            ratios.append(nan)
            continue
        noise = max(float(np.mean(_piece(heard, sample_rate, *quiet))), 1e-300)
        ratio = float(np.mean(decay)) / noise
        ratios.append(min(10.0 * float(np.log10(ratio)), MOST_SNR_DB) if ratio > 0.0 else nan)
    return ratios


def _piece(sound: FloatArray, sample_rate: float, start: float, end: float) -> FloatArray:
    """Samples between two times."""
    return sound[max(0, round(start * sample_rate)) : max(0, round(end * sample_rate))]


def profiles(
    sound: FloatArray,
    sample_rate: float,
    onsets: Sequence[float],
    ends: Sequence[float],
    quiets: Sequence[tuple[float, float] | None],
) -> Profiles:
    """Third-octave profiles of all taps (see `Profiles`); bands stop at 0.45 of the sample rate."""
    edges = _third_octaves(min(PROFILE_BAND[1], USABLE * sample_rate))
    energy_db = np.full((len(onsets), len(edges) - 1), nan)
    noise_db = np.full_like(energy_db, nan)
    size = 1 << int(np.ceil(np.log2(2.0 * QUIET_LONGEST * sample_rate)))
    for k, (onset, end, quiet) in enumerate(zip(onsets, ends, quiets, strict=True)):
        decay = _faded(_piece(sound, sample_rate, onset - 0.001, min(end, onset + PROFILE_SPAN)))
        energy_db[k] = _densities_db(decay, sample_rate, edges, size)
        if quiet is not None:
            noise = _piece(sound, sample_rate, *quiet)
            window = scipy.signal.windows.hann(len(noise), sym=False)
            share = np.sum(_faded(np.ones(len(decay))) ** 2) / np.sum(window**2)
            noise_db[k] = _densities_db((noise - np.mean(noise)) * window, sample_rate, edges, size)
            noise_db[k] += 10.0 * np.log10(share)
    return Profiles(edges, energy_db, noise_db)


def _third_octaves(highest: float) -> FloatArray:
    """Edges of the base-ten third octaves from 100 Hz up to `highest`, Hz."""
    lowest, last = round(10 * np.log10(PROFILE_BAND[0])), int(np.floor(10 * np.log10(highest) - 0.5 + 1e-9))
    return 10.0 ** ((np.arange(lowest, max(last, lowest) + 2) - 0.5) / 10.0)


def _faded(piece: FloatArray) -> FloatArray:
    """A piece whose last quarter fades out."""
    quarter = len(piece) // 4
    fade = np.ones(len(piece))
    if quarter:
        fade[-quarter:] = 0.5 * (1.0 + np.cos(np.pi * (np.arange(quarter) + 0.5) / quarter))
    return piece * fade


def _densities_db(piece: FloatArray, sample_rate: float, edges: FloatArray, size: int) -> FloatArray:
    """Mean spectral energy density in each band, dB; array (n_bands,)."""
    energy = np.square(np.abs(np.fft.rfft(piece, size)))
    frequency = np.fft.rfftfreq(size, 1.0 / sample_rate)
    bounds = np.searchsorted(frequency, edges)
    total = np.concatenate([[0.0], np.cumsum(energy)])[bounds]
    mean = np.diff(total) / np.maximum(np.diff(bounds), 1)
    return np.asarray(10.0 * np.log10(np.maximum(mean, 1e-300)))


def reach(measured: Profiles) -> list[float]:
    """Where each blow stops exciting, Hz; NaN where it still excites at the top of the profile.

    The lower edge of the first band, from the best heard one up, that sinks into the noise together with
    the band above it; or, with three taps or more, of the first one that lies 12 dB below the other taps'
    shape. A half-sine blow of 2 ms is 12 dB down at 550 Hz; where all blows are equally soft and the room
    is quiet, its null at 750 Hz is not told from the instrument's own valleys.
    """
    return [
        min(_sunk(measured, k), _fallen(measured, k)) if _excited(measured, k) else nan
        for k in range(len(measured.energy_db))
    ]


def _excited(measured: Profiles, k: int) -> bool:
    return isfinite(min(_sunk(measured, k), _fallen(measured, k)))


def _sunk(measured: Profiles, k: int) -> float:
    """Lower edge of the first pair of bands in the noise above the best heard band, Hz; inf if none."""
    snr_db = measured.snr_db[k]
    low = snr_db < HEARD_DB
    pairs = low & np.append(low[1:], True)
    above = np.arange(len(low)) > int(np.argmax(snr_db))
    found = np.flatnonzero(pairs & above)
    return float(measured.edges[found[0]]) if len(found) else inf


def _fallen(measured: Profiles, k: int) -> float:
    """Lower edge of the first band far below the other taps' shape, Hz; inf if none or too few taps."""
    n_taps = len(measured.energy_db)
    if n_taps < 3:
        return inf
    centres = np.sqrt(measured.edges[1:] * measured.edges[:-1])
    inside = (centres >= SHAPE_BAND[0]) & (centres <= SHAPE_BAND[1])
    power = 10.0 ** (measured.energy_db / 10.0)
    shape_db = measured.energy_db - 10.0 * np.log10(power[:, inside].mean(axis=1, keepdims=True))
    others = [i for i in range(n_taps) if i != k]
    usual_db = np.median(shape_db[others], axis=0)
    clear = np.median(measured.snr_db[others], axis=0) > HEARD_DB
    found = np.flatnonzero((shape_db[k] < usual_db - FALLEN_DB) & clear & (centres > SHAPE_BAND[0]))
    return float(measured.edges[found[0]]) if len(found) else inf
