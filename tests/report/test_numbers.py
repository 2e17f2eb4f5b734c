"""Rounding to the uncertainty: worked examples of the Particle Data Group's rule (from memory), edges."""

from math import inf, nan

import pytest

from resonance.report.numbers import (
    NO_BREAK,
    about_cents,
    half_width_text,
    limit,
    measured,
    number,
    plain,
    tied,
)


@pytest.mark.parametrize(
    ("value", "half", "shown"),
    [
        (0.827, 0.119, "0.83 ± 0.12"),  # the rule's own two examples
        (0.827, 0.367, "0.8 ± 0.4"),
        (461.83, 0.62, "461.8 ± 0.6"),
        (461.83, 0.24, "461.83 ± 0.24"),
        (461.83, 2.4, "461.8 ± 2.4"),
        (461.83, 0.97, "461.8 ± 1.0"),
        (461.83, 9.7, "462 ± 10"),
        (461.83, 12.3, "462 ± 12"),
        (461.83, 47.0, "460 ± 50"),
        (461.83, 180.0, "460 ± 180"),
        (461.83, 470.0, "500 ± 500"),
        (-1.84, 0.9, "−1.8 ± 0.9"),
        (-0.04, 0.9, "0.0 ± 0.9"),
        (0.04, 3.0, "0.0 ± 3.0"),
    ],
)
def test_value_and_half_width_end_at_the_same_place(value, half, shown):
    assert measured(value, half) == shown


@pytest.mark.parametrize("half", [nan, inf, 0.0, -1.0])
def test_an_unknown_uncertainty_says_so_and_is_never_zero(half):
    assert measured(461.83, half, "Hz") == "461.8 Hz, ± not known"
    assert half_width_text(half) == "not known"


@pytest.mark.parametrize("value", [nan, inf, -inf])
def test_a_value_that_is_not_known_says_so(value):
    assert measured(value, 0.5, "Hz") == "not known"
    assert number(value) == "not known"
    assert plain(value, "mm") == "not known"


def test_an_uncertainty_too_fine_to_show_is_not_zero():
    assert measured(461.83, 1e-7, "Hz") == "461.830 ± 0.001 Hz"


def test_signs():
    assert measured(1.84, 0.9, "Hz", signed=True) == "+1.8 ± 0.9 Hz"
    assert measured(-1.84, 0.9, "Hz", signed=True) == "−1.8 ± 0.9 Hz"
    assert measured(0.01, 0.9, "Hz", signed=True) == "0.0 ± 0.9 Hz"


@pytest.mark.parametrize(
    ("value", "shown"),
    [(2.31, "2.4 Hz"), (2.4, "2.4 Hz"), (24.1, "25 Hz"), (0.052, "0.052 Hz"), (241.0, "250 Hz")],
)
def test_a_limit_is_rounded_up(value, shown):
    assert limit(value, "Hz") == shown


@pytest.mark.parametrize("value", [nan, inf, 0.0, -3.0])
def test_a_limit_that_is_not_known_says_so(value):
    assert limit(value, "Hz") == "not known"


@pytest.mark.parametrize(
    ("value", "shown"),
    [(0.25, "0.25 mm"), (71.5, "71.5 mm"), (405.0, "405 mm"), (0.0, "0 mm"), (1060.0, "1060 mm")],
)
def test_a_noted_measure_keeps_its_digits(value, shown):
    assert plain(value, "mm") == shown


@pytest.mark.parametrize(
    ("cents", "shown"),
    [(6.8, "7 cents"), (-6.8, "7 cents"), (1.2, "1 cent"), (0.2, "under 1 cent"), (nan, "cents not known")],
)
def test_cents(cents, shown):
    assert about_cents(cents) == shown


def test_a_measure_is_tied_together():
    assert tied("up 1.8 ± 0.9 Hz now") == f"up 1.8{NO_BREAK}±{NO_BREAK}0.9{NO_BREAK}Hz now"
    assert tied("461.2 → 463.0 Hz") == f"461.2{NO_BREAK}→{NO_BREAK}463.0{NO_BREAK}Hz"
    assert tied("tap 3 stands") == "tap 3 stands"
