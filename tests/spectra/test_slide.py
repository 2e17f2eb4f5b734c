"""Hills under a made-up slide through known resonances; truth is where the known gain has its maxima."""

import numpy as np
import pytest

from resonance.sound.recording import Recording, Take
from resonance.spectra.slide import slide_curve

MODES = ((275.0, 0.025, 1.0), (460.0, 0.0125, 1.2), (550.0, 0.011, 1.0))  # Hz, damping, strength


def gain(frequency):
    """Sum of velocities of the modes over a flat ground."""
    f = np.asarray(frequency, float)
    return np.abs(
        sum(s * 2j * z * f / f0 / (1 - (f / f0) ** 2 + 2j * z * f / f0) for f0, z, s in MODES) + 0.12
    )


def maxima():
    grid = np.linspace(200.0, 700.0, 50001)
    level = gain(grid)
    return grid[1:-1][(level[1:-1] > level[:-2]) & (level[1:-1] > level[2:])]


def slide(seed, *, low=200.0, high=420.0, seconds=10.0, rate=16000.0, bow_db=2.0):
    rng = np.random.default_rng(seed)
    time = np.arange(int(seconds * rate)) / rate
    pitch = low * (high / low) ** (time / seconds)
    turns = np.cumsum(pitch) / rate
    sound = sum(gain(k * pitch) / k * np.cos(2 * np.pi * k * turns + rng.uniform(0, 6)) for k in range(1, 9))
    moments = np.arange(0, seconds + 1, 0.3)
    bow = np.interp(time, moments, bow_db * rng.standard_normal(moments.size))
    sound = sound * 10 ** (bow / 20)
    sound += 1e-3 * np.std(sound) * rng.standard_normal(time.size)
    return Take(Recording(0.1 * sound[:, None], rate))


def test_hills_lie_where_the_body_answers_most():
    scores = []
    for seed in range(4):
        found = slide_curve([slide([seed, 0]), slide([seed, 1])])
        assert found.lowest == pytest.approx(200.0, rel=0.05)
        for truth in maxima():
            hill = min(found.hills, key=lambda each: abs(each.frequency - truth))
            assert abs(hill.frequency - truth) < max(0.02 * truth, 3 * hill.frequency_u)
            assert 0 < hill.frequency_u < 0.04 * truth
            scores.append((hill.frequency - truth) / hill.frequency_u)
    assert np.mean(np.abs(scores) < 2.5) > 0.8


def test_a_held_note_and_silence_give_no_curve():
    held = slide(1, low=220.0, high=230.0)
    assert [r.code for r in slide_curve([held]).reasons] == ["slide_too_narrow"]
    silence = Take(Recording(np.zeros((16000, 1)), 16000.0))
    assert [r.code for r in slide_curve([silence]).reasons] == ["slide_not_followed"]
