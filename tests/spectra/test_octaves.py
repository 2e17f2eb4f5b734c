"""Third-octave levels against the class 1 mask, by formula and by sines through the whole way.

Mask: IEC 61260-1:2014, limits of relative attenuation at f/fm = G^e for octaves, e = 0 ... 4, which two
independent public files agree on (the standard itself not read). A third octave's ratios follow from
1 + (G^(1/6) - 1) / (G^(1/2) - 1) (G^e - 1), the same below the centre as 1 / x.
"""

import numpy as np
import pytest

from resonance.spectra.octaves import (
    DUENNWALD,
    G,
    band_gain,
    band_levels_db,
    least_duration,
    limit_levels_db,
    power_spectrum,
    third_octaves,
)
from resonance.spectra.weighting import weighting_power

E = (0.0, 0.125, 0.25, 0.375, 0.5 - 1e-9, 0.5 + 1e-9, 1.0, 2.0, 3.0, 4.0)
LEAST = (-0.4, -0.4, -0.4, -0.4, -0.4, 1.2, 16.6, 40.5, 60.0, 70.0)
MOST = (0.4, 0.5, 0.7, 1.4, 5.3, np.inf, np.inf, np.inf, np.inf, np.inf)
RATES = (44100.0, 48000.0, 88200.0, 96000.0, 176400.0, 192000.0)


def ratios():
    third = 1.0 + (G ** (1 / 6) - 1.0) / (G ** (1 / 2) - 1.0) * (G ** np.array(E) - 1.0)
    return np.concatenate([third, 1.0 / third]), np.array(LEAST * 2), np.array(MOST * 2)


def test_ratios_are_the_printed_ones():
    # third-octave ratios as the same files print them
    printed = [1.0, 1.02667, 1.05575, 1.08746, 1.12202, 1.12202, 1.29437, 1.88173, 3.05365, 5.39195]
    assert ratios()[0][:10] == pytest.approx(printed, abs=1e-5)


def test_centres_and_edges():
    # exact centres of the standard (computed): 1000 G^(k/3); the edges of 1 kHz 891.251 and 1122.018 Hz
    centres = third_octaves(160.0, 20000.0)
    assert centres[[0, 8, -1]] == pytest.approx([158.489, 1000.0, 19952.623], abs=1e-3)
    edges = np.array([891.2509, 1122.0185])
    assert band_gain(edges, 1000.0) == pytest.approx([0.5, 0.5], rel=1e-4)


def test_gains_lie_within_the_mask():
    ratio, least, most = ratios()
    attenuation = -10.0 * np.log10(band_gain(ratio * 1000.0, 1000.0))
    assert np.all(attenuation >= least)
    assert np.all(attenuation <= most)


@pytest.mark.parametrize("rate", RATES)
def test_sines_through_the_whole_way_lie_within_the_mask(rate):
    """Each table point below half the rate: a sine of that frequency, its level in the band below its own."""
    centres = third_octaves(100.0, 20000.0)
    centres = centres[centres * G ** (1 / 6) <= 0.5 * rate]
    ratio, least, most = ratios()
    time = np.arange(int(2.0 * rate)) / rate
    for centre in centres[::4]:
        for r, low, high in zip(ratio, least, most, strict=True):
            if r * centre >= 0.5 * rate - 4.0:
                continue
            grid, power = power_spectrum(np.sin(2 * np.pi * r * centre * time), rate)
            level = band_levels_db(grid, power, np.array([centre]))[0]
            attenuation = 10.0 * np.log10(0.5) - level
            # 0.02 dB: the spectrum's lines are as wide as 1/16 of the narrowest band
            assert low - 0.02 <= attenuation <= high + 0.02, (centre, r)


def test_weighted_level_of_sines_through_the_whole_way():
    """A 0.2 amplitude sine of 250 Hz (exact 251.19): -16.99 dB less the 8.6 dB of Table 3 (quoted)."""
    rate, frequency = 48000.0, 251.18864
    grid, power = power_spectrum(0.2 * np.sin(2 * np.pi * frequency * np.arange(96000) / rate), rate)
    assert 10 * np.log10(power.sum()) == pytest.approx(20 * np.log10(0.2) - 3.0103, abs=0.01)
    weighted = 10 * np.log10(power @ weighting_power(grid, "A"))
    assert weighted == pytest.approx(20 * np.log10(0.2) - 3.0103 - 8.6, abs=0.06)


def test_white_noise_rises_by_a_decibel_a_third():
    """Mean square 1 over 24 kHz: a band of width 0.2308 fc holds that share; ten bands make 10 dB."""
    noise = np.random.default_rng(5).standard_normal(48000 * 60)
    grid, power = power_spectrum(noise, 48000.0)
    centres = third_octaves(200.0, 10000.0)
    levels = band_levels_db(grid, power, centres)
    edges = centres * (G ** (1 / 6) - G ** (-1 / 6))
    # a Butterworth band-pass of order 6 lets through pi/6 / sin(pi/6) of its half-power width (closed form)
    width = edges * (np.pi / 6) / np.sin(np.pi / 6)
    assert levels == pytest.approx(10 * np.log10(width / 24000.0), abs=0.35)
    assert levels[10] - levels[0] == pytest.approx(10.0, abs=0.4)


def test_too_short_a_sound_has_no_low_bands():
    sound = np.random.default_rng(1).standard_normal(24000)
    levels = band_levels_db(*power_spectrum(sound, 48000.0), third_octaves(40.0, 16000.0))
    centres = third_octaves(40.0, 16000.0)
    short = np.array([least_duration(c) > 0.5 for c in centres])
    assert np.array_equal(np.isnan(levels), short)
    assert 100.0 < centres[short].max() < 200.0


def test_bands_above_half_the_rate_have_no_level():
    sound = np.random.default_rng(1).standard_normal(64000)
    spectrum = power_spectrum(sound, 16000.0)
    assert np.isnan(band_levels_db(*spectrum, np.array([7943.28]))[0])
    assert np.isfinite(band_levels_db(*spectrum, np.array([6309.57]))[0])
    assert np.isfinite(limit_levels_db(*spectrum, (190.0, 650.0, 7000.0))).all()
    assert np.isnan(limit_levels_db(*spectrum, (4200.0, 9000.0))[0])


def test_limits_hold_all_between_them():
    assert DUENNWALD[0] == 190.0
    time = np.arange(96000) / 48000.0
    sound = np.sin(2 * np.pi * 400 * time) + 0.1 * np.sin(2 * np.pi * 3000 * time)
    levels = limit_levels_db(*power_spectrum(sound, 48000.0))
    assert levels[0] == pytest.approx(-3.01, abs=0.01)
    assert levels[4] == pytest.approx(-23.01, abs=0.01)
    assert levels[1] < -80.0
