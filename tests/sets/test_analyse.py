"""From takes to a tap set."""

import numpy as np
import pytest

from resonance.modes.estimate import METHOD
from resonance.sets.analyse import analyse_set
from resonance.sound.recording import Recording, Take

RATE = 16000.0


def ringing(*, n_taps=5, seed=3, channels=1):
    """Recording of taps on two known modes in faint noise."""
    rng = np.random.default_rng(seed)
    time = np.arange(int(0.9 * RATE)) / RATE
    ring = sum(
        a * np.exp(-z * 2 * np.pi * f * time) * np.sin(2 * np.pi * f * time)
        for f, z, a in ((275.0, 0.025, 0.3), (455.0, 0.011, 0.4), (1900.0, 0.02, 0.2))
    )
    sound = np.concatenate(
        [np.zeros(int(0.4 * RATE)), *[ring * rng.uniform(0.8, 1.1) for _ in range(n_taps)]]
    )
    noisy = sound[:, None] + 1e-3 * rng.standard_normal((sound.size, channels))
    return Recording(noisy, RATE)


def test_a_bare_recording_is_one_take():
    result = analyse_set([ringing()], family="violin", set_id="set1")
    assert (result.id, len(result.takes), sum(tap.kept for tap in result.taps)) == ("set1", 1, 5)
    found = {mode.label: mode.frequency for mode in result.modes if mode.label}
    assert found["B1-"] == pytest.approx(455.0, abs=0.3)
    assert found["A0"] == pytest.approx(275.0, abs=0.8)
    assert result.analysis.method == METHOD
    assert result.analysis.libraries["numpy"] == np.__version__
    assert result.bands


def test_takes_keep_their_places():
    takes = [Take(ringing(seed=1), "bass corner", "near"), Take(ringing(seed=2), "bass corner", "far")]
    result = analyse_set(takes)
    assert {level.microphone_place for mode in result.modes for level in mode.levels} == {"near", "far"}
    assert {tap.take for tap in result.taps} == {0, 1}


def test_one_channel_of_two():
    recording = ringing(channels=2)
    assert analyse_set([recording], channel=1).takes[0].channels == ("unused", "sound")
    with pytest.raises(ValueError, match="no channel 2"):
        analyse_set([recording], channel=2)


def test_no_taps_is_an_answer():
    rng = np.random.default_rng(1)
    quiet = Recording(1e-3 * rng.standard_normal((int(2 * RATE), 1)), RATE)
    result = analyse_set([quiet])
    assert result.modes == ()
    assert "no_taps" in [reason.code for reason in result.reasons]


def test_progress_rises():
    seen = []
    analyse_set([ringing()], progress=lambda fraction, text: seen.append((fraction, text)))
    fractions = [fraction for fraction, _ in seen]
    assert fractions == sorted(fractions)
    assert all(text for _, text in seen)
