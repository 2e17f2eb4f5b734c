"""Levels of third-octave bands of the taps' decays.

Band edges are those of IEC 61260-1:2014, base ten: centre 1000 * 10^(k/10) Hz, edges at 10^(+-1/20) of it.
Levels are sums of FFT bins between the edges, not the output of a filter of a stated class.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, nan

import numpy as np

from resonance.sound.recording import FloatArray, Take
from resonance.taps.measures import Quiet, piece_of, quiet_before
from resonance.taps.tap import Tap

LOWEST, HIGHEST = 200.0, 5000.0  # Hz, nominal centres of the first and last band
START, LENGTH = 0.003, 0.25  # s after the onset, and s of decay used
SHORTEST = 0.08  # s
HEARD = 4.0  # in energy: a band less than this above the quiet holds noise


@dataclass(frozen=True)
class BandLevel:
    """Level of one band at one tap place and microphone place.

    Parameters
    ----------
    low, high : float, Hz   band edges
    tap_place, microphone_place : str
    db : float, dB   energy of the taps' decay in the band relative to the sum over the set's bands
    db_u : float, dB   standard uncertainty from tap to tap
    """

    low: float
    high: float = nan
    tap_place: str = ""
    microphone_place: str = ""
    db: float = nan
    db_u: float = nan


def band_edges(lowest: float = LOWEST, highest: float = HIGHEST) -> FloatArray:
    """Edges (n_bands, 2) in Hz of the third-octave bands from one nominal centre to another."""
    first, last = round(10.0 * np.log10(lowest / 1000.0)), round(10.0 * np.log10(highest / 1000.0))
    centres = 1000.0 * 10.0 ** (np.arange(first, last + 1) / 10.0)
    return np.stack([centres * 10.0**-0.05, centres * 10.0**0.05], axis=1)


def band_levels(takes: Sequence[Take], taps: Sequence[Tap]) -> tuple[BandLevel, ...]:
    """Band levels of the kept taps, per place, each tap relative to its own sum over the bands heard.

    Bands above half the sample rate are left out; force and unused channels are passed over. A band that
    does not stand 6 dB above the quiet before the taps has the level NaN: what it holds is the room's noise.
    """
    rates = [take.recording.sample_rate for take in takes]
    edges = band_edges()
    edges = edges[edges[:, 1] < 0.5 * min(rates, default=0.0)]
    by_place: dict[tuple[str, str], list[tuple[FloatArray, FloatArray]]] = {}
    for tap in taps:
        if tap.kept and edges.size:
            take = takes[tap.take]
            quiet = _quiet(tap, taps)
            for channel in range(take.recording.n_channels):
                energy = _tap_energies(take, tap, channel, edges) if take.role(channel) == "sound" else None
                if energy is not None:
                    noise = _noise_energies(take, quiet, channel, edges)
                    by_place.setdefault((take.tap_place, take.microphone_place), []).append((energy, noise))
    levels = []
    for place, found in by_place.items():
        db, db_u = _mean_levels(
            np.stack([energy for energy, _ in found]), np.stack([noise for _, noise in found])
        )
        for (low, high), value, value_u in zip(edges, db, db_u, strict=True):
            levels.append(BandLevel(float(low), float(high), *place, float(value), float(value_u)))
    return tuple(levels)


def _mean_levels(energies: FloatArray, noises: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean level and its standard uncertainty from tap to tap, dB; arrays (n_taps, n_bands) in.

    NaN where the band is lost in the noise; the noise is NaN where no quiet was there to tell it.
    """
    known = np.isfinite(noises[:, 0])
    lost = np.sum(energies[known], axis=0) < HEARD * np.sum(noises[known], axis=0)
    heard = np.sum(energies, axis=1, where=~lost, keepdims=True)
    db = 10.0 * np.log10(energies / np.maximum(heard, 1e-300) + 1e-15)
    u = db.std(axis=0, ddof=1) / np.sqrt(len(db)) if len(db) > 1 else np.full(lost.size, nan)
    return np.where(lost, nan, db.mean(axis=0)), np.where(lost, nan, u)


def _quiet(tap: Tap, taps: Sequence[Tap]) -> Quiet:
    """Quiet before a tap, between the taps of its take, refused ones included."""
    onsets = sorted(other.onset for other in taps if other.take == tap.take)
    return quiet_before(onsets, onsets.index(tap.onset))


def _tap_energies(take: Take, tap: Tap, channel: int, edges: FloatArray) -> FloatArray | None:
    """Energy in each band of one tap's decay; None where it is too short or silent."""
    rate = take.recording.sample_rate
    first = int((tap.onset + START) * rate)
    last = int(tap.end * rate) if isfinite(tap.end) else take.recording.samples.shape[0]
    decay = take.recording.samples[first : min(first + int(LENGTH * rate), last), channel]
    if decay.size < SHORTEST * rate or not np.any(decay):
        return None
    return _energies(decay - decay.mean(), _half_hann(decay.size), rate, edges)


def _noise_energies(take: Take, quiet: Quiet, channel: int, edges: FloatArray) -> FloatArray:
    """Energy in each band that the noise adds to a decay of full length; NaN where there is no quiet."""
    rate = take.recording.sample_rate
    if quiet is None:
        return np.full(len(edges), nan)
    noise = piece_of(take.recording.samples[:, channel], rate, *quiet)
    window = np.sin(np.pi * (np.arange(noise.size) + 0.5) / noise.size) ** 2
    window *= np.sqrt(np.sum(_half_hann(int(LENGTH * rate)) ** 2) / np.sum(window**2))
    return _energies(noise - noise.mean(), window, rate, edges)


def _half_hann(n: int) -> FloatArray:
    """Window that falls to zero at the end, so that what rings on does not leak over the bands."""
    return np.asarray(np.cos(0.5 * np.pi * np.arange(n) / n) ** 2)


def _energies(sound: FloatArray, window: FloatArray, rate: float, edges: FloatArray) -> FloatArray:
    """Sum of |X|^2 between the edges of each band; array (n_bands,). One grid, whatever the length."""
    size = 4 * int(LENGTH * rate)
    power = np.abs(np.fft.rfft(sound * window, n=size)) ** 2
    grid = np.fft.rfftfreq(size, 1.0 / rate)
    return np.array([power[(grid >= low) & (grid < high)].sum() for low, high in edges])
