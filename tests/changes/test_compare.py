"""Comparison of two sets: verdicts, reasons, bounds; truth built in by hand."""

from dataclasses import replace
from datetime import timedelta
from math import isnan, log, nan

import numpy as np
import pytest
import scipy

from resonance.changes.compare import compare, least_detectable
from resonance.changes.comparison import Repeatability, Scatter
from resonance.changes.judge import detectable
from resonance.reasons import Reason
from resonance.report.words import reason_words
from resonance.sets.setup import Adjustment
from resonance.sets.tapset import Analysis, Climate, Conditions
from resonance.spectra.bands import BandLevel

from .making import FREQUENCIES, START, a_mode, a_set, a_take, levels_at, moved

KNOWN = Repeatability(Scatter(2.0, 40.0, "put back", "this job"), n_repeats=8)
HERE, THERE = a_take("bass corner", "near"), a_take("bass corner", "far")
POST = Adjustment("adj1", START + timedelta(hours=1), "soundpost")


def at(frequencies, **more):
    return tuple(a_mode(f, track=f"m{k}", **more) for k, f in enumerate(frequencies))


def shifted(cents):
    return [moved(f, c) for f, c in zip(FREQUENCIES, np.broadcast_to(cents, 10), strict=True)]


def compared(cents, *, repeatability=KNOWN, hours=2.0, before=None, after=None, **more):
    one = a_set("set1", at(FREQUENCIES), **(before or {}))
    two = a_set("set2", at(shifted(cents)), hours=hours, **(after or {}))
    return compare(one, two, repeatability=repeatability, **more)


def only(k, cents):
    return np.where(np.arange(10) == k, cents, 0.0)


def values(comparison, code):
    return next(dict(r.values) for r in comparison.reasons if r.code == code)


def codes(reasons):
    return [reason.code for reason in reasons]


def test_one_mode_moved_and_the_others_did_not():
    comparison = compared(only(4, 20.0))
    verdicts = [s.verdict for s in comparison.shifts]
    assert verdicts == ["moved" if k == 4 else "no change seen" for k in range(10)]
    shift = comparison.shifts[4]
    assert shift.track == "m4"
    assert shift.shift_cents == pytest.approx(20.0)
    assert shift.shift == pytest.approx(moved(550.0, 20.0) - 550.0)
    assert shift.interval_cents[0] < 20.0 < shift.interval_cents[1]
    assert (comparison.before, comparison.after) == ("set1", "set2")
    assert comparison.common_cents == pytest.approx(0.0, abs=1e-6)


def test_of_an_unsure_mode_no_move_is_claimed():
    one = a_set("set1", at(FREQUENCIES))
    modes = list(at(shifted(only(4, 20.0))))
    modes[4] = replace(modes[4], kind="unsure")
    shift = compare(one, a_set("set2", modes, hours=2.0), repeatability=KNOWN).shifts[4]
    assert shift.verdict == "ambiguous"
    assert shift.shift_cents == pytest.approx(20.0)
    assert dict(next(r for r in shift.reasons if r.code == "unsure_mode").values) == {"side": "after"}
    named = [replace(m, label="A1", labelled_by="maker") for m in modes]
    assert compare(one, a_set("set2", named, hours=2.0), repeatability=KNOWN).shifts[4].verdict == "moved"


def test_interval_and_uncertainty_in_closed_form():
    shift = compared(0.0).shifts[3]
    own = 1200.0 / log(2.0) * 0.3 / 465.0
    total = np.sqrt(2 * own**2 + 2 * 2.0**2)
    dof = total**4 / (2 * own**4 / 7.0 + (2 * 2.0**2) ** 2 / 40.0)
    half = shift.interval_cents[1]
    assert shift.interval_cents[0] == pytest.approx(-half)
    assert half == pytest.approx(scipy.stats.t.ppf(0.975, dof) * total, rel=1e-6)
    assert shift.shift_u == pytest.approx(total * 465.0 * log(2.0) / 1200.0)
    # Nothing called: the next call would be the first of ten.
    assert shift.least_detectable_cents == pytest.approx(detectable(total, dof, 0.10 / 10))


