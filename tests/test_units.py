"""Units against closed forms and published tables."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from resonance import units

FREQUENCIES = st.floats(1.0, 20_000.0)
PITCHES = st.floats(380.0, 480.0)

# f0, Q, zeta %, bandwidth Hz, alpha 1/s, time constant ms, logarithmic decrement, T60 ms, slope dB/s: rows
# worked from Q = f0/B = 1/(2 zeta), alpha = zeta w0, delta = 2 pi zeta/sqrt(1 - zeta^2), T60 =
# ln(1000)/alpha, slope = 20 lg(e) alpha.
DECAYS = [
    (275, 20, 2.5000, 13.750, 43.197, 23.150, 0.157129, 159.91, 375.20),
    (460, 40, 1.2500, 11.500, 36.128, 27.679, 0.078546, 191.20, 313.81),
    (550, 45, 1.1111, 12.222, 38.397, 26.044, 0.069817, 179.90, 333.51),
    (1000, 50, 1.0000, 20.000, 62.832, 15.915, 0.062835, 109.94, 545.75),
]

# Open strings at A4 = 440 Hz (ISO 16:1975), equal temperament, worked from 440 x 2^(n/12).
OPEN_STRINGS = {
    "G3": 195.9977, "D4": 293.6648, "A4": 440.0, "E5": 659.2551, "C3": 130.8128, "C2": 65.4064, "G2": 97.9989,
    "D3": 146.8324, "A3": 220.0, "E1": 41.2034, "A1": 55.0, "D2": 73.4162,
}  # fmt: skip


@pytest.mark.parametrize("row", DECAYS, ids=lambda row: f"{row[0]} Hz Q {row[1]}")
def test_decay_relations(row):
    frequency, q, percent, bandwidth, alpha, constant_ms, decrement, fall_ms, slope = row
    damping = units.damping_ratio(q)
    assert 100 * damping == pytest.approx(percent, abs=5e-5)
    assert units.quality(damping) == pytest.approx(q, rel=1e-12)
    assert units.loss_factor(damping) == pytest.approx(1 / q, rel=1e-12)
    assert units.bandwidth(frequency, damping) == pytest.approx(bandwidth, abs=5e-4)
    assert units.decay_rate(frequency, damping) == pytest.approx(alpha, abs=5e-4)
    assert 1000 / units.decay_rate(frequency, damping) == pytest.approx(constant_ms, abs=5e-4)
    assert units.logarithmic_decrement(damping) == pytest.approx(decrement, abs=5e-7)
    assert 1000 * units.decay_time(frequency, damping) == pytest.approx(fall_ms, abs=5e-3)
    assert 60 / units.decay_time(frequency, damping) == pytest.approx(slope, abs=5e-3)


@pytest.mark.parametrize("row", DECAYS, ids=lambda row: f"{row[0]} Hz Q {row[1]}")
def test_decay_relations_hold_on_a_decay(row):
    # The decay itself, not its formula: half-power width of 1/|i w - s| and two successive maxima.
    frequency, q = row[:2]
    damping = float(units.damping_ratio(q))
    w0 = 2 * math.pi * frequency
    w = 2 * np.pi * np.linspace(0.9, 1.1, 200_001) * frequency
    mobility = np.abs(1j * w / (w0**2 - w**2 + 2j * damping * w0 * w))
    above = w[mobility >= mobility.max() / math.sqrt(2)] / (2 * math.pi)
    assert above[-1] - above[0] == pytest.approx(float(units.bandwidth(frequency, damping)), rel=1e-3)
    period = 2 * math.pi / (w0 * math.sqrt(1 - damping**2))
    ratio = math.exp(float(units.decay_rate(frequency, damping)) * period)
    assert math.log(ratio) == pytest.approx(float(units.logarithmic_decrement(damping)), rel=1e-12)


# 1 Hz in cents: 6.28 at 275, 3.76 at 460, 3.14 at 550 Hz (worked from 1200 log2).
@pytest.mark.parametrize(("frequency", "expected"), [(275, 6.28), (460, 3.76), (550, 3.14)])
def test_one_hertz_in_cents(frequency, expected):
    assert units.cents(frequency + 1, frequency) == pytest.approx(expected, abs=0.006)


@given(st.floats(-2400, 2400), FREQUENCIES)
def test_hertz_undoes_cents(interval, reference):
    assert units.cents(reference + units.hertz(interval, reference), reference) == pytest.approx(
        interval, abs=1e-6
    )


@given(FREQUENCIES, FREQUENCIES, FREQUENCIES)
def test_cents_add_up(a, b, c):
    assert units.cents(a, b) + units.cents(b, c) == pytest.approx(units.cents(a, c), abs=1e-8)


def test_cents_of_arrays():
    np.testing.assert_allclose(units.cents([880.0, 220.0], 440.0), [1200.0, -1200.0], rtol=1e-12)
    np.testing.assert_allclose(units.hertz([1200.0, -1200.0], [440.0, 440.0]), [440.0, -220.0], rtol=1e-12)


@pytest.mark.parametrize(("ratio", "expected"), [(1, 0), (10, 20), (2, 6.0206), (0.5, -6.0206)])
def test_decibels_of_amplitude(ratio, expected):
    assert units.decibels(ratio) == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize(("note", "expected"), OPEN_STRINGS.items())
def test_open_strings(note, expected):
    assert units.note_frequency(note) == pytest.approx(expected, abs=5e-5)
    name, deviation = units.nearest_note(expected)
    assert name == note
    assert deviation == pytest.approx(0, abs=0.003)  # four decimals of a hertz at 41 Hz


@given(st.integers(12, 119), PITCHES)
def test_note_names_round_trip(number, pitch):
    frequency = pitch * 2 ** ((number - 69) / 12)
    name, deviation = units.nearest_note(frequency, pitch_a4=pitch)
    assert deviation == pytest.approx(0, abs=1e-6)
    assert units.note_frequency(name, pitch_a4=pitch) == pytest.approx(frequency, rel=1e-9)


@given(FREQUENCIES, PITCHES)
def test_nearest_note_is_within_half_a_semitone(frequency, pitch):
    name, deviation = units.nearest_note(frequency, pitch_a4=pitch)
    assert abs(deviation) <= 50 + 1e-9
    reference = units.note_frequency(name, pitch_a4=pitch)
    assert units.cents(frequency, reference) == pytest.approx(deviation, abs=1e-6)


@pytest.mark.parametrize(("flat", "sharp"), [("Bb3", "A#3"), ("E♭4", "D♯4"), ("Db5", "C#5")])
def test_flats_and_sharps_meet(flat, sharp):
    assert units.note_frequency(flat) == units.note_frequency(sharp)


@pytest.mark.parametrize("bad", ["", "H4", "A", "4", "A##4", "Abc", "A4.5"])
def test_what_is_not_a_note_is_said(bad):
    with pytest.raises(ValueError, match="is not a note"):
        units.note_frequency(bad)


@pytest.mark.parametrize("frequency", [0.0, -5.0, math.nan, math.inf])
def test_no_note_without_a_frequency(frequency):
    name, deviation = units.nearest_note(frequency)
    assert name == ""
    assert math.isnan(deviation)


# ISO 9613-1: c = 343.2 sqrt(T / 293.15), read in texts that quote it; table worked from the formula.
@pytest.mark.parametrize(
    ("temperature", "expected"),
    [(0, 331.286), (10, 337.296), (15, 340.261), (20, 343.200), (25, 346.114), (30, 349.005)],
)
def test_speed_of_sound(temperature, expected):
    assert units.speed_of_sound(temperature) == pytest.approx(expected, abs=6e-4)


def test_main_air_note_follows_the_air():
    # +0.1706 % per kelvin at 20 C: 275 Hz rises by 0.47 Hz a kelvin (worked).
    rise = (units.speed_of_sound(20.5) - units.speed_of_sound(19.5)) / units.speed_of_sound(20.0)
    assert 100 * rise == pytest.approx(0.1706, abs=1e-4)
    assert 275 * rise == pytest.approx(0.47, abs=0.005)
