"""Terms of the history model against closed forms."""

import numpy as np
import pytest

from resonance.changes.settling import (
    TIME_CONSTANTS,
    drift_covariance,
    drift_variance,
    lagged,
    make_grid,
    settling_shapes,
    settling_slopes,
    step_shapes,
    step_slopes,
)


def test_every_law_moves_one_in_thirty_days():
    shapes = settling_shapes(np.array([0.0, 30.0]))
    assert shapes[0] == pytest.approx(0.0)
    assert shapes[1] == pytest.approx(1.0)
    assert shapes.shape == (2, TIME_CONSTANTS.size + 1)


def test_slopes_are_the_derivatives_of_the_shapes():
    days, h = np.array([0.5, 3.0, 20.0]), 1e-5
    numeric = (settling_shapes(days + h) - settling_shapes(days - h)) / (2 * h)
    assert settling_slopes(days) == pytest.approx(numeric, rel=1e-6, abs=1e-9)
    since, after = days[:, None], np.ones((3, 1))
    numeric = (step_shapes(since + h, after) - step_shapes(since - h, after)) / (2 * h)
    assert step_slopes(since, after) == pytest.approx(numeric, rel=1e-5, abs=1e-9)


def test_a_step_is_one_at_once_and_grows_by_its_restart():
    shapes = step_shapes(np.array([[-2.0], [0.0], [100.0]]), np.array([[0.0], [1.0], [1.0]]))
    assert shapes[:, :, 0] == pytest.approx(np.array([[0, 1, 1], [0, 1, 1.25], [0, 1, 1.25]]), abs=1e-6)


def test_the_lag_of_a_ramp_and_of_a_jump():
    # First-order lag of a ramp r t from rest: r (t - L (1 - exp(-t / L))); the air was level before.
    days, lag = np.array([0.0, 10.0]), 3.0
    at = np.array([0.0, 1.0, 4.0, 10.0])
    found = lagged(days, np.array([40.0, 60.0]), (0.0, lag), at)
    assert found[:, 0] == pytest.approx(40.0 + 2.0 * at)
    assert found[:, 1] == pytest.approx(40.0 + 2.0 * (at - lag * (1.0 - np.exp(-at / lag))))
    # after the last reading the air stays, and the wood follows it
    later = lagged(days, np.array([40.0, 60.0]), (lag,), np.array([10.0, 100.0]))
    assert later[1, 0] == pytest.approx(60.0)
    assert later[0, 0] < 56.0


def test_readings_taken_at_one_time_are_averaged():
    found = lagged(np.array([0.0, 0.0, 5.0]), np.array([40.0, 50.0, 45.0]), (0.0,), np.array([0.0, 5.0]))
    assert found[:, 0] == pytest.approx([45.0, 45.0])


def test_walk_and_moisture():
    grid = make_grid(scatter_cents=4.0, dof=10.0, humidity_noted=False, late=False)
    days = np.array([0.0, 2.0, 30.0])
    covariance = drift_covariance(days, days, grid)
    assert np.all(np.linalg.eigvalsh(covariance) > -1e-9)
    assert np.diagonal(covariance, axis1=1, axis2=2) == pytest.approx(drift_variance(days, grid))
    for (walk, moisture), matrix in zip(grid.noises, covariance, strict=True):
        assert matrix[1, 2] == pytest.approx(2.0 * walk**2, abs=0.01 * moisture**2 + 1e-9)


@pytest.mark.parametrize("dof", [4.0, 30.0])
def test_the_grid_holds_the_prior_of_the_scatter(dof):
    grid = make_grid(scatter_cents=5.0, dof=dof, humidity_noted=True, late=True)
    for prior, kernel in zip(grid.priors, grid.kernels, strict=True):
        assert prior.sum() == pytest.approx(1.0)
        assert kernel.sum(0) == pytest.approx(np.ones(prior.size))
    assert grid.log_prior.shape == grid.shape
    assert np.exp(grid.log_prior).sum() == pytest.approx(1.0)
    # Median of the scaled inverse chi-square, s sqrt(dof / median of chi-square): within a tenth
    median = float(np.interp(0.5, np.cumsum(grid.priors[0]) - 0.5 * grid.priors[0], grid.scatters))
    chi_square = dof * (1.0 - 2.0 / (9.0 * dof)) ** 3  # Wilson and Hilferty 1931
    assert median == pytest.approx(5.0 * np.sqrt(dof / chi_square), rel=0.1)
