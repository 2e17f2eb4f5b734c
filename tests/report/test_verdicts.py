"""Sentences of a comparison: wording, hertz first, bounds with every null verdict, assumed scatter named."""

from dataclasses import replace
from math import nan

import numpy as np
import pytest

from resonance.changes.comparison import BandChange, Comparison, ModeShift, Scatter
from resonance.modes.mode import Mode
from resonance.reasons import Reason
from resonance.report.verdicts import (
    band_verdict,
    band_words,
    bound_words,
    change_cells,
    checks_words_first,
    comparison_headline,
    comparison_lines,
    comparison_reasons,
    frequencies_words,
    least_detectable,
    mode_words,
    null_words,
    scatter_assumed,
    shift_cells,
    shift_half_width,
    shift_label,
    shift_reasons,
    shift_sentence,
    shift_verdict,
)


def lower(frequency, **more):
    values = {"frequency_u": 0.2, "frequency_dof": 7.0, "label": "B1-", "labelled_by": "maker", **more}
    return Mode(frequency, 0.012, **values)


def a_shift(verdict="moved", *, source="this job", half_cents=3.38, **more):
    """B1- from 461.2 to 463.0 Hz: 1200 lg2(463.0 / 461.2) = 6.74 cents; 3.38 cents there are 0.90 Hz."""
    values = {
        "track": "m1",
        "label": "B1-",
        "before": lower(461.2),
        "after": lower(463.0),
        "shift": 1.8,
        "shift_u": 0.3,
        "shift_cents": 6.74,
        "interval_cents": (6.74 - half_cents, 6.74 + half_cents),
        "verdict": verdict,
        "repeatability": Scatter(7.0, 4.0, "put back", source),
        "least_detectable_cents": 8.9,
        **more,
    }
    return ModeShift(**values)


def test_a_moved_mode_hertz_first():
    assert shift_sentence(a_shift()) == "B1− 461.2 → 463.0 Hz: up 1.8 ± 0.9 Hz (about 7 cents): moved."


def test_down():
    fallen = a_shift(before=lower(463.0), after=lower(461.2), shift=-1.8, shift_cents=-6.74)
    fallen = replace(fallen, interval_cents=(-10.1, -3.4))
    assert "463.0 → 461.2 Hz: down 1.8 ± 0.9 Hz (about 7 cents): moved." in shift_sentence(fallen)


def test_assumed_scatter_never_says_moved():
    shift = a_shift(source="assumed")
    said = shift_sentence(shift)
    assert said == (
        "B1− 461.2 → 463.0 Hz: differs by +1.8 ± 0.9 Hz (about 7 cents), "
        "more than the assumed put-back scatter of about 7 cents would explain."
    )
    assert scatter_assumed(shift)
    assert shift_verdict(shift) == "differs"
    assert "moved" not in " ".join(comparison_lines(Comparison((shift,))))


def test_scatter_is_assumed_by_the_reason_too():
    assert scatter_assumed(a_shift(repeatability=None, reasons=(Reason("repeatability_assumed"),)))
    assert not scatter_assumed(a_shift(repeatability=None))


def test_no_change_carries_its_bound():
    said = shift_sentence(a_shift("no change seen"))
    # 8.9 cents at 461.2 Hz are 461.2 (2^(8.9/1200) - 1) = 2.377 Hz, rounded up
    assert said.endswith("no change seen (+1.8 ± 0.9 Hz). A shift under 2.4 Hz could have gone unseen.")
    assert least_detectable(a_shift()) == pytest.approx(2.377, abs=0.001)


def test_an_unknown_bound_says_so():
    assert "not known" in bound_words(a_shift("no change seen", least_detectable_cents=nan))


@pytest.mark.parametrize(
    ("verdict", "sides", "words"),
    [
        ("appeared", (None, lower(463.0)), "463.0 ± 0.5 Hz after: appeared; not seen before."),
        ("not found", (lower(461.2), None), "461.2 ± 0.5 Hz before: not found after."),
        ("not reached", (lower(461.2), None), "before: not reached after;"),
        ("not reached", (None, lower(463.0)), "after: not reached before;"),
        ("ambiguous", (lower(461.2), None), "before: cannot tell whether it is gone."),
        ("ambiguous", (None, lower(463.0)), "after: cannot tell whether it is new."),
        ("ambiguous", (lower(461.2), lower(463.0)), "461.2 → 463.0 Hz: cannot tell whether it moved."),
        ("gone_sailing", (lower(461.2), lower(463.0)), "461.2 → 463.0 Hz: gone sailing."),
    ],
)
def test_other_verdicts(verdict, sides, words):
    before, after = sides
    assert words in shift_sentence(a_shift(verdict, before=before, after=after))


def test_an_uncertain_pair():
    said = shift_sentence(a_shift("ambiguous", reasons=(Reason("pair_ambiguous"),)))
    assert said.endswith("cannot tell which resonance is which.")


def test_guessed_names():
    guess = {"label": "B1-", "labelled_by": "program"}
    shift = a_shift(before=lower(461.2, **guess), after=lower(463.0, **guess))
    assert shift_label(shift) == "B1−?"
    assert shift_label(shift, guesses=False) == ""
    assert shift_sentence(shift, guesses=False).startswith("461.2 →")
    named = a_shift(before=lower(461.2), after=lower(463.0, **guess))
    assert shift_label(named, guesses=False) == "B1−"


def test_half_width_of_a_shift_takes_the_put_back_scatter_in():
    # ends of the interval at 461.2 Hz: 461.2 (2^(10.12/1200) - 1) = 2.704, less 1.8
    assert shift_half_width(a_shift()) == pytest.approx(0.904, abs=0.002)
    alone = a_shift(interval_cents=(nan, nan))
    assert shift_half_width(alone) == pytest.approx(1.96 * 0.3, rel=1e-3)
    assert np.isnan(shift_half_width(a_shift(interval_cents=(nan, nan), shift_u=nan)))


