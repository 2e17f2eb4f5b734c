"""The level check: white noise of known power, a sine for the hum, a tap to hold the forecast against."""

import numpy as np
import pytest

from resonance.taking.level import check_level
from tests.taking.making import RATE, VIOLIN, Blow, quiet, ringing

N = round(1.5 * RATE)


def white(level_dbfs, *, seed=1):
    return 10.0 ** (level_dbfs / 20.0) * np.random.default_rng(seed).standard_normal(N)


def codes(level):
    return [reason.code for reason in level.reasons]


def test_the_noise_is_that_of_the_band_where_taps_are_heard():
    """White noise spreads evenly up to half the rate: 800 Hz of 24 kHz hold 14.8 dB less than all of it."""
    level = check_level(white(-40.0), RATE)
    assert level.noise_dbfs == pytest.approx(-40.0 + 10.0 * np.log10(800.0 / 24_000.0), abs=1.0)
    assert level.peak_dbfs == pytest.approx(
        20.0 * np.log10(np.max(np.abs(white(-40.0)))), abs=0.05
    )  # less its mean


def test_what_a_tap_will_stand_out_by_is_what_it_does():
    from resonance.sound.recording import Recording
    from resonance.taps.find import find_taps

    rng = np.random.default_rng(2)
    noise = quiet(4.0, rng=rng, level_dbfs=-60.0)
    (tap,) = find_taps(Recording((noise + ringing([Blow(2.0)], 4.0, modes=VIOLIN))[:, None], RATE))
    level = check_level(noise[:N], RATE, tap_peak_dbfs=tap.peak_dbfs)
    assert level.expected_db == pytest.approx(tap.snr_db, abs=5.0)
    assert codes(level) == []


@pytest.mark.parametrize(("level_dbfs", "code"), [(-70.0, None), (-35.0, "noisy"), (-12.0, "level_hot")])
def test_a_noisy_room_and_a_gain_far_too_high_are_told(level_dbfs, code):
    assert codes(check_level(white(level_dbfs), RATE)) == ([code] if code else [])


@pytest.mark.parametrize(("mains", "hertz"), [(50.0, 100.0), (50.0, 50.0), (60.0, 120.0), (60.0, 180.0)])
def test_hum_is_told_with_its_frequency(mains, hertz):
    times = np.arange(N) / RATE
    level = check_level(white(-80.0) + 0.003 * np.sin(2.0 * np.pi * hertz * times), RATE, mains=mains)
    assert "hum_heard" in codes(level)
    assert level.hum_frequency == hertz
    assert "hum_heard" not in codes(check_level(white(-80.0), RATE, mains=mains))


def test_a_tone_that_is_not_the_mains_is_no_hum():
    tone = 0.003 * np.sin(2.0 * np.pi * 130.0 * np.arange(N) / RATE)
    assert "hum_heard" not in codes(check_level(white(-80.0) + tone, RATE))


@pytest.mark.parametrize("sound", [np.zeros(N), np.full(N, 0.1), np.zeros(0)])
def test_no_sound_at_all(sound):
    assert codes(check_level(sound, RATE)) == ["no_sound"]


def test_an_early_tap_does_not_count_as_noise():
    noise = white(-75.0)
    with_tap = noise + ringing([Blow(0.1)], 1.5)[:N]
    assert check_level(with_tap, RATE).noise_dbfs == pytest.approx(
        check_level(noise, RATE).noise_dbfs, abs=3.0
    )
