"""Draws against posteriors that are known in closed form or by quadrature."""

import numpy as np
import pytest

from resonance.changes.tempered import draw_tempered

N = 2000


def test_a_normal_likelihood_gives_the_closed_form(rng):
    # y = A x + e, e ~ N(0, s^2), x standard normal: precision A'A / s^2 + 1 (Bayes' rule)
    design, s = rng.normal(size=(14, 10)), 0.2
    y = design @ rng.normal(size=10) + s * rng.normal(size=14)
    covariance = np.linalg.inv(design.T @ design / s**2 + np.eye(10))
    mean = covariance @ design.T @ y / s**2
    drawn = draw_tempered(lambda x: -0.5 * ((y - x @ design.T) ** 2).sum(axis=1) / s**2, 10, n=N, rng=rng)
    sd = np.sqrt(np.diag(covariance))
    assert np.all(np.abs(drawn.mean(axis=0) - mean) < 0.25 * sd)
    assert drawn.std(axis=0) == pytest.approx(sd, rel=0.2)


def test_two_tops_keep_their_shares_and_their_widths(rng):
    # y = x^2 - .4 x + e for each of six unknowns: two tops each, their shares by quadrature
    y, s = 1.5, 0.3
    grid = np.linspace(-6.0, 6.0, 20001)
    density = np.exp(-0.5 * ((y - grid**2 + 0.4 * grid) / s) ** 2 - 0.5 * grid**2)
    density /= density.sum()
    left = density[grid < 0.0].sum()
    middle, square = density @ grid, density @ grid**2
    assert 0.2 < left < 0.8
    drawn = draw_tempered(lambda x: -0.5 * (((y - x**2 + 0.4 * x) / s) ** 2).sum(axis=1), 6, n=N, rng=rng)
    assert np.mean(drawn < 0.0) == pytest.approx(left, abs=0.08)
    assert drawn.mean() == pytest.approx(middle, abs=0.15)
    assert np.mean(drawn**2) == pytest.approx(square, rel=0.08)


def test_a_bent_ridge(rng):
    # y = a b + e: a ridge along a hyperbola; moments of a^2 by quadrature
    y, s = 1.0, 0.15
    grid = np.linspace(-5.0, 5.0, 1001)
    a, b = np.meshgrid(grid, grid)
    density = np.exp(-0.5 * ((y - a * b) / s) ** 2 - 0.5 * (a * a + b * b))
    expected = (density * a * a).sum() / density.sum()
    drawn = draw_tempered(lambda x: -0.5 * ((y - x[:, 0] * x[:, 1]) / s) ** 2, 2, n=N, rng=rng)
    assert np.mean(drawn[:, 0] ** 2) == pytest.approx(expected, rel=0.1)
    assert np.mean(drawn[:, 0] > 0.0) == pytest.approx(0.5, abs=0.08)
