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


def test_centres_are_those_of_the_standard():
    # IEC 61260-1:2014, base ten, G = 10^0.3 (computed): nominal 200 Hz to 5 kHz, no gaps between bands
    edges = band_edges()
    exact = [
        199.526, 251.189, 316.228, 398.107, 501.187, 630.957, 794.328, 1000.0, 1258.925, 1584.893, 1995.262,
        2511.886, 3162.278, 3981.072, 5011.872,
    ]  # fmt: skip
    assert np.sqrt(edges[:, 0] * edges[:, 1]) == pytest.approx(exact, abs=1e-3)
    assert edges[1:, 0] == pytest.approx(edges[:-1, 1], rel=1e-12)


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


def test_energy_adds_up_to_the_whole():
    """All bands together hold the sum they are relative to."""
    levels = band_levels(*ringing({500.0: 1.0, 2000.0: 0.3}))
    assert sum(10 ** (level.db / 10) for level in levels) == pytest.approx(1.0, abs=1e-6)


def test_uncertainty_is_the_scatter_between_taps():
    """Levels of one band scattered by 2 dB: the mean of nine taps is good to about 2/3 dB."""
    rng = np.random.default_rng(8)
    rate, time = 16000.0, np.arange(8000) / 16000.0
    found = []
    for _ in range(40):
        rings = [
            np.exp(-40 * time) * (np.sin(2 * np.pi * 500 * time) + g * np.sin(2 * np.pi * 2000 * time))
            for g in 0.03 * 10 ** (rng.normal(0, 2, 9) / 20)
        ]
        takes = [Take(Recording(np.concatenate(rings)[:, None], rate))]
        levels = band_levels(takes, [Tap(0.5 * k, end=0.5 * (k + 1)) for k in range(9)])
        found.append(level_at(levels, 2000.0).db_u)
    assert np.sqrt(np.mean(np.square(found))) == pytest.approx(2 / 3, rel=0.1)


def test_a_band_lost_in_the_noise_has_no_level():
    """Noise 20 dB under the 500 Hz ring and 10 dB above a faint 4 kHz one."""
    rng = np.random.default_rng(9)
    rate, time = 16000.0, np.arange(8000) / 16000.0
    ring = np.exp(-40 * time) * (np.sin(2 * np.pi * 500 * time) + 1e-3 * np.sin(2 * np.pi * 4000 * time))
    sound = np.concatenate([np.zeros(4800), ring, np.zeros(4800), ring])
    taps = [Tap(0.3, end=0.8), Tap(1.1, end=1.6)]
    still = band_levels([Take(Recording(sound[:, None], rate))], taps)
    noisy = sound + 0.01 * rng.standard_normal(sound.size)
    levels = band_levels([Take(Recording(noisy[:, None], rate))], taps)
    assert level_at(still, 4000.0).db < -40.0
    assert level_at(levels, 500.0).db == pytest.approx(level_at(still, 500.0).db, abs=0.1)
    assert np.isnan(level_at(levels, 4000.0).db)
    assert np.isnan(level_at(levels, 4000.0).db_u)


def test_force_and_unused_channels_and_one_tap():
    takes, taps = ringing({500.0: 1.0, 2000.0: 0.3})
    samples = np.repeat(takes[0].recording.samples, 3, axis=1)
    samples[:, 1:] = np.random.default_rng(3).standard_normal((samples.shape[0], 2))
    marked = Take(Recording(samples, 16000.0), "corner", "near", ("sound", "force", "unused"))
    plain = [level.db for level in band_levels(takes, taps)]
    assert [level.db for level in band_levels([marked], taps)] == pytest.approx(plain, abs=1e-9)
    assert all(np.isnan(level.db_u) for level in band_levels(takes, taps[:1]))
    assert band_levels(takes, []) == ()
