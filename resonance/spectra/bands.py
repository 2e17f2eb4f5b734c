"""Levels of third-octave bands of the taps' decays.

Band edges are those of IEC 61260-1:2014, base ten: centre 1000 * 10^(k/10) Hz, edges at 10^(+-1/20) of it.
Levels are sums of FFT bins between the edges, not the output of a filter of a stated class.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan

import numpy as np

from resonance.sound.recording import FloatArray, Take
from resonance.taps.tap import Tap

LOWEST, HIGHEST = 200.0, 5000.0  # Hz, nominal centres of the first and last band
START, LENGTH = 0.003, 0.25  # s after the onset, and s of decay used
SHORTEST = 0.08  # s


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
    """Band levels of the kept taps, per place, each tap relative to its own sum over the bands.

    Bands above half the sample rate are left out; force and unused channels are passed over.
    """
    by_place: dict[tuple[str, str], list[FloatArray]] = {}
    edges = band_edges()
    rates = [take.recording.sample_rate for take in takes]
    edges = edges[edges[:, 1] < 0.5 * min(rates, default=0.0)]
    for tap in taps:
        if tap.kept and edges.size:
            take = takes[tap.take]
            for channel in range(take.recording.n_channels):
                energy = _tap_energies(take, tap, channel, edges) if take.role(channel) == "sound" else None
                if energy is not None:
                    by_place.setdefault((take.tap_place, take.microphone_place), []).append(energy)
    levels = []
    for (tap_place, microphone_place), energies in by_place.items():
        stack = np.stack(energies)
        db = 10.0 * np.log10(stack / np.sum(stack, axis=1, keepdims=True) + 1e-15)
        mean = db.mean(axis=0)
        u = db.std(axis=0, ddof=1) / np.sqrt(len(db)) if len(db) > 1 else np.full(mean.size, nan)
        for (low, high), value, value_u in zip(edges, mean, u, strict=True):
            place = (tap_place, microphone_place)
            levels.append(BandLevel(float(low), float(high), *place, float(value), float(value_u)))
    return tuple(levels)


def _tap_energies(take: Take, tap: Tap, channel: int, edges: FloatArray) -> FloatArray | None:
    """Energy in each band of one tap's decay; None where it is too short or silent."""
    rate = take.recording.sample_rate
    first = int((tap.onset + START) * rate)
    end = min(
        first + int(LENGTH * rate),
        int(tap.end * rate) if tap.end == tap.end else take.recording.samples.shape[0],
    )
    decay = take.recording.samples[first:end, channel]
    if decay.size < SHORTEST * rate or not np.any(decay):
        return None
    # a half Hann falls to zero at the end, so that what rings on does not leak over the bands
    fade = np.cos(0.5 * np.pi * np.arange(decay.size) / decay.size) ** 2
    power = np.abs(np.fft.rfft((decay - decay.mean()) * fade, n=4 * decay.size)) ** 2
    grid = np.fft.rfftfreq(4 * decay.size, 1.0 / rate)
    return np.array([power[(grid >= low) & (grid < high)].sum() for low, high in edges])
