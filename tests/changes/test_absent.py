"""A mode seen once: when it may be called gone or new, and when not."""

from dataclasses import replace
from math import nan

import pytest

from resonance.changes.absent import absent_verdict
from resonance.changes.pair import Alone
from resonance.modes.mode import Level

from .making import a_mode, a_set, a_take

OTHERS = (a_mode(275.0), a_mode(640.0))


def judge(mode, *, side="after", alone=None, seen_in=None, modes=OTHERS, **more):
    seen_in = seen_in or a_set("one", [mode])
    other = a_set("other", modes, **more)
    verdict, reasons = absent_verdict(
        mode, alone or Alone(0), seen_in=seen_in, other=other, other_modes=tuple(modes), side=side
    )
    return verdict, [reason.code for reason in reasons]


def test_a_strong_mode_in_reach_is_called():
    assert judge(a_mode(450.0)) == ("not found", [])
    assert judge(a_mode(450.0), side="before") == ("appeared", [])


def test_beyond_the_blows_reach_or_the_band_nothing_is_claimed():
    assert judge(a_mode(900.0), reach=800.0) == ("not reached", ["not_reached"])
    assert judge(a_mode(900.0), band=(60.0, 800.0)) == ("not reached", ["outside_band"])
    assert judge(a_mode(50.0), band=(60.0, 800.0)) == ("not reached", ["outside_band"])
    assert judge(a_mode(900.0), reach=nan, band=(nan, nan)) == ("not found", [])


def test_a_weak_mode_is_not_called_gone():
    assert judge(a_mode(450.0, snr_db=12.0)) == ("ambiguous", ["too_weak"])
    assert judge(a_mode(450.0, snr_db=16.0)) == ("not found", [])


@pytest.mark.parametrize(("noise_db", "verdict"), [(35.0, "not found"), (20.0, "ambiguous")])
def test_a_noisier_room_hides_more(noise_db, verdict):
    mode = a_mode(450.0, snr_db=22.0)
    seen_in = a_set("one", [mode])
    analysis = replace(seen_in.analysis, noise_db=noise_db)
    assert judge(mode, seen_in=seen_in, analysis=analysis)[0] == verdict


def test_a_mode_far_below_the_others_is_not_called_gone():
    faint = a_mode(450.0, levels=(Level("bass corner", "near", -31.0),))
    assert judge(faint) == ("ambiguous", ["too_weak"])
    plain = a_mode(450.0, levels=(Level("bass corner", "near", -20.0),))
    assert judge(plain) == ("not found", [])


def test_a_mode_heard_only_at_a_place_the_other_set_lacks():
    mode = a_mode(450.0, levels=(Level("treble corner", "near", -6.0),))
    assert judge(mode, takes=(a_take("bass corner"),)) == ("ambiguous", ["other_place"])
    quiet_there = a_mode(
        450.0, levels=(Level("treble corner", "near", -6.0), Level("bass corner", "near", -33.0))
    )
    assert judge(quiet_there, takes=(a_take("bass corner"),)) == ("ambiguous", ["too_weak"])


def test_of_an_unsure_mode_nothing_is_claimed_unless_the_maker_named_it():
    unsure = a_mode(450.0, kind="unsure")
    assert judge(unsure) == ("ambiguous", ["unsure_mode"])
    assert judge(unsure, side="before") == ("ambiguous", ["unsure_mode"])
    assert judge(replace(unsure, label="A1", labelled_by="program"))[0] == "ambiguous"
    assert judge(replace(unsure, label="A1", labelled_by="maker")) == ("not found", [])


def test_a_string_over_it_hides_it():
    string = a_mode(443.0, kind="string", damping=0.0004)
    assert judge(a_mode(440.0), modes=(*OTHERS, string)) == ("ambiguous", ["hidden_by"])
    assert judge(a_mode(420.0), modes=(*OTHERS, string)) == ("not found", [])


def test_a_set_without_modes_says_nothing_about_any():
    assert judge(a_mode(450.0), modes=()) == ("ambiguous", ["no_modes"])
    assert judge(a_mode(450.0), modes=(a_mode(440.0, kind="string"),)) == ("ambiguous", ["no_modes"])


def test_a_doubtful_pairing_leaves_it_open():
    assert judge(a_mode(450.0), alone=Alone(0, 2.0, True)) == ("ambiguous", ["pair_ambiguous"])


def test_strength_not_known_is_said():
    assert judge(a_mode(450.0, snr_db=nan)) == ("not found", ["strength_not_known"])
