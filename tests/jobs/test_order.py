"""The order of a timeline: the maker's word first, given dates next, the end otherwise (worked by hand)."""

from dataclasses import replace
from datetime import timedelta

import pytest

from resonance.errors import NotFoundError, ResonanceError
from resonance.jobs.job import Entry, order_conflicts, unconfirmed
from resonance.jobs.order import confirm, insert, move
from resonance.sets.setup import Adjustment

from .conftest import START


def day(number):
    return START + timedelta(days=number)


def line(text):
    """Read 's1@3' as tap set s1 of day 3, 'a1' as an undated adjustment, '~' before @ as a typed-in date."""
    name, _, at = text.partition("@")
    kind = {"s": "tap set", "a": "adjustment", "r": "remark"}[name[0]]
    typed = name.endswith("~")
    return Entry(kind, name.rstrip("~"), day(float(at)) if at else None, False, at_given=not typed)


def timeline(text):
    return tuple(line(each) for each in text.split())


def ids(entries):
    return " ".join(entry.id for entry in entries)


@pytest.mark.parametrize(
    ("there", "new", "order"),
    [
        ("", "s1@1", "s1"),
        ("s1@1 a1@2", "s2@3", "s1 a1 s2"),
        ("s1@1 a1@2", "s2@1.5", "s1 s2 a1"),
        ("s1@1 a1@2", "s2@0.5", "s2 s1 a1"),
        ("s1@1 a1@2", "s2@2", "s1 a1 s2"),
        ("s1@1 a1@2 s3@5", "s2@2", "s1 a1 s2 s3"),
        ("s1@1 a1@2", "s2", "s1 a1 s2"),
        ("s1 a1@5", "s2@3", "s1 s2 a1"),
        ("s1@1 a1~@9", "s2@3", "s1 a1 s2"),  # the adjustment's date is only when it was typed
        ("s1@1 a1~@9 s2@3", "s3@2", "s1 s3 a1 s2"),
        ("s1@5 a1@2", "s2@3", "s1 a1 s2"),  # an order that dates contradict: after the last earlier line
        ("s1@1 s2@9 a1@2", "s3@3", "s1 s2 a1 s3"),
    ],
)
def test_a_place_is_proposed_by_given_dates_and_not_confirmed(there, new, order):
    found = insert(timeline(there), line(new), before=None, after=None)
    assert ids(found) == order
    assert not any(entry.confirmed for entry in found)


@pytest.mark.parametrize(
    ("there", "new", "before", "after", "order"),
    [
        ("s1 a1 s2 a2 s3", "s4", "a1", None, "s1 s4 a1 s2 a2 s3"),
        ("s1 a1 s2 a2 s3", "s4", None, "a1", "s1 a1 s2 s4 a2 s3"),
        ("s1 a1 s2 a2 s3", "s4", "a2", "a1", "s1 a1 s2 s4 a2 s3"),
        ("s1 a1 s2 a2 s3", "s4", "s2", None, "s1 a1 s4 s2 a2 s3"),
        ("s1 a1 s2 a2 s3", "s4", None, "s2", "s1 a1 s2 s4 a2 s3"),
        ("s1@1 a1 s2@4 a2 s3@9", "s4@3", None, "a1", "s1 a1 s4 s2 a2 s3"),
        ("s1@1 a1@2 s2@4", "s4@99", "a1", None, "s1 s4 a1 s2"),  # the maker's word over the date
        ("s1@1 a1@2 s2@4", "s4@0", None, "a1", "s1 a1 s4 s2"),
        ("a1", "s1", "a1", None, "s1 a1"),
    ],
)
def test_the_makers_word_decides_and_is_confirmed(there, new, before, after, order):
    found = insert(timeline(there), line(new), before=before, after=after)
    assert ids(found) == order
    assert [entry.id for entry in found if entry.confirmed] == [line(new).id]


