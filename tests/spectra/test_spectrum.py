"""Spectra, maxima, half-power damping and window constants."""

import numpy as np
import pytest
import scipy

from resonance.spectra.spectrum import (
    average_spectrum,
    half_power_damping,
    nearest_maximum,
    window_constants,
)

# Coherent gain, noise bandwidth (bins), scalloping loss (dB): computed from the formulas for periodic windows
# of 4096 points; Harris 1978, Proc. IEEE 66, 51, Table I (from memory) prints the same to two figures but
# for the scalloping loss of Hamming, printed 1.78, a known misprint of 1.75.
WINDOWS = {
    "boxcar": (1.0, 1.0, 3.922),
    "hann": (0.5, 1.5, 1.424),
    "hamming": (0.54, 1.3628, 1.751),
    "blackman": (0.42, 1.7268, 1.099),
    "blackmanharris": (0.3588, 2.0044, 0.826),
    ("kaiser", np.pi * 2.5): (0.4396, 1.6519, 1.201),
}


@pytest.mark.parametrize("name", WINDOWS, ids=str)
def test_window_constants(name):
    found = window_constants(scipy.signal.get_window(name, 4096))
    assert found == pytest.approx(WINDOWS[name], abs=6e-4)


def test_nearest_maximum_of_two():
    grid = np.arange(0.0, 100.0, 0.5)
    power_db = -((grid - 40.2) ** 2) * (grid < 50) - ((grid - 61.7) ** 2 + 5) * (grid >= 50)
    assert nearest_maximum(grid, power_db, 58.0, 5.0) == pytest.approx(61.7, abs=1e-6)
    assert nearest_maximum(grid, power_db, 41.0, 5.0) == pytest.approx(40.2, abs=1e-6)
    assert np.isnan(nearest_maximum(grid, power_db, 50.0, 5.0))


def test_half_power_width_is_the_damping():
    # Velocity of one mode: half power is exact, (f2 - f1) / f0 = 2 zeta (closed form)
    grid = np.arange(200.0, 400.0, 0.02)
    zeta, f0 = 0.0125, 300.0
    power = 1.0 / ((1.0 - (grid / f0) ** 2) ** 2 + (2 * zeta * grid / f0) ** 2) * (grid / f0) ** 2
    assert half_power_damping(grid, power, 301.0) == pytest.approx(zeta, rel=1e-3)


def test_half_power_of_a_short_record_reads_too_wide():
    # Q 40 at 460 Hz: 1.367 % from 0.1 s and 1.251 % from 0.25 s, against 1.25 % (computed, no window)
    rate, f0, zeta = 8000.0, 460.0, 0.0125
    for length, expected in ((0.1, 0.01367), (0.25, 0.01251)):
        time = np.arange(int(length * rate)) / rate
        decay = np.exp(-2 * np.pi * f0 * zeta * time) * np.exp(2j * np.pi * f0 * np.sqrt(1 - zeta**2) * time)
        grid, power = average_spectrum(decay.real[None], rate, pad=64)
        assert half_power_damping(grid, power, f0) == pytest.approx(expected, rel=0.02)


def test_maximum_of_a_decay():
    rate = 8000.0
    time = np.arange(4000) / rate
    grid, power = average_spectrum(np.exp(-30 * time)[None] * np.sin(2 * np.pi * 450.0 * time), rate)
    assert nearest_maximum(grid, 10 * np.log10(power), 452.0, 5.0) == pytest.approx(450.0, abs=0.1)
