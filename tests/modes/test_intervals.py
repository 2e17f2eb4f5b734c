"""Half widths against the t table of JCGM 100:2008 (Table G.2) and Welch-Satterthwaite in closed form."""

from math import inf, isnan, nan, sqrt

import pytest

from resonance.modes.intervals import combined, damping_half_width, frequency_half_width, half_width
from resonance.modes.mode import Mode


@pytest.mark.parametrize(
    ("dof", "t"), [(1.0, 12.71), (2.0, 4.30), (7.0, 2.36), (10.0, 2.23), (50.0, 2.01), (inf, 1.960)]
)
def test_half_width_follows_the_printed_table(dof, t):
    assert half_width(0.1, dof) == pytest.approx(0.1 * t, rel=0.0025)  # the table prints two decimals


def test_unknown_degrees_of_freedom_count_as_many():
    assert half_width(1.0, nan) == pytest.approx(1.960, abs=0.0005)


@pytest.mark.parametrize(
    ("u", "dof"), [(nan, 5.0), (0.0, 5.0), (-1.0, 5.0), (inf, 5.0), (0.1, 0.0), (0.1, -2.0)]
)
def test_an_uncertainty_that_is_not_known_gives_no_half_width(u, dof):
    assert isnan(half_width(u, dof))


def test_two_equal_parts_make_four_times_the_degrees_of_freedom():
    # u_c^4 / (u^4 / dof + 0) with u_c^2 = 2 u^2: JCGM 100:2008, eq. G.2b
    assert combined(0.3, 5.0, 0.3) == (pytest.approx(0.3 * sqrt(2.0)), pytest.approx(20.0))


@pytest.mark.parametrize("further", [nan, 0.0, -1.0, inf])
def test_a_further_part_that_is_not_known_changes_nothing(further):
    assert combined(0.3, 5.0, further) == (0.3, 5.0)


def test_a_printed_frequency_covers_the_model_term():
    mode = Mode(461.8, 0.012, frequency_u=0.2, frequency_dof=7.0, model_u=0.4)
    alone = Mode(461.8, 0.012, frequency_u=0.2, frequency_dof=7.0)
    assert frequency_half_width(alone) == pytest.approx(0.2 * 2.365, rel=1e-3)
    assert frequency_half_width(mode) > 1.96 * 0.4


def test_damping_without_uncertainty_has_no_half_width():
    assert isnan(damping_half_width(Mode(461.8, 0.012)))
