"""Third-octave levels."""

import numpy as np
import pytest

from resonance.sound.recording import Recording, Take
from resonance.spectra.bands import band_edges, band_levels
from resonance.taps.tap import Tap


def test_edges_of_the_one_kilohertz_band():
    # IEC 61260-1:2014, base ten (computed): 891.251 and 1122.018 Hz
    edges = band_edges()
    band = edges[np.argmin(np.abs(edges.mean(axis=1) - 1000.0))]
    assert band == pytest.approx([891.251, 1122.018], abs=1e-3)


def ringing(gains, *, n_taps=4, rate=16000.0):
    time = np.arange(int(0.5 * rate)) / rate
    ring = sum(g * np.exp(-40 * time) * np.sin(2 * np.pi * f * time) for f, g in gains.items())
    take = Take(Recording(np.tile(ring, n_taps)[:, None], rate), "corner", "near")
    return [take], [Tap(0.5 * k, end=0.5 * (k + 1)) for k in range(n_taps)]


def level_at(levels, frequency):
    return next(level for level in levels if level.low <= frequency < level.high)


def test_ten_decibels_show_as_ten():
    levels = band_levels(*ringing({500.0: 1.0, 2000.0: 10**-0.5}))
    assert level_at(levels, 500.0).db - level_at(levels, 2000.0).db == pytest.approx(10.0, abs=0.3)
    assert level_at(levels, 500.0).microphone_place == "near"


def test_gain_does_not_matter_and_refused_taps_do_not_count():
    takes, taps = ringing({500.0: 1.0, 2000.0: 0.3})
    faint, _ = ringing({500.0: 1e-3, 2000.0: 3e-4})
    refused = [*taps, Tap(0.1, end=0.2, kept=False)]
    plain = [level.db for level in band_levels(takes, taps)]
    assert [level.db for level in band_levels(faint, refused)] == pytest.approx(plain, abs=1e-6)
