"""Another tap set or more taps: against the two limits where the answer is plain."""

from math import inf, sqrt

import numpy as np
import pytest

from resonance.changes.beforehand import what_helps
from resonance.changes.comparison import Repeatability, Scatter
from resonance.changes.repeatability import PUT_BACK

from .making import FREQUENCIES, a_mode


def yardstick(scatter):
    return Repeatability(Scatter(scatter, inf, PUT_BACK, "this job"), n_repeats=20)


def test_where_putting_back_rules_another_set_helps_and_more_taps_do_not():
    found = what_helps([a_mode(f, u=0.05, dof=inf) for f in FREQUENCIES], yardstick(8.0))
    assert found.better == "tap sets"
    # with the scatter alone: 1 / sqrt(2)
    assert found.more_sets == pytest.approx(found.now / sqrt(2.0), rel=0.01)
    assert found.more_taps == pytest.approx(found.now, rel=0.01)


def test_where_the_taps_rule_both_help_alike():
    found = what_helps([a_mode(f, u=3.0, dof=inf) for f in FREQUENCIES], yardstick(0.3))
    assert found.more_taps == pytest.approx(found.now / sqrt(2.0), rel=0.02)
    assert found.more_sets == pytest.approx(found.more_taps, rel=0.02)


def test_readings_without_uncertainty_tell_nothing():
    found = what_helps([a_mode(450.0, u=np.nan)], yardstick(3.0))
    assert found.better == "neither"
    assert np.isnan(found.now).all()
