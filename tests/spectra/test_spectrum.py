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
# of 4096 points; then what Harris 1978, Proc. IEEE 66, 51, Table I prints (from memory), None where the
# window is not in it. Two of the figures printed there are known misprints: Hamming's scalloping loss 1.78
# (the formula gives 1.75) and the 3 dB width 1.68 bins of Blackman (the formula gives 1.64).
WINDOWS = {
    "boxcar": ((1.0, 1.0, 3.922), (1.00, 1.00, 3.92)),
    "bartlett": ((0.5, 1.3333, 1.824), (0.50, 1.33, 1.82)),
    "hann": ((0.5, 1.5, 1.424), (0.50, 1.50, 1.42)),
    "hamming": ((0.54, 1.3628, 1.751), (0.54, 1.36, None)),
    "blackman": ((0.42, 1.7268, 1.099), (0.42, 1.73, 1.10)),
    "blackmanharris": ((0.3588, 2.0044, 0.826), (0.36, 2.00, 0.83)),
    ("kaiser", np.pi * 2.0): ((0.4892, 1.4963, 1.453), (0.49, 1.50, 1.46)),
    ("kaiser", np.pi * 2.5): ((0.4396, 1.6519, 1.201), (0.44, 1.65, 1.20)),
    ("kaiser", np.pi * 3.0): ((0.4025, 1.7952, 1.023), (0.40, 1.80, 1.02)),
    ("kaiser", np.pi * 3.5): ((0.3735, 1.9284, 0.890), (0.37, 1.93, 0.89)),
    "flattop": ((0.2156, 3.7702, 0.010), (None, None, None)),
}


@pytest.mark.parametrize("name", WINDOWS, ids=str)
def test_window_constants(name):
    found = window_constants(scipy.signal.get_window(name, 4096))
    computed, printed = WINDOWS[name]
    assert found == pytest.approx(computed, abs=6e-4)
    for value, figure in zip(found, printed, strict=True):
        assert figure is None or value == pytest.approx(figure, abs=0.0075)


def width_3_db(window):
    """Full width in bins of a window's main lobe 3.00 dB down, from a finely padded transform."""
    pad = 512
    power = np.abs(np.fft.rfft(window, window.size * pad)[: 8 * pad]) ** 2
    return 2 * np.interp(-(10**-0.3), -power / power[0], np.arange(8 * pad) / pad)


def test_the_two_misprints():
    """The formula, not the print: Hamming's loss is not 1.78 dB, nor Blackman's 3 dB width 1.68 bins."""
    loss = window_constants(scipy.signal.get_window("hamming", 4096))[2]
    assert loss == pytest.approx(1.751, abs=6e-4)
    assert width_3_db(scipy.signal.get_window("hann", 4096)) == pytest.approx(1.438, abs=6e-4)
    assert width_3_db(scipy.signal.get_window("blackman", 4096)) == pytest.approx(1.641, abs=6e-4)


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
    # computed without a window: Q 40 at 460 Hz reads 1.367 % from 0.1 s and 1.251 % from 0.25 s, for 1.25 %;
    # Q 20 at 275 Hz 2.584 % from 0.1 s, for 2.5 %
    cases = ((460.0, 0.0125, 0.1, 0.01367), (460.0, 0.0125, 0.25, 0.01251), (275.0, 0.025, 0.1, 0.02584))
    rate = 8000.0
    for f0, zeta, length, expected in cases:
        time = np.arange(int(length * rate)) / rate
        decay = np.exp(-2 * np.pi * f0 * zeta * time) * np.exp(2j * np.pi * f0 * np.sqrt(1 - zeta**2) * time)
        grid, power = average_spectrum(decay.real[None], rate, pad=64)
        assert half_power_damping(grid, power, f0) == pytest.approx(expected, rel=0.02)


def test_maximum_of_a_decay():
    rate = 8000.0
    time = np.arange(4000) / rate
    grid, power = average_spectrum(np.exp(-30 * time)[None] * np.sin(2 * np.pi * 450.0 * time), rate)
    assert nearest_maximum(grid, 10 * np.log10(power), 452.0, 5.0) == pytest.approx(450.0, abs=0.1)