def test_a_shift_without_uncertainty_says_so():
    shift = a_shift(interval_cents=(nan, nan), shift_u=nan)
    assert "up 1.8 Hz, ± not known" in shift_sentence(shift)
    assert shift_cells(shift) == ("+1.8, ± not known", "+7")
    assert shift_cells(a_shift(shift=nan)) == ("", "")


def test_before_and_after_end_where_the_readings_are_known():
    assert frequencies_words(a_shift()) == "461.2 → 463.0 Hz"
    assert frequencies_words(a_shift(half_cents=40.0)) == "461.2 → 463.0 Hz"
    sharp = {"before": lower(461.234, frequency_u=0.02), "after": lower(463.012, frequency_u=0.02)}
    assert frequencies_words(a_shift(**sharp)) == "461.2 → 463.0 Hz"
    assert frequencies_words(a_shift(**sharp, half_cents=0.5)) == "461.23 → 463.01 Hz"
    blunt = {"before": lower(461.234, frequency_u=4.0), "after": lower(463.012)}
    assert frequencies_words(a_shift(**blunt)) == "461 → 463 Hz"


def test_a_null_comparison_carries_band_and_bounds():
    shifts = (a_shift("no change seen"), a_shift("no change seen", least_detectable_cents=15.8))
    bounds = Reason("bounds", {"low": 60.0, "high": 1200.0})
    comparison = Comparison(shifts, reasons=(bounds,))
    assert comparison_headline(comparison) == "No change seen."
    assert null_words(comparison) == (
        "A shift under 2.4 to 4.3 Hz, depending on the resonance, could have gone unseen. "
        "None found in the resonance frequencies from 60 to 1200 Hz; the sound may still differ."
    )
    assert null_words(Comparison(shifts[:1]), (60.0, 900.0)).startswith(
        "A shift under 2.4 Hz could have gone unseen. None"
    )
    short = Comparison(shifts, reasons=(Reason("bounds", {"low": 60.0, "high": 1200.0, "reach": 640.0}),))
    assert "from 60 to 640 Hz, as far as the blows reach;" in null_words(short)


def test_part_of_a_comparison_without_change_is_bounded_too():
    comparison = Comparison((a_shift(), a_shift("no change seen")))
    assert null_words(comparison) == (
        "A shift under 2.4 Hz could have gone unseen. Where no change was seen, the sound may still differ."
    )
    assert null_words(Comparison((a_shift(),))) == ""


def test_headlines():
    assert (
        comparison_headline(Comparison((a_shift(), a_shift("no change seen")))) == "1 of 2 resonances moved."
    )
    assumed = Comparison((a_shift(source="assumed"),))
    assert comparison_headline(assumed) == (
        "1 of 1 resonance differs by more than the assumed put-back scatter would explain."
    )
    assert comparison_headline(Comparison(())).startswith("Nothing to compare")
    lost = Comparison((a_shift("not found", after=None),))
    assert comparison_headline(lost) == "No shift seen in what could be paired; 1 not found."
    many = Comparison((a_shift(), a_shift("appeared", before=None), a_shift("ambiguous"), *lost.shifts))
    assert (
        comparison_headline(many) == "1 of 2 resonances moved; 1 appeared, 1 not found and 1 cannot be told."
    )


def test_checks_come_first():
    reason = Reason("checks_first", {"fallen": 9, "of": 11, "broadened": 4})
    comparison = Comparison((a_shift(),), reasons=(Reason("order_not_confirmed"), reason))
    lines = comparison_lines(comparison)
    assert lines[0].startswith(
        "9 of 11 resonances fell and 4 broadened: check seams, cracks, bar and post first."
    )
    assert lines[0] == checks_words_first(comparison)
    assert not any("check seams" in line for line in lines[1:])


def test_what_limits_all_alike_is_said_once():
    both = (Reason("few_repeats", {"n": 2, "scatter_cents": 5.0}), Reason("close_call"))
    shifts = (a_shift(reasons=both), a_shift(reasons=both[:1]))
    comparison = Comparison(shifts)
    said = " ".join(comparison_lines(comparison))
    assert said.count("few repeat tap sets") == 1
    assert said.count("close call") == 1
    assert shift_reasons(shifts[0]) == comparison_reasons(comparison) + shift_reasons(
        a_shift(reasons=both[1:])
    )


def test_assumed_scatter_is_named_once():
    reason = Reason("repeatability_assumed", {"scatter_cents": 7.0, "kind": "put back"})
    shifts = (a_shift("no change seen", reasons=(reason,)),) * 3
    said = comparison_reasons(Comparison(shifts))
    assert said == (
        "Put-back scatter of about 7 cents assumed, not measured; repeat tap sets (put back) would show the "
        "true one.",
    )


def test_bands():
    assert band_words(BandChange(1000.0, 1260.0)) == "1000 to 1260 Hz"
    assert band_words(BandChange(1000.0)) == "from 1000 Hz"
    assert band_verdict(BandChange(1000.0, 1260.0, 2.0, 0.3, "moved")) == "changed"
    assert band_verdict(BandChange(1000.0)) == "not comparable"
    assert change_cells(1.4, 0.3) == "+1.4 ± 0.6"
    assert change_cells(nan, 0.3) == ""


def test_a_mode_is_named_with_its_uncertainty():
    assert mode_words(lower(461.8)) == "B1− 461.8 ± 0.5 Hz"
    assert mode_words(Mode(461.8, 0.01)) == "461.8 Hz, ± not known"
