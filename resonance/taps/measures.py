"""What can be read off each tap: where its decay ends, its level over the quiet, how high its blow reaches.

Conventions. Times in s from the start of the recording, levels in dB. A profile is the energy density of a
tap's first 0.12 s in bands of equal ratio from 100 Hz to 8 kHz, beside what the quiet before it would give.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isfinite, nan

import numpy as np
import scipy

from resonance.sound.recording import FloatArray
from resonance.taps.tap import Tap

Quiet = tuple[float, float] | None

QUIET_LONGEST, QUIET_SHORTEST = 0.25, 0.04  # s of quiet before a tap that is used, and that is needed
QUIET_GAP = 0.005  # s between the quiet and the onset
QUIET_AFTER = 0.15  # s after the tap before, at the earliest
SNR_BAND = (200.0, 1000.0)  # Hz
SNR_SPAN = 0.25  # s of decay
MOST_SNR_DB = 120.0  # more than any recorder gives: digital silence before the tap
END_GAP = 0.003  # s before the next onset at which a decay ends
BLOW = 0.05  # s after the onset in which the peak is sought
PROFILE_LEAD, PROFILE_SPAN = 0.001, 0.12  # s before and after the onset
PROFILE_BAND = (100.0, 8000.0)  # Hz
USABLE = 0.45  # of the sample rate
HEARD_DB = 6.0  # a band less than this above the noise is not excited
DEPTH_DB = 26.0  # nor is one this far below the tap's strongest band
FALLEN_DB = 12.0  # nor one this far below the other taps' shape
SHAPE_BAND = (150.0, 400.0)  # Hz, where even a soft finger excites: shapes are compared from its level
THIRD_OCTAVES = 10  # bands to the decade


@dataclass(frozen=True, eq=False)
class Profiles:
    """Energy of the taps of one recording in bands.

    Parameters
    ----------
    edges : array (n_bands + 1,), Hz
    energy_db : array (n_taps, n_bands), dB   energy density of the tap, comparable within the recording only
    noise_db : array (n_taps, n_bands), dB   what the quiet before would have given; -inf where there is none
    """

    edges: FloatArray
    energy_db: FloatArray
    noise_db: FloatArray

    @property
    def snr_db(self) -> FloatArray:
        """Energy over noise, dB; inf where there is no quiet to compare with."""
        return self.energy_db - self.noise_db

    @property
    def centres(self) -> FloatArray:
        """Middle of each band, Hz (geometric)."""
        return np.sqrt(self.edges[1:] * self.edges[:-1])


def measure_taps(sound: FloatArray, sample_rate: float, onsets: Sequence[float]) -> list[Tap]:
    """A tap for each onset, with end, peak, signal-to-noise ratio and reach; not yet vetted.

    Parameters
    ----------
    sound : array (n_samples,), full scale 1
    sample_rate : float, Hz
    onsets : sequence of float, s, rising
    """
    if not onsets:
        return []
    ends = decay_ends(onsets, len(sound) / sample_rate)
    peaks = [peak_level(sound, sample_rate, a, b) for a, b in zip(onsets, ends, strict=True)]
    ratios = decay_snr(sound, sample_rate, onsets)
    reaches = reach(profiles(sound, sample_rate, onsets))
    return [
        Tap(onset, end=end, peak_dbfs=peak, snr_db=ratio, reach=highest)
        for onset, end, peak, ratio, highest in zip(onsets, ends, peaks, ratios, reaches, strict=True)
    ]


def decay_ends(onsets: Sequence[float], duration: float) -> list[float]:
    """Where each decay ends: just before the next onset, or with the recording (s)."""
    return [*(max(time - END_GAP, 0.0) for time in onsets[1:]), duration][: len(onsets)]


def quiet_before(onsets: Sequence[float], k: int) -> Quiet:
    """Quiet before a tap, (start, end) in s; None where the tap before or the file's start is too near."""
    end = onsets[k] - QUIET_GAP
    start = max(end - QUIET_LONGEST, onsets[k - 1] + QUIET_AFTER if k else 0.0)
    return (start, end) if end - start >= QUIET_SHORTEST else None


def piece_of(sound: FloatArray, sample_rate: float, start: float, end: float) -> FloatArray:
    """Samples between two times."""
    return sound[max(0, round(start * sample_rate)) : max(0, round(end * sample_rate))]


def peak_level(sound: FloatArray, sample_rate: float, onset: float, end: float) -> float:
    """Largest sample of a blow, dB re full scale; NaN where there is none."""
    piece = piece_of(sound, sample_rate, onset, min(end, onset + BLOW))
    peak = float(np.max(np.abs(piece), initial=0.0))
    return 20.0 * float(np.log10(peak)) if peak > 0.0 else nan


def decay_snr(sound: FloatArray, sample_rate: float, onsets: Sequence[float]) -> list[float]:
    """Mean square of each tap's first 0.25 s over that of the quiet before, 200-1000 Hz, dB.

    Where the sample rate is low the band ends at 0.45 of it. NaN where there is no quiet; at most 120 dB.
    """
    high = min(SNR_BAND[1], USABLE * sample_rate)
    band = (min(SNR_BAND[0], high / 3.0), high)
    sections = scipy.signal.butter(4, band, "bandpass", fs=sample_rate, output="sos")
    heard = np.square(scipy.signal.sosfilt(sections, sound - np.mean(sound)))
    ratios = []
    for k, end in enumerate(decay_ends(onsets, len(sound) / sample_rate)):
        quiet = quiet_before(onsets, k)
        decay = piece_of(heard, sample_rate, onsets[k], min(end, onsets[k] + SNR_SPAN))
        signal = float(np.mean(decay)) if len(decay) else 0.0
        if quiet is None or signal <= 0.0:
            ratios.append(nan)
            continue
        noise = max(float(np.mean(piece_of(heard, sample_rate, *quiet))), signal * 10 ** (-MOST_SNR_DB / 10))
        ratios.append(10.0 * float(np.log10(signal / noise)))
    return ratios