def test_readings_are_never_corrected_for_a_common_shift():
    comparison = compared(-80.0 + only(4, 25.0))
    assert comparison.common_cents == pytest.approx(-80.0, abs=0.1)
    assert [s.shift_cents for s in comparison.shifts] == pytest.approx(list(-80.0 + only(4, 25.0)))
    assert values(comparison, "common_shift")["cents"] == pytest.approx(-80.0, abs=0.1)
    assert comparison.shifts[0].before.frequency == FREQUENCIES[0]


def test_with_assumed_scatter_each_verdict_says_so():
    comparison = compared(only(4, 70.0), repeatability=None)
    assert [s.verdict for s in comparison.shifts].count("moved") == 1
    for shift in comparison.shifts:
        reason = shift.reasons[0]
        assert (reason.code, reason.values["scatter_cents"]) == ("repeatability_assumed", 7.0)
        assert shift.repeatability.source == "assumed"
    assert not codes(compared(0.0).shifts[0].reasons)


def test_post_work_is_not_judged_by_put_back_scatter():
    fitting = compared(only(4, 20.0), adjustments=(replace(POST, part="fitting"),))
    post = compared(only(4, 20.0), adjustments=(POST,))
    assert fitting.shifts[4].verdict == "moved"
    assert post.shifts[4].verdict == "no change seen"
    assert dict(post.shifts[4].reasons[0].values)["kind"] == "slackened and retuned"
    retuned = replace(KNOWN, kinds=(Scatter(4.0, 40.0, "slackened and retuned", "this job"),))
    assert compared(only(4, 40.0), adjustments=(POST,), repeatability=retuned).shifts[4].verdict == "moved"


def test_few_repeats_are_said():
    one = replace(KNOWN, n_repeats=1)
    assert codes(compared(0.0, repeatability=one).shifts[0].reasons) == ["few_repeats"]


def test_methods_are_not_mixed():
    with pytest.raises(ValueError, match="methods 1 and 2; analyse both again by one method"):
        compared(0.0, after={"method": 2})


def test_a_share_of_false_calls_that_is_none_is_refused():
    with pytest.raises(ValueError, match="between 0 and 1"):
        compared(0.0, false_discovery=5.0)


def test_a_null_verdict_carries_its_bounds():
    comparison = compared(0.0, before={"reach": 2100.0}, after={"band": (80.0, 1150.0), "reach": 1900.0})
    bounds = values(comparison, "bounds")
    assert (bounds["low"], bounds["high"], bounds["reach"], bounds["n_judged"]) == (80.0, 1150.0, 1900.0, 10)
    least = [s.least_detectable_cents for s in comparison.shifts]
    assert bounds["least_cents"] == pytest.approx(min(least))
    assert bounds["most_cents"] == pytest.approx(max(least))
    assert "bounds" not in codes(compared(only(4, 30.0)).reasons)


def test_bounds_leave_out_what_is_not_known():
    unknown = {"band": (nan, nan), "reach": nan}
    bounds = values(compared(0.0, before=unknown, after=unknown), "bounds")
    assert set(bounds) == {"least_cents", "most_cents", "n_judged"}


def test_modes_that_one_set_shows_alone():
    one = a_set("set1", at(FREQUENCIES[:-1]))
    two = a_set("set2", [a_mode(f) for f in FREQUENCIES if f != 400.0])
    comparison = compare(one, two, repeatability=KNOWN)
    verdicts = {(s.before or s.after).frequency: s.verdict for s in comparison.shifts}
    assert verdicts[400.0] == "not found"
    assert verdicts[1120.0] == "appeared"
    frequencies = [(s.before or s.after).frequency for s in comparison.shifts]
    assert frequencies == sorted(frequencies)
    gone = next(s for s in comparison.shifts if s.verdict == "not found")
    assert gone.after is None
    assert isnan(gone.shift_cents)


