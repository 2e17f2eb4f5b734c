"""Where sets were taken from, and what another place costs."""

from dataclasses import replace
from math import inf, nan, sqrt

import pytest

from resonance.changes.places import limited_room, place_reasons, places, room_hertz
from resonance.taps.tap import Tap

from .making import a_mode, a_set, a_take, levels_at


def from_places(*pairs, channels=()):
    return a_set("set", [a_mode(440.0)], takes=tuple(a_take(*pair, channels=channels) for pair in pairs))


HERE, THERE, ELSEWHERE = ("bass corner", "near"), ("bass corner", "far"), ("treble corner", "side")


def test_the_same_place_costs_nothing():
    assert room_hertz(from_places(HERE), from_places(HERE)) == 0.0
    assert room_hertz(from_places(HERE), from_places((" Bass  corner", "NEAR"))) == 0.0
    assert place_reasons(from_places(HERE), from_places(HERE)) == ()


def test_another_place_costs_two_and_a_half_hertz():
    assert room_hertz(from_places(HERE), from_places(THERE)) == pytest.approx(2.5)
    (reason,) = place_reasons(from_places(HERE), from_places(THERE))
    assert reason.code == "place_differs"
    assert dict(reason.values) == {"what": "microphone place", "before": "near", "after": "far"}


def test_two_places_in_common_cost_nothing():
    assert room_hertz(from_places(HERE, THERE), from_places(HERE, THERE, ELSEWHERE)) == 0.0


def test_one_place_in_common_costs_what_averages_leave():
    # b^2 ((1 - 1/2)^2 + (1/2)^2) with 2 b^2 = 2.5^2
    assert room_hertz(from_places(HERE), from_places(HERE, THERE)) == pytest.approx(2.5 * sqrt(0.25))
    # (1/2)^2 for each of four places
    other = from_places(ELSEWHERE, ("x", "y"))
    assert room_hertz(from_places(HERE, THERE), other) == pytest.approx(2.5 * sqrt(0.5))


def test_a_place_named_on_one_side_only_is_another_place():
    unnamed = from_places(("bass corner", ""))
    assert room_hertz(from_places(HERE), unnamed) == pytest.approx(2.5)
    (reason,) = place_reasons(from_places(HERE), unnamed)
    assert (reason.code, reason.values["side"]) == ("place_not_known", "after")


def test_places_named_on_neither_side_are_taken_as_the_same_and_said():
    unnamed = from_places(("", ""))
    assert room_hertz(unnamed, unnamed) == 0.0
    found = [(r.code, r.values["what"]) for r in place_reasons(unnamed, unnamed)]
    assert found == [("place_not_noted", "tap place"), ("place_not_noted", "microphone place")]


def test_a_contact_sensor_hears_no_room():
    one, other = (from_places(place, channels=("contact", "force")) for place in (HERE, THERE))
    assert room_hertz(one, other) == 0.0
    assert place_reasons(one, other) != ()
    mixed = from_places(THERE, channels=("sound", "contact"))
    assert room_hertz(one, mixed) == pytest.approx(2.5)


def test_takes_without_a_kept_tap_do_not_count():
    both = from_places(HERE, THERE)
    only = replace(both, taps=(Tap(0.1, take=0), Tap(0.2, take=1, kept=False)))
    assert places(both) == {("bass corner", "near"), ("bass corner", "far")}
    assert places(only) == {("bass corner", "near")}


def test_levels_tell_the_places_where_no_takes_are_left():
    bare = a_set("set", [a_mode(440.0, levels=levels_at((-6.0, -9.0)))], takes=())
    assert places(bare) == {("t0", "near"), ("t1", "near")}
    assert room_hertz(bare, a_set("other", [a_mode(440.0)], takes=())) == 0.0


def test_the_room_moves_no_mode_by_more_than_half_its_bandwidth():
    assert limited_room(2.5, a_mode(460.0, damping=0.01)) == 2.5  # half-power bandwidth 9.2 Hz
    assert limited_room(2.5, a_mode(600.0, damping=0.003)) == pytest.approx(1.8)
    assert limited_room(2.5, a_mode(460.0, damping=nan)) == 2.5
    assert limited_room(inf, a_mode(460.0, damping=nan)) == inf
