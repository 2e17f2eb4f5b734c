"""Statistics against worked tables, SciPy's own tests and simulation."""

from math import inf, isnan, nan

import numpy as np
import pytest
import scipy

from resonance.changes.judge import (
    call,
    combine,
    confidence_of_called,
    detectable,
    half_width,
    p_value,
    thresholds,
)

# Benjamini and Hochberg 1995, J. R. Statist. Soc. B 57, 289, section 3.2: fifteen p values of a study of
# thrombolysis (from memory). They reject four at q = .05; Bonferroni's rule three.
THROMBOLYSIS = (
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528,
    0.7590, 1.0000,
)  # fmt: skip


def test_the_worked_example_of_benjamini_and_hochberg():
    called = call(THROMBOLYSIS, 0.05)
    assert called.tolist() == [True] * 4 + [False] * 11


@pytest.mark.parametrize("q", [0.01, 0.05, 0.10, 0.3])
def test_calls_agree_with_scipy(rng, q):
    # scipy.stats.false_discovery_control gives adjusted p values; those at most q are called.
    p = np.concatenate([rng.uniform(size=30), rng.uniform(size=10) ** 4])
    rng.shuffle(p)
    assert np.array_equal(call(p, q), scipy.stats.false_discovery_control(p) <= q)


def test_the_order_of_p_values_does_not_matter(rng):
    order = rng.permutation(15)
    assert np.array_equal(call(np.array(THROMBOLYSIS)[order], 0.05), order < 4)


def test_none_and_all_are_called():
    assert call([], 0.1).size == 0
    assert not call([0.5, 0.9], 0.1).any()
    assert call([0.099, 0.0999], 0.1).all()


def test_the_share_of_false_calls_is_held(rng):
    shares = []
    for _ in range(2000):
        p = rng.uniform(size=20)
        p[:8] = 2.0 * scipy.special.ndtr(-np.abs(rng.standard_normal(8) + 3.0))
        called = call(p, 0.10)
        shares.append(called[8:].sum() / max(1, called.sum()))
    # Held at q (m0 / m) = .06 exactly for independent tests.
    assert np.mean(shares) == pytest.approx(0.06, abs=0.01)


def test_thresholds_are_those_of_the_last_call_and_the_next():
    called = call(THROMBOLYSIS, 0.05)
    at = thresholds(called, 0.05)
    assert at[:4] == pytest.approx(4 * 0.05 / 15)
    assert at[4:] == pytest.approx(5 * 0.05 / 15)
    assert max(THROMBOLYSIS[:4]) <= at[0]
    assert min(THROMBOLYSIS[4:]) > at[4]


def test_combined_uncertainty_is_welchs_test(rng):
    for n, m in ((3, 9), (8, 8), (2, 20)):
        one, two = rng.normal(0.0, 1.0, n), rng.normal(0.4, 3.0, m)
        u, dof = combine([(one.std(ddof=1) / np.sqrt(n), n - 1.0), (two.std(ddof=1) / np.sqrt(m), m - 1.0)])
        welch = scipy.stats.ttest_ind(two, one, equal_var=False)
        assert dof == pytest.approx(welch.df, rel=1e-9)
        difference = float(two.mean() - one.mean())
        assert p_value(difference, u, dof) == pytest.approx(welch.pvalue, rel=1e-9)
        interval = welch.confidence_interval(0.95)
        assert difference - half_width(u, dof) == pytest.approx(interval.low, rel=1e-9)
        assert difference + half_width(u, dof) == pytest.approx(interval.high, rel=1e-9)


def test_parts_without_limit_leave_the_degrees_infinite():
    assert combine([(3.0, inf), (4.0, nan)]) == (5.0, inf)
    assert combine([(0.0, 5.0), (0.0, inf)]) == (0.0, inf)
    assert isnan(combine([(3.0, 5.0), (nan, 5.0)])[0])


def test_normal_limits():
    assert p_value(1.959964, 1.0, inf) == pytest.approx(0.05, abs=1e-6)
    assert half_width(1.0, inf) == pytest.approx(1.959964, abs=1e-6)
    assert half_width(1.0, 4.0) == pytest.approx(2.776445, abs=1e-6)  # t table, 4 degrees of freedom
    assert isnan(p_value(1.0, 0.0, inf))
    assert isnan(half_width(nan, 4.0))


def test_least_detectable_of_a_known_scatter_is_the_textbook_figure():
    # 1.960 + 0.842 = 2.80 standard errors for 80 % power at 5 %: any book on sample size.
    assert detectable(1.0, inf, 0.05) == pytest.approx(2.8016, abs=1e-4)
    assert isnan(detectable(nan, 4.0, 0.05))


@pytest.mark.parametrize(("dof", "threshold"), [(4, 0.05), (4, 0.01), (12, 0.01), (30, 0.1)])
def test_four_of_five_shifts_of_the_stated_size_are_called(rng, dof, threshold):
    # The scatter is estimated anew each time from dof + 1 readings; each time the stated shift is applied.
    n = 40_000
    estimate = np.sqrt(rng.chisquare(dof, n) / dof)
    read = np.array([detectable(u, dof, threshold) for u in estimate]) + rng.standard_normal(n)
    p = np.array([p_value(d, u, dof) for d, u in zip(read, estimate, strict=True)])
    assert np.mean(p <= threshold) == pytest.approx(0.80, abs=0.01)


@pytest.mark.parametrize(("dof", "threshold"), [(4, 0.05), (10, 0.05), (10, 0.01), (30, 0.01)])
def test_least_detectable_is_near_the_noncentral_t(dof, threshold):
    t = scipy.stats.t.isf(0.5 * threshold, dof)
    exact = scipy.special.nctdtrinc(dof, 0.20, t)
    assert detectable(1.0, dof, threshold) == pytest.approx(exact, rel=0.02)


def test_intervals_of_the_called_hold_the_truth_as_often_as_promised(rng):
    # False coverage rate (Benjamini and Yekutieli 2005): the mean share of called intervals that miss is at
    # most .05, while plain 95 % intervals of called modes miss far more often.
    widened, plain = [], []
    for _ in range(2000):
        truth = np.where(np.arange(20) < 6, 2.0, 0.0)
        read = truth + rng.standard_normal(20)
        called = call([p_value(d, 1.0, inf) for d in read], 0.10)
        if not called.any():
            widened.append(0.0)
            plain.append(0.0)
            continue
        confidence = confidence_of_called(int(called.sum()), 20)
        off = np.abs(read - truth)[called]
        widened.append(np.mean(off > half_width(1.0, inf, confidence=confidence)))
        plain.append(np.mean(off > half_width(1.0, inf)))
    assert np.mean(widened) < 0.05
    assert np.mean(plain) > 0.08