def test_strings_and_hum_are_left_out_of_the_shifts():
    extra = (a_mode(196.0, kind="string", damping=4e-4), a_mode(100.0, kind="hum", damping=1e-5))
    one = a_set("set1", (*at(FREQUENCIES), *extra))
    two = a_set("set2", (*at(FREQUENCIES), a_mode(190.0, kind="string", damping=4e-4)))
    assert {s.track for s in compare(one, two, repeatability=KNOWN).shifts} == {f"m{k}" for k in range(10)}


def test_an_ambiguous_pair_gets_no_verdict_and_does_not_count():
    one = a_set("set1", (*at(FREQUENCIES[:4]), a_mode(560.0), a_mode(575.0)))
    two = a_set("set2", (*at(FREQUENCIES[:4]), a_mode(568.0)))
    comparison = compare(one, two, repeatability=KNOWN)
    doubtful = [s for s in comparison.shifts if s.verdict == "ambiguous"]
    assert len(doubtful) == 2
    assert all("pair_ambiguous" in codes(s.reasons) for s in doubtful)
    assert values(comparison, "bounds")["n_judged"] == 4


def test_a_reading_without_uncertainty_cannot_be_judged():
    one = a_set("set1", (a_mode(450.0, u=nan), a_mode(640.0)))
    two = a_set("set2", (a_mode(480.0, u=nan), a_mode(640.0)))
    shift = compare(one, two, repeatability=KNOWN).shifts[0]
    assert shift.verdict == "ambiguous"
    assert shift.shift == pytest.approx(30.0)
    assert isnan(shift.interval_cents[0])
    assert {r.code: dict(r.values) for r in shift.reasons}["no_uncertainty"] == {"side": "both"}


def test_a_set_without_modes():
    comparison = compare(a_set("set1", at(FREQUENCIES)), a_set("set2", ()), repeatability=KNOWN)
    assert {s.verdict for s in comparison.shifts} == {"ambiguous"}
    assert compare(a_set("set1", ()), a_set("set2", ())).shifts == ()


def test_another_microphone_place_widens_every_interval():
    same, other = compared(0.0), compared(0.0, before={"takes": (HERE,)}, after={"takes": (THERE,)})
    for shift, wide in zip(same.shifts, other.shifts, strict=True):
        room = 1200.0 / log(2.0) * 2.5 / shift.before.frequency
        extra = wide.shift_u**2 - shift.shift_u**2
        assert extra == pytest.approx((room * shift.before.frequency * log(2.0) / 1200.0) ** 2, rel=1e-6)
        assert "place_differs" in codes(wide.reasons)
    assert values(other, "place_differs")["what"] == "microphone place"


def test_places_not_noted_are_said():
    unnamed = {"takes": (a_take("", ""),)}
    comparison = compared(0.0, before=unnamed, after=unnamed)
    assert codes(comparison.reasons).count("place_not_noted") == 2
    assert comparison.shifts[0].shift_u == pytest.approx(compared(0.0).shifts[0].shift_u)


def test_a0_is_judged_against_what_the_air_does():
    # Ten kelvin warmer: 0.9 x 2.95 x 10 = 26 cents on A0 from the air alone.
    air = {"climate": Climate(temperature_c=15.0)}, {"climate": Climate(temperature_c=25.0)}
    one = a_set("set1", [a_mode(275.0, label="A0", kind="air"), *at(FREQUENCIES[1:])], **air[0])
    two = a_set("set2", [a_mode(moved(275.0, 26.5), label="A0", kind="air"), *at(FREQUENCIES[1:])], **air[1])
    shift = compare(one, two, repeatability=KNOWN).shifts[0]
    assert shift.verdict == "no change seen"
    assert shift.shift_cents == pytest.approx(26.5)  # as read, not corrected
    assert shift.interval_cents[0] > 0.0
    reason = next(r for r in shift.reasons if r.code == "air_temperature")
    assert reason.values["expected_cents"] == pytest.approx(26.5, abs=0.5)
    unknown = compare(replace(one, climate=Climate()), two, repeatability=KNOWN).shifts[0]
    assert unknown.verdict == "moved"
    wood = compare(
        replace(one, modes=at(FREQUENCIES)),
        replace(two, modes=at(shifted(only(0, 26.5)))),
        repeatability=KNOWN,
    )
    assert wood.shifts[0].verdict == "moved"