def test_a_place_that_cannot_be_is_refused():
    there = timeline("s1 a1 s2 a2")
    with pytest.raises(ResonanceError, match="a2 comes after a1"):
        insert(there, line("s3"), before="a1", after="a2")
    with pytest.raises(NotFoundError, match="no 'a7' in the order; there are: s1, a1, s2, a2"):
        insert(there, line("s3"), before="a7", after=None)


def test_moving_and_confirming():
    there = timeline("s1 a1 s2 a2")
    moved = move(there, "s2", before="a1", after=None)
    assert ids(moved) == "s1 s2 a1 a2"
    assert [entry.id for entry in moved if entry.confirmed] == ["s2"]
    assert all(entry.confirmed for entry in confirm(there))
    with pytest.raises(ResonanceError, match="itself"):
        move(there, "s2", before="s2", after=None)


def test_a_set_learns_its_adjustments_from_the_order(shop, viola, make_set):
    for number in (1, 2):
        shop.add_tap_set(viola, *make_set(number))
        shop.add_adjustment(viola, Adjustment("", None, "tail"))
    shop.add_tap_set(viola, *make_set(3))
    assert [s.after for s in shop.job(viola).sets] == [(), ("adj1",), ("adj1", "adj2")]
    job = shop.move_entry(viola, "set3", before="adj1")
    assert [(s.id, s.after) for s in job.sets] == [("set1", ()), ("set3", ()), ("set2", ("adj1",))]


def test_what_is_confirmed_and_what_is_not(shop, viola, make_set):
    shop.add_tap_set(viola, *make_set(1))
    assert unconfirmed(shop.job(viola)) == ()  # without an adjustment there is no order to get wrong
    shop.add_adjustment(viola, Adjustment("", None, "soundpost"))  # made now
    shop.add_tap_set(viola, *make_set(2), after="adj1")
    shop.add_tap_set(viola, *make_set(3), confirmed=True)
    assert [entry.id for entry in unconfirmed(shop.job(viola))] == ["set1"]
    shop.add_adjustment(viola, Adjustment("", START - timedelta(days=400), "bridge"))  # dated before all
    assert {entry.id for entry in unconfirmed(shop.job(viola))} == {"set1", "adj2"}
    shop.add_adjustment(viola, Adjustment("", START + timedelta(days=400), "tail"))  # last, and dated so
    assert {entry.id for entry in unconfirmed(shop.job(viola))} == {"set1", "adj2"}
    shop.add_tap_set(viola, make_set(5, taken=START - timedelta(days=500))[0], make_set(5)[1])
    assert {entry.id for entry in unconfirmed(shop.job(viola))} == {"set1", "set4", "adj2"}
    assert unconfirmed(shop.confirm_order(viola)) == ()


def test_files_recorded_before_the_adjustment_was_typed_stay_in_the_order_of_typing(shop, viola, make_set):
    """Before at ten, moved, after at eleven; all typed at noon: the typing date of the move says nothing."""
    shop.add_tap_set(viola, make_set(1, taken=START - timedelta(hours=2))[0], make_set(1)[1])
    shop.add_adjustment(viola, Adjustment("", None, "soundpost"))
    late = make_set(2, taken=START - timedelta(hours=1))
    assert shop.add_tap_set(viola, *late).after == ("adj1",)


def test_dates_against_the_order_are_pointed_out_until_confirmed(shop, viola, make_set):
    shop.add_adjustment(viola, Adjustment("", START, "soundpost"))
    early = make_set(1, taken=START - timedelta(days=1))
    assert shop.add_tap_set(viola, *early).after == ()
    job = shop.job(viola)
    swapped = replace(job, timeline=tuple(replace(e, confirmed=False) for e in job.timeline[::-1]))
    assert [(a.id, b.id) for a, b in order_conflicts(swapped)] == [("adj1", "set1")]
    assert order_conflicts(job) == ()
    said = shop.move_entry(viola, "set1", after="adj1")  # the maker insists; adj1 stands confirmed too
    assert order_conflicts(said) == ()
