"""What the maker noted, in words, and nothing that is not noted."""

from math import nan

import pytest

from resonance.report.facts import (
    adjustment_words,
    checks_words,
    climate_words,
    conditions_words,
    instrument_facts,
    setup_facts,
    shortened,
    taps_words,
)
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Adjustment, Fittings, Post, Setup, String
from resonance.sets.tapset import Climate, Conditions


@pytest.mark.parametrize(
    ("adjustment", "words"),
    [
        (Adjustment("a", part="soundpost", along_mm=0.25), "Soundpost 0.25 mm away from the bridge"),
        (Adjustment("a", part="soundpost", along_mm=-0.5), "Soundpost 0.5 mm towards the bridge"),
        (Adjustment("a", part="soundpost", across_mm=0.3, end="top"), "Soundpost 0.3 mm in at the top end"),
        (
            Adjustment("a", part="soundpost", along_mm=0.25, across_mm=-0.1, note="tighter"),
            "Soundpost 0.25 mm away from the bridge and 0.1 mm out: tighter",
        ),
        (Adjustment("a", part="bridge", note="waist\n thinned"), "Bridge: waist thinned"),
        (Adjustment("a", part="tail"), "Tailpiece and cord adjusted"),
        (Adjustment("a", part="soundpost", along_mm=0.0), "Soundpost adjusted"),
    ],
)
def test_adjustments_in_the_makers_words(adjustment, words):
    assert adjustment_words(adjustment) == words


def test_a_long_adjustment_loses_its_note_first():
    adjustment = Adjustment("a", part="soundpost", along_mm=0.25, note="a very long remark about it")
    assert adjustment_words(adjustment, longest=45) == "Soundpost 0.25 mm away from the bridge"
    assert len(adjustment_words(adjustment, longest=20)) <= 20
    assert shortened("one two three four", 12) == "one two…"
    assert shortened("one", 12) == "one"


def test_only_what_is_noted_is_told():
    assert setup_facts(Setup()) == ()
    assert climate_words(Climate()) == conditions_words(Conditions()) == checks_words(Conditions()) == ""
    assert instrument_facts(Instrument("No. 7")) == (("Instrument", "violin"),)


def test_setup_in_words():
    facts = dict(
        setup_facts(
            Setup(
                post=Post(2.5, nan),
                strings=(String("C3", gauge_note="tungsten"), String("A4")),
                fittings=Fittings(mute_parked=True),
                stage="bar in",
            )
        )
    )
    assert facts == {
        "Stage": "bar in",
        "Soundpost": "2.5 mm behind the bridge foot (read to about 0.2 mm)",
        "Strings": "C3 (tungsten); A4",
        "Fittings": "mute parked on the strings",
    }


def test_the_owner_is_told_only_when_asked():
    instrument = Instrument("No. 7", owner="Mr Private", notes="owes me")
    assert "Mr Private" not in str(instrument_facts(instrument))
    assert "Mr Private" in str(instrument_facts(instrument, owner=True))


def test_checks_out_of_order_come_first():
    checks = {"seams": False, "post": True, "at pitch": None}
    words = checks_words(Conditions(checks=checks))
    assert words == "not in order: seams; in order: post; not checked: bridge upright and at pitch"


def test_air_and_taps(job):
    assert climate_words(Climate(21.5, 45.0, 2.0)) == "21.5 °C, 45 % humidity, 2 h in the room"
    assert taps_words(job.sets[0]) == "8 taps used, 1 refused"
    assert taps_words(job.sets[2]) == "8 taps used"