def test_changed_conditions_stand_beside_the_verdicts():
    comparison = compared(
        0.0,
        before={"conditions": Conditions(holding="cradle", checks={"seams": True})},
        after={"conditions": Conditions(holding="lap", checks={"seams": False})},
    )
    changed = [dict(r.values)["what"] for r in comparison.reasons if r.code == "condition_changed"]
    assert changed == ["holding", "seams"]
    assert values(comparison, "check_failed") == {"what": "seams", "side": "after"}


def test_several_adjustments_and_time_are_named():
    two = (POST, replace(POST, id="adj2", made=START + timedelta(hours=2), part="bridge", new_chapter=True))
    comparison = compared(0.0, adjustments=two, hours=50.0)
    assert values(comparison, "several_adjustments") == {"n": 2}
    assert values(comparison, "new_chapter") == {"adjustment": "adj2"}
    assert values(comparison, "time_between")["hours"] == 48.0


def test_what_the_caller_knows_is_passed_on():
    given = compared(0.0, reasons=(Reason("order_not_confirmed"),))
    assert codes(given.reasons)[0] == "order_not_confirmed"


@pytest.mark.parametrize(("cents", "first"), [(-25.0, True), (25.0, False), (-2.0, False), (0.0, False)])
def test_many_falls_together_call_for_checks_first(cents, first):
    comparison = compared(cents)
    assert ("checks_first" in codes(comparison.reasons[:1])) == first
    if first:
        assert values(comparison, "checks_first") == {"fallen": 10, "of": 10, "broadened": 0}


@pytest.mark.parametrize(("cents", "first"), [(-7.0, False), (-13.0, True)])
def test_small_falls_together_do_not_call_for_checks_however_certain(cents, first):
    exact = Repeatability(Scatter(0.5, 40.0, "put back", "this job"), n_repeats=8)
    comparison = compared(cents, repeatability=exact)
    assert sum(s.verdict == "moved" for s in comparison.shifts) >= 6
    assert ("checks_first" in codes(comparison.reasons)) == first


@pytest.mark.parametrize(("n_fallen", "first"), [(5, False), (7, True)])
def test_it_takes_most_of_them_to_call_for_checks(n_fallen, first):
    # The others rest below the common shift that many falls make, but do not fall by what they could.
    fall = np.where(np.arange(10) < n_fallen, -30.0, -11.0)
    rough = Repeatability(Scatter(9.0, 40.0, "put back", "this job"), n_repeats=8)
    comparison = compared(fall, repeatability=rough)
    assert comparison.common_cents < -10.0
    assert ("checks_first" in codes(comparison.reasons)) == first


def test_one_fall_among_many_does_not_call_for_checks():
    assert "checks_first" not in codes(compared(only(3, -40.0)).reasons)


def test_a_free_plate_is_not_told_of_bar_and_post():
    plate = compared(-25.0, before={"analysis": Analysis(method=1, settings={"piece": "top"})})
    assert values(plate, "checks_first")["what"] == "plate"
    said = reason_words(next(r for r in plate.reasons if r.code == "checks_first"))
    assert "same places" in said
    assert "post" not in said
    assert "post" in reason_words(next(r for r in compared(-25.0).reasons if r.code == "checks_first"))


def test_broad_damping_calls_for_checks_first():
    one = a_set("set1", at(FREQUENCIES))
    broad = [replace(m, damping=m.damping * (1.6 if k < 6 else 1.0)) for k, m in enumerate(one.modes)]
    comparison = compare(one, a_set("set2", broad), repeatability=KNOWN)
    assert values(comparison, "checks_first") == {"fallen": 0, "of": 10, "broadened": 6}


