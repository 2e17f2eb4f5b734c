"""What else changed is named; nothing else is."""

from dataclasses import replace
from datetime import datetime, timedelta
from math import log2

import pytest

from resonance.changes.compare import compare
from resonance.changes.conditions import adjustment_reasons, air_shift_cents, between, changed_conditions
from resonance.modes.mode import StringReading
from resonance.sets.setup import Adjustment, Setup
from resonance.sets.tapset import Climate, Conditions

from .making import START, a_mode, a_set


def with_conditions(**values):
    return a_set("set", [a_mode(440.0)], conditions=Conditions(**values))


def with_climate(**values):
    return a_set("set", [a_mode(440.0)], climate=Climate(**values))


def told(before, after):
    return [(r.code, *r.values.values()) for r in changed_conditions(before, after)]


@pytest.mark.parametrize(
    ("field", "what"),
    [
        ("holding", "holding"),
        ("string_damping", "string damping"),
        ("tapper", "tapper"),
        ("microphone", "microphone"),
    ],
)
def test_words_that_differ(field, what):
    before, after = with_conditions(**{field: "one"}), with_conditions(**{field: "other"})
    assert told(before, after) == [("condition_changed", what, "one", "other")]
    assert told(before, with_conditions(**{field: " One"})) == []
    assert told(before, with_conditions()) == []


def test_checks_that_changed_or_failed():
    before = with_conditions(checks={"seams": True, "post": True, "at pitch": None})
    after = with_conditions(checks={"seams": False, "post": True, "at pitch": True})
    assert told(before, after) == [
        ("condition_changed", "seams", True, False),
        ("check_failed", "seams", "after"),
    ]


def test_temperature_says_where_the_air_alone_takes_a0():
    before, after = with_climate(temperature_c=20.0), with_climate(temperature_c=25.0)
    (reason,) = changed_conditions(before, after)
    assert (reason.code, reason.values["what"]) == ("condition_changed", "temperature")
    # Air: 2.95 cents a kelvin at 20 deg C (c as the root of absolute temperature, ISO 9613-1), walls .9.
    assert reason.values["expected_a0_cents"] == pytest.approx(0.9 * 2.95 * 5.0, rel=0.01)
    assert told(before, with_climate(temperature_c=22.0)) == []
    assert told(before, with_climate()) == []


def test_air_shift_is_that_of_the_speed_of_sound():
    # Speeds of sound at 20 and 25 deg C, ISO 9613-1: 343.200 and 346.114 m/s.
    before, after = with_climate(temperature_c=20.0), with_climate(temperature_c=25.0)
    expected, u = air_shift_cents(before, after)
    full = 1200.0 * log2(346.114 / 343.200)
    assert expected == pytest.approx(0.9 * full, abs=0.01)
    assert u == pytest.approx(0.1 * full, abs=0.01)
    assert air_shift_cents(before, with_climate()) == (0.0, 0.0)


def test_humidity_mass_and_pitch():
    assert told(with_climate(humidity_percent=50.0), with_climate(humidity_percent=44.0)) == [
        ("condition_changed", "humidity", 50.0, 44.0)
    ]
    assert told(with_climate(humidity_percent=50.0), with_climate(humidity_percent=46.0)) == []
    assert told(with_conditions(mass_g=70.0), with_conditions(mass_g=66.5)) == [
        ("condition_changed", "mass", 70.0, 66.5)
    ]
    tuned = [a_set("set", [a_mode(440.0)], setup=Setup(pitch_a4=pitch)) for pitch in (440.0, 415.0)]
    assert told(*tuned) == [("condition_changed", "pitch", 440.0, 415.0)]


def sets(hours=26.0, after=()):
    return a_set("set1", [a_mode(440.0)]), a_set("set2", [a_mode(440.0)], hours=hours, after=after)


def adjustment(name, hours=2.0, **more):
    return Adjustment(name, START + timedelta(hours=hours), **more)


def test_time_runs_from_the_last_adjustment():
    before, after = sets()
    done = (adjustment("adj1", 2.0), adjustment("adj2", 20.0))
    reasons = {r.code: r.values for r in adjustment_reasons(before, after, done)}
    assert dict(reasons["time_between"]) == {
        "hours": 6.0,
        "days": 0.25,
        "adjustment": "adj2",
        "set": "set2",
    }
    assert dict(reasons["several_adjustments"]) == {"n": 2}


