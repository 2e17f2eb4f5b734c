"""Sound for the eye. Truth: a sine of known amplitude and pitch."""

import numpy as np
import pytest

from resonance.bench.sight import FLOOR_DBFS, LENGTH, POINTS, STEPS_A_DB, Sight, in_steps
from resonance.spectra.spectrum import pitch_points

RATE = 48_000.0
BAND = (60.0, 1200.0)


def sine(hertz, amplitude, n=LENGTH):
    return amplitude * np.sin(2.0 * np.pi * hertz * np.arange(n) / RATE)


@pytest.mark.parametrize("hertz", [65.0, 110.0, 272.0, 462.0, 1150.0])
def test_a_sine_stands_where_it_sounds_and_as_high_as_it_is(hertz):
    seen = pitch_points(sine(hertz, 0.1), RATE, BAND, POINTS)
    middle = np.geomspace(*BAND, 2 * POINTS + 1)[1::2]
    assert middle[np.argmax(seen)] == pytest.approx(hertz, abs=RATE / LENGTH)
    assert 20.0 * np.log10(seen.max()) == pytest.approx(
        -20.0, abs=1.5
    )  # a Hann window's scalloping, Harris 1978


def test_steps_are_half_decibels():
    (step,) = in_steps(np.array([10.0 ** (-20.0 / 20.0)]))
    assert FLOOR_DBFS + step / STEPS_A_DB == pytest.approx(-20.0, abs=0.25)
    assert in_steps(np.array([0.0, 1e9])) == b"\x00\xff"


def test_two_who_look_at_once_see_the_same():
    sight = Sight(RATE, BAND)
    for block in np.split(sine(462.0, 0.5)[:, None], 8):
        sight.hear(block)
    count, first = sight.frame()
    assert count == 8
    assert len(first) == POINTS + 1
    assert sight.frame() == (count, first)
    assert FLOOR_DBFS + first[0] / STEPS_A_DB == pytest.approx(-6.0, abs=0.3)
    sight.hear(np.zeros((1024, 1)))
    assert sight.frame()[1] != first