@pytest.mark.parametrize(("n_broader", "first"), [(4, True), (0, False)])
def test_falling_and_damping_more_calls_for_checks_though_neither_alone_would(n_broader, first):
    # ln 1.3 is 1.8 times its uncertainty of .148 (two put-backs of 10 %, two readings of 3 %): no single mode
    # broadened beyond doubt, four together did by 3.5
    one = a_set("set1", at(FREQUENCIES))
    fall = np.where(np.arange(10) < 4, -30.0, 0.0)
    modes = [
        replace(
            m,
            frequency=m.frequency * 2.0 ** (c / 1200.0),
            damping=m.damping * (1.3 if k < n_broader else 1.0),
        )
        for k, (m, c) in enumerate(zip(one.modes, fall, strict=True))
    ]
    comparison = compare(one, a_set("set2", modes), repeatability=KNOWN)
    assert ("checks_first" in codes(comparison.reasons)) == first
    if first:
        assert values(comparison, "checks_first") == {"fallen": 4, "of": 10, "broadened": 0, "what": "damped"}


def test_damping_change_carries_putting_back():
    one = a_set("set1", [a_mode(450.0, damping=0.010, damping_u=0.0006), a_mode(640.0)])
    two = a_set("set2", [a_mode(450.0, damping=0.012, damping_u=0.0006), a_mode(640.0)])
    shift = compare(one, two, repeatability=KNOWN).shifts[0]
    assert shift.damping_change == pytest.approx(0.002)
    assert shift.damping_change_u == pytest.approx(np.sqrt(2 * 0.0006**2 + 0.001**2 + 0.0012**2))


def test_level_changes_where_the_places_allow():
    low = [a_mode(450.0, levels=levels_at((-6.0,))), a_mode(700.0, levels=levels_at((-6.0,)))]
    high = [a_mode(450.0, levels=levels_at((-3.0,))), a_mode(700.0, levels=levels_at((-9.0,)))]
    comparison = compare(a_set("set1", low), a_set("set2", high), repeatability=KNOWN)
    assert comparison.shifts[0].level_change_db == pytest.approx(3.0)
    assert isnan(comparison.shifts[1].level_change_db)
    assert values(comparison, "level_scatter_assumed") == {"scatter_db": 1.5}
    assert "level_scatter_assumed" not in codes(compared(0.0).reasons)


def test_bands_are_compared():
    def bands(db):
        return tuple(BandLevel(2000.0, 2500.0, "bass corner", m, db, 0.3) for m in ("near", "far"))

    comparison = compared(0.0, before={"bands": bands(-10.0)}, after={"bands": bands(3.0)})
    assert [(b.verdict, round(b.change_db, 6)) for b in comparison.bands] == [("moved", 13.0)]


def test_a_close_call_is_marked():
    # One mode judged at 10 %, its interval at 95 %: at p = .075 the interval holds zero.
    shift = scipy.stats.t.isf(0.5 * 0.075, 200.0) * np.sqrt(2.0) * 2.0
    modes = [a_mode(450.0, dof=1e6, u=1e-6), a_mode(moved(450.0, shift), dof=1e6, u=1e-6)]
    yard = Repeatability(Scatter(2.0, 200.0, "put back", "this job"), n_repeats=50)
    (shift,) = compare(a_set("a", modes[:1]), a_set("b", modes[1:]), repeatability=yard).shifts
    assert shift.verdict == "moved"
    assert shift.interval_cents[0] < 0.0
    assert codes(shift.reasons) == ["close_call"]


def test_the_makers_name_goes_before_a_guess():
    one = a_set("a", [a_mode(450.0, label="B1-", labelled_by="maker")])
    two = a_set("b", [a_mode(451.0, label="A1", labelled_by="program")])
    assert compare(one, two, repeatability=KNOWN).shifts[0].label == "B1-"
    assert compare(two, one, repeatability=KNOWN).shifts[0].label == "B1-"


def test_repeats_of_one_day_are_said_when_sets_lie_further_apart():
    one_day = replace(KNOWN, reasons=(Reason("repeats_of_one_day", {"hours": 1.0}),))
    assert "day_to_day_not_known" in codes(compared(0.0, repeatability=one_day, hours=30.0).reasons)
    assert "day_to_day_not_known" not in codes(compared(0.0, repeatability=one_day, hours=3.0).reasons)