def test_without_adjustment_time_runs_from_set_to_set():
    reasons = adjustment_reasons(*sets(), ())
    assert [(r.code, r.values["hours"]) for r in reasons] == [("time_between", 26.0)]
    assert "adjustment" not in reasons[0].values


def test_dates_against_the_order():
    (reason,) = adjustment_reasons(*sets(hours=1.0), (adjustment("adj1", 3.0),))
    assert (reason.code, reason.values["hours"]) == ("dates_disagree", 2.0)
    (reason,) = adjustment_reasons(*sets(hours=9.0), (adjustment("adj1", -4.0),))
    assert (reason.code, reason.values["hours"]) == ("dates_disagree", 4.0)  # the first set was taken at 0
    (reason,) = adjustment_reasons(*sets(hours=-5.0), (Adjustment("adj1"),))
    assert (reason.code, reason.values["hours"]) == ("dates_disagree", 5.0)


def test_naive_times_are_local_and_missing_ones_say_nothing():
    before, after = sets()
    naive = datetime(2025, 3, 3, 12, 0)
    reasons = adjustment_reasons(
        before, replace(after, taken=naive + timedelta(hours=3)), (Adjustment("a", naive),)
    )
    assert [r.values["hours"] for r in reasons] == [3.0]
    assert adjustment_reasons(before, replace(after, taken=None), (adjustment("a"),)) == ()


def test_adjustments_known_only_by_the_sets_are_counted():
    reasons = adjustment_reasons(*sets(after=("adj1", "adj2", "adj3")), ())
    assert ("several_adjustments", 3) in [(r.code, r.values.get("n")) for r in reasons]


def test_a_new_chapter_is_named():
    reasons = adjustment_reasons(*sets(), (adjustment("adj1", new_chapter=True),))
    assert [(r.code, r.values["adjustment"]) for r in reasons if r.code == "new_chapter"] == [
        ("new_chapter", "adj1")
    ]


def test_what_was_done_before_both_sets_does_not_lie_between():
    before = a_set("set1", [a_mode(440.0)], after=("adj1",))
    assert [a.id for a in between(before, (adjustment("adj1"), adjustment("adj2")))] == ["adj2"]


def strung(u=0.05, **off):
    """A set whose open strings were read, cents off their notes."""
    nominal = {"G3": 195.9977, "D4": 293.6648, "A4": 440.0, "E5": 659.2551}  # equal temperament, A4 = 440 Hz
    strings = tuple(
        StringReading(n, nominal[n], nominal[n] * 2.0 ** (c / 1200.0), u, 4.0, c) for n, c in off.items()
    )
    return a_set("set", [a_mode(f) for f in (275.0, 440.0)], strings=strings)


def test_a_string_tuned_otherwise_is_named():
    before, after = strung(G3=1.0, D4=-35.0), strung(G3=-2.0, D4=2.0)
    (reason,) = changed_conditions(before, after)
    assert reason.code == "string_pitch"
    assert dict(reason.values) == {
        "string": "D4", "before": pytest.approx(-35.0), "after": pytest.approx(2.0, abs=1e-6)
    }  # fmt: skip
    assert "string_pitch" in [r.code for r in compare(before, after).reasons]
    # 37 cents are 6.3 Hz at D4: no claim where the two readings are known to 3 Hz each
    assert changed_conditions(strung(u=3.0, D4=-35.0), strung(u=3.0, D4=2.0)) == ()


def test_strings_that_went_together_are_one_reason():
    before, after = strung(G3=-41.0, D4=-40.0, A4=-39.0), strung(G3=0.0, D4=0.0, A4=0.0)
    assert told(before, after) == [("strings_pitch", 3, pytest.approx(-40.0), pytest.approx(0.0, abs=1e-6))]


def test_a_damped_string_tells_nothing_but_when_it_was_far_off():
    assert changed_conditions(strung(), strung(D4=-60.0)) == ()  # damped before: nothing is known
    assert changed_conditions(strung(A4=0.0, D4=3.0), strung(A4=0.0)) == ()
    assert told(strung(A4=0.0, D4=-60.0), strung(A4=0.0)) == [("string_pitch", "D4", -60.0)]
