"""All steps of a mode together, against closed forms."""

from types import SimpleNamespace

import numpy as np
import pytest

from resonance.changes.comparison import Repeatability, Scatter
from resonance.changes.history import fit_history
from resonance.changes.joint import joint_steps
from resonance.changes.mixture import Posterior
from resonance.changes.repeatability import PUT_BACK, RETUNED
from resonance.changes.settling import STEP_SD

from .test_history import BRACKETED, HOUR, a_job


def posterior_of(seen, covariance):
    """Posterior of two steps, sd 25 cents beforehand, seen once; a third coefficient stands behind them."""
    precision = np.linalg.inv(covariance)
    spread = np.linalg.inv(precision + np.eye(2) / STEP_SD**2)
    whole = np.eye(3)
    whole[:2, :2] = spread
    mean = np.array([*(spread @ precision @ seen), 7.0])
    points = tuple(np.zeros(1, np.intp) for _ in range(3))
    return Posterior(np.ones(1), points, mean[None], whole[None])


STEPS = SimpleNamespace(steps=slice(0, 2))


def test_what_was_thought_beforehand_is_taken_out():
    # normal prior times normal likelihood: the likelihood is what comes back
    seen, covariance = np.array([40.0, -10.0]), np.array([[16.0, -7.0], [-7.0, 12.0]])
    none = [np.zeros(1)] * 2
    cents, spread = joint_steps(posterior_of(seen, covariance), STEPS, none)
    assert cents == pytest.approx(seen)
    assert spread == pytest.approx(covariance)


def test_a_slackening_between_two_steps_is_in_both_the_other_way_round():
    # levels a0, a1, a2 independent of variance 9: steps a1 - a0 and a2 - a1 have variance 18, covariance -9
    seen, covariance = np.zeros(2), np.diag([4.0, 5.0])
    _, spread = joint_steps(posterior_of(seen, covariance), STEPS, [np.full(1, 18.0)] * 2)
    assert spread == pytest.approx(covariance + np.array([[18.0, -9.0], [-9.0, 18.0]]))
    _, gentle = joint_steps(posterior_of(seen, covariance), STEPS, [np.full(1, 18.0), np.zeros(1)])
    assert gentle == pytest.approx(np.diag([22.0, 5.0]))


def test_steps_that_share_a_tap_set_lean_against_each_other(rng):
    days = np.array([*BRACKETED[:3], 6.0 - HOUR, 6.0 + HOUR, 6.0 + 3 * HOUR, 9.0, 12.0])
    known = Scatter(3.0, 40.0, PUT_BACK, "this shop")
    yard = Repeatability(known, n_repeats=9, kinds=(known, Scatter(3.0, 40.0, RETUNED, "this shop")))
    course = np.outer(days > 6.0, [30.0] * 4) - np.outer(days > 6.0 + 2 * HOUR, [20.0] * 4)
    sets, adjustments = a_job(rng, days, {"adj1": 6.0, "adj2": 6.0 + 2 * HOUR}, course)
    for history in fit_history(sets, adjustments, repeatability=yard):
        assert history.step_ids == ("adj1", "adj2")
        off = (history.step_cents - [30.0, -20.0]) / np.sqrt(np.diag(history.step_covariance))
        assert np.all(np.abs(off) < 3.5)
        one, other = np.sqrt(np.diag(history.step_covariance))
        assert history.step_covariance[0, 1] < -0.3 * one * other
