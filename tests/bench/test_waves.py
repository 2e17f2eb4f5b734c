"""Taps to see and to hear. Truth: the sound they were cut from."""

import io
import re

import numpy as np
import pytest
import soundfile

from resonance.bench.waves import COLUMNS, HEIGHT, LEAD, tap_path, tap_wav
from resonance.taps.tap import Tap

RATE = 8000.0


def click(at, seconds=3.0):
    sound = np.zeros(round(seconds * RATE))
    sound[round(at * RATE)] = 0.02
    return sound


def test_a_tap_is_played_from_before_its_onset_as_loud_as_any():
    heard, rate = soundfile.read(io.BytesIO(tap_wav(click(1.0), RATE, Tap(1.0))))
    assert rate == RATE
    assert np.argmax(np.abs(heard)) / RATE == pytest.approx(LEAD, abs=1e-3)
    assert np.max(np.abs(heard)) == pytest.approx(0.5, abs=1e-3)


@pytest.mark.parametrize("at", [0.0, 2.9])
def test_a_tap_at_the_edge_is_filled_with_silence(at):
    heard, _ = soundfile.read(io.BytesIO(tap_wav(click(at), RATE, Tap(at))))
    assert len(heard) == 2 * RATE


def test_the_outline_stands_where_the_blow_is():
    numbers = np.array(re.findall(r"(\d+),([\d.]+)", tap_path(click(1.0), RATE, Tap(1.0))), float)
    assert numbers[:, 1].min() == pytest.approx(1.0)
    assert numbers[:, 1].max() <= HEIGHT
    assert numbers[np.argmin(numbers[:, 1]), 0] / COLUMNS == pytest.approx(0.05 / 0.8, abs=0.01)
