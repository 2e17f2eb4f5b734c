"""The relaxation curve against certified fits (NIST StRD, nonlinear regression)."""

import numpy as np
import pytest

from resonance.changes.relaxation import fit_relaxation

# y = b1 (1 - exp(-b2 x)): certified b1, b2, their standard deviations, residual sum of squares.
MISRA1A = (
    [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0],
    [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78],
    (2.3894212918e02, 5.5015643181e-04, 2.7070075241, 7.2668688436e-06, 1.2455138894e-01),
)
BOXBOD = (
    [1.0, 2.0, 3.0, 5.0, 7.0, 10.0],
    [109.0, 149.0, 149.0, 191.0, 213.0, 224.0],
    (2.1380940889e02, 5.4723748542e-01, 1.2354515176e01, 1.0455993237e-01, 1.1680088766e03),
)


@pytest.mark.parametrize("data", [MISRA1A, BOXBOD], ids=["Misra1a", "BoxBOD"])
def test_certified_values(data):
    x, y, certified = data
    fit = fit_relaxation(np.array(x), np.array(y), level=False)
    found = (fit.amplitude, fit.rate, fit.amplitude_u, fit.rate_u, fit.sum_of_squares)
    assert found == pytest.approx(certified, rel=1e-7)


def test_a_curve_without_noise_is_found_with_its_level():
    t = np.linspace(0.0, 30.0, 12)
    fit = fit_relaxation(t, 7.0 - 12.0 * (1.0 - np.exp(-t / 6.0)))
    assert (fit.level, fit.amplitude, 1.0 / fit.rate) == pytest.approx((7.0, -12.0, 6.0), rel=1e-6)


@pytest.mark.parametrize("y", [[0.0, 1.0, 2.0, 3.0, 4.0], [0.0, 0.0, 0.0, 9.0, 9.1]], ids=["line", "jump"])
def test_points_that_hold_no_relaxation_give_none_or_an_honest_width(y):
    fit = fit_relaxation(np.arange(5.0), np.array(y))
    assert fit is None or fit.rate_u > 0.3 * fit.rate or 1.0 / fit.rate > 4.0


def test_too_few_times_give_none():
    assert fit_relaxation(np.array([0.0, 1.0, 1.0]), np.array([0.0, 1.0, 1.1])) is None
