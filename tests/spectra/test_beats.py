"""Vibrato and wolf against made-up notes whose beating is known, with vibrato as the trap.

The notes come from tests/benchmarks/bowed/sounds.py, which shares nothing with the package: odd partials
split in pairs and even ones single, as Firth found (1974, STL-QPSR 15(4)); vibrato through random resonances,
so that the strength swings too. Few notes here.
"""

import sys
from pathlib import Path

import numpy as np
import pytest

from resonance.spectra.beats import find_vibrato, find_wolf, hann_response, severity_of, slow_wave
from resonance.spectra.partials import follow

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks" / "bowed"))
from sounds import steady_note

RATE = 24000.0


def track_of(seed, **how):
    rng = np.random.default_rng([41, seed])
    pitch = 65.0 * 2 ** rng.uniform(0, 3)
    return follow(steady_note(pitch, rng=rng, **how), RATE, pitch)


@pytest.mark.parametrize("pattern", ["odd", "all", "first"])
def test_beats_of_a_fifth_and_more_are_found(pattern):
    for seed in range(12):
        rng = np.random.default_rng([42, seed])
        rate, depth = rng.uniform(3, 12), rng.uniform(0.2, 0.9)
        wolf = find_wolf(track_of(seed, beat_rate=rate, depth=depth, pattern=pattern))
        assert wolf is not None, (rate, depth)
        assert wolf.rate == pytest.approx(rate, abs=0.15)
        if depth < 0.7:
            assert wolf.depth == pytest.approx(depth, abs=0.12)  # strokes waver by 7 % themselves
        assert wolf.split or pattern == "all" or depth > 0.8
        assert not (wolf.split and pattern == "all")


@pytest.mark.parametrize("irregular", [0.0, 0.1])
def test_a_vibrato_is_no_wolf(irregular):
    for seed in range(15):
        rng = np.random.default_rng([43, seed])
        rate, width = rng.uniform(4, 7), rng.uniform(15, 70)
        track = track_of(seed, vibrato_rate=rate, width_cents=width, irregular=irregular)
        assert find_wolf(track) is None
        vibrato = find_vibrato(track)
        assert vibrato is not None
        assert vibrato.rate == pytest.approx(rate, abs=0.6 if irregular else 0.1)
        assert vibrato.width_cents == pytest.approx(width, rel=0.25 if irregular else 0.08)


def test_a_plain_note_has_neither():
    for seed in range(15):
        track = track_of(seed)
        assert find_wolf(track) is None
        assert find_vibrato(track) is None


def test_a_wolf_beside_a_vibrato_of_another_rate_is_found():
    for seed in range(6):
        how = {"vibrato_rate": 6.0, "width_cents": 25.0, "beat_rate": 3.6, "depth": 0.7}
        wolf = find_wolf(track_of(seed, **how, body=False))
        assert wolf is not None
        assert wolf.rate == pytest.approx(3.6, abs=0.2)


def test_a_slow_wave_is_measured():
    time = np.arange(200) * 0.02
    values = 3 + 0.5 * time + 0.7 * np.sin(2 * np.pi * 5.3 * time)
    wave = slow_wave(values + 0.1 * np.random.default_rng(1).standard_normal(200), 0.02, (3.0, 9.0))
    assert wave.rate == pytest.approx(5.3, abs=0.03)
    assert wave.amplitude == pytest.approx(0.7, abs=3 * wave.amplitude_u)
    assert wave.amplitude_u == pytest.approx(0.1 * np.sqrt(2 / 200), rel=0.2)
    assert slow_wave(values[:8], 0.02, (3.0, 9.0)) is None
    assert slow_wave(values[:50], 0.02, (2.5, 2.9)) is None


def test_severity_and_smoothing():
    assert [severity_of(depth) for depth in (0.1, 0.2, 0.4, 0.9)] == [0, 1, 2, 3]
    # sinc(x) / (1 - x^2), 1/2 at x = 1 (closed form of a Hann window's spectrum)
    assert hann_response(10.0, 0.1) == 0.5
    assert hann_response(10.0, 0.05) == pytest.approx(np.sinc(0.5) / 0.75)