def test_least_detectable_beforehand():
    # Closed form with s = 3, u = 1.5 cents, many degrees of freedom, one mode at 5 %:
    # (1.960 + 0.842) sqrt(2 (1.5^2 + 3^2)) = 13.3 cents for one set-up a side, 9.4 for two.
    hertz = 1.5 * 450.0 * log(2.0) / 1200.0
    mode = a_mode(450.0, u=hertz, dof=1e9)
    yard = Repeatability(Scatter(3.0, 1e9, "put back", "this shop"))
    one = least_detectable([mode], yard, false_discovery=0.05)
    assert one == pytest.approx([2.8016 * np.sqrt(2 * (1.5**2 + 9.0))], rel=1e-3)
    two = least_detectable([mode], yard, 2, 2, false_discovery=0.05)
    assert two == pytest.approx(one / np.sqrt(2.0), rel=1e-3)
    uneven = least_detectable([mode], yard, 1, 4, false_discovery=0.05)
    assert uneven == pytest.approx(one * np.sqrt(5.0 / 8.0), rel=1e-3)


def test_least_detectable_knows_what_is_not_judged_and_what_the_work_is():
    modes = [a_mode(450.0), a_mode(440.0, kind="string"), a_mode(640.0, u=nan)]
    found = least_detectable(modes, KNOWN)
    assert np.isfinite(found).tolist() == [True, False, False]
    assert least_detectable(modes, KNOWN, kind="slackened and retuned")[0] > 2.0 * found[0]
    assert least_detectable([]).size == 0
    with pytest.raises(ValueError, match="at least one"):
        least_detectable(modes, KNOWN, 0, 1)


def test_beforehand_and_afterwards_say_the_same():
    modes = at(FREQUENCIES)
    after = compare(a_set("a", modes), a_set("b", modes), repeatability=KNOWN)
    said = least_detectable(modes, KNOWN)
    assert said == pytest.approx([s.least_detectable_cents for s in after.shifts])


@pytest.mark.parametrize(("p", "reasons"), [(0.03, ["one_of_many"]), (0.08, [])])
def test_an_interval_without_zero_beside_no_change_is_explained(p, reasons):
    # Among ten modes a single call needs p <= .10 / 10 = .01 (Benjamini and Hochberg): p = .03 is not called
    # although its own 95 % interval leaves zero out; at p = .08 it holds zero and nothing needs saying.
    shift = scipy.stats.t.isf(0.5 * p, 200.0) * np.sqrt(2.0) * 2.0
    yard = Repeatability(Scatter(2.0, 200.0, "put back", "this job"), n_repeats=50)
    cents = np.where(np.arange(10) == 4, shift, 0.0)
    before = a_set("a", at(FREQUENCIES, dof=1e6, u=1e-6))
    after = a_set("b", at(shifted(cents), dof=1e6, u=1e-6))
    found = compare(before, after, repeatability=yard).shifts[4]
    assert found.verdict == "no change seen"
    assert (found.interval_cents[0] > 0.0) == bool(reasons)
    assert codes(found.reasons) == reasons


def test_backwards_the_same_work_is_judged_and_no_date_is_called_wrong():
    before = a_set("set1", at(FREQUENCIES))
    after = a_set("set2", at(shifted(-30.0)), hours=5.0, after=("adj1",))
    forth = compare(before, after, adjustments=[POST])
    back = compare(after, before, adjustments=[POST], backwards=True)
    assert [round(s.shift_cents, 6) for s in back.shifts] == [-round(s.shift_cents, 6) for s in forth.shifts]
    kinds = {values(each, "time_between")["adjustment"] for each in (forth, back)}
    assert kinds == {"adj1"}
    for each in (forth, back):
        assert "dates_disagree" not in codes(each.reasons)
        assert "checks_first" in codes(each.reasons)  # all fell, in the order in which it happened
        assumed = [r for s in each.shifts for r in s.reasons if r.code == "repeatability_assumed"]
        assert {r.values["kind"] for r in assumed} == {"slackened and retuned"}
    assert values(back, "against_order") == {"before": "set2", "after": "set1"}
    assert "against_order" not in codes(forth.reasons)