def profiles(
    sound: FloatArray, sample_rate: float, onsets: Sequence[float], *, per_decade: int = THIRD_OCTAVES
) -> Profiles:
    """Band energies of all taps (see `Profiles`); bands stop at 0.45 of the sample rate.

    The piece fades out over its last quarter; the quiet is Hann windowed, so that rumble stays below.
    """
    edges = _equal_ratios(min(PROFILE_BAND[1], USABLE * sample_rate), per_decade)
    energy_db = np.full((len(onsets), len(edges) - 1), -inf)
    noise_db = np.full_like(energy_db, -inf)
    size = 1 << int(np.ceil(np.log2(2.0 * QUIET_LONGEST * sample_rate)))
    for k, end in enumerate(decay_ends(onsets, len(sound) / sample_rate)):
        stop = min(end, onsets[k] + PROFILE_SPAN)
        decay = piece_of(sound, sample_rate, onsets[k] - PROFILE_LEAD, stop)
        fade = faded(len(decay))
        energy_db[k] = _densities_db(decay * fade, sample_rate, edges, size)
        quiet = quiet_before(onsets, k)
        if quiet is not None:
            noise = piece_of(sound, sample_rate, *quiet)
            window = scipy.signal.windows.hann(len(noise), sym=False)
            same = np.sqrt(np.sum(fade**2) / np.sum(window**2))  # as much noise as the decay's piece holds
            noise_db[k] = _densities_db((noise - np.mean(noise)) * window * same, sample_rate, edges, size)
    return Profiles(edges, energy_db, noise_db)


def _equal_ratios(highest: float, per_decade: int) -> FloatArray:
    """Edges of bands of equal ratio, Hz, the first one about 100 Hz; at least one band."""
    first = round(per_decade * np.log10(PROFILE_BAND[0]))
    last = int(np.floor(per_decade * np.log10(highest) - 0.5 + 1e-9))
    return np.asarray(10.0 ** ((np.arange(first, max(last, first) + 2) - 0.5) / per_decade))


def faded(n: int) -> FloatArray:
    """Window of ones whose last quarter fades out; array (n,)."""
    quarter = n // 4
    window = np.ones(n)
    if quarter:
        window[-quarter:] = 0.5 * (1.0 + np.cos(np.pi * (np.arange(quarter) + 0.5) / quarter))
    return window


def _densities_db(piece: FloatArray, sample_rate: float, edges: FloatArray, size: int) -> FloatArray:
    """Mean spectral energy density in each band, dB; array (n_bands,)."""
    energy = np.square(np.abs(np.fft.rfft(piece, size)))
    bounds = np.searchsorted(np.fft.rfftfreq(size, 1.0 / sample_rate), edges)
    total = np.concatenate([[0.0], np.cumsum(energy)])[bounds]
    return np.asarray(10.0 * np.log10(np.maximum(np.diff(total) / np.diff(bounds), 1e-300)))


def reach(measured: Profiles) -> list[float]:
    """Where each blow stops exciting, Hz; NaN where it still excites at the top of the profile.

    The upper edge of the highest band that stands 6 dB above the noise and is within 26 dB of the tap's
    strongest band; with three taps or more, at most the lower edge of the first band that lies 12 dB below
    the other taps' shape. Limits tried on half-sine blows on a made-up violin: 0.8 ms gives 1100-1800 Hz
    (12 dB down at 1400, null at 1900), 2 ms 560-890 Hz (12 dB down at 550, null at 750), 4 ms among sharper
    ones 350 Hz (null at 375).
    """
    found = [
        min(_heard_up_to(measured, k), _fallen_from(measured, k)) for k in range(len(measured.energy_db))
    ]
    return [frequency if isfinite(frequency) else nan for frequency in found]


def _heard_up_to(measured: Profiles, k: int) -> float:
    """Upper edge of the highest band that tap k excites, Hz; inf for the topmost band."""
    energy_db = measured.energy_db[k]
    heard = (measured.snr_db[k] >= HEARD_DB) & (energy_db >= np.max(energy_db) - DEPTH_DB)
    if not np.any(heard):
        return nan
    top = int(np.flatnonzero(heard)[-1]) + 1
    return float(measured.edges[top]) if top < len(energy_db) else inf


def _fallen_from(measured: Profiles, k: int) -> float:
    """Lower edge of the first band of tap k far below the other taps' shape, Hz; inf if none."""
    n_taps = len(measured.energy_db)
    inside = (measured.centres >= SHAPE_BAND[0]) & (measured.centres <= SHAPE_BAND[1])
    if n_taps < 3 or not np.any(inside):
        return inf
    power = 10.0 ** (measured.energy_db / 10.0)
    shape_db = measured.energy_db - 10.0 * np.log10(power[:, inside].mean(axis=1, keepdims=True))
    others = np.arange(n_taps) != k
    clear = np.median(measured.snr_db[others], axis=0) >= HEARD_DB
    low = shape_db[k] < np.median(shape_db[others], axis=0) - FALLEN_DB
    found = np.flatnonzero(low & clear & (measured.centres > SHAPE_BAND[0]))
    return float(measured.edges[found[0]]) if len(found) else inf
