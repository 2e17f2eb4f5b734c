"""Tracks through many tap sets, against jobs whose truth is known by construction."""

from dataclasses import replace
from math import sqrt

import numpy as np
import pytest

from resonance.changes.tracks import step_widths, track_modes
from resonance.sets.setup import Adjustment

from .making import FREQUENCIES, a_mode, a_set, levels_at, moved


def tracked(*lists, work=(), hours=24.0):
    """Tap sets a day apart, `work` naming the places (from 0) before which the instrument was worked on."""
    sets = [
        a_set(
            f"set{k + 1}",
            modes,
            hours=k * hours,
            after=tuple(f"adj{j + 1}" for j, w in enumerate(work) if w <= k),
        )
        for k, modes in enumerate(lists)
    ]
    return track_modes(sets)


def modes_at(frequencies, **more):
    return tuple(a_mode(f, **more) for f in frequencies)


def course(tracks, frequency):
    """Frequencies of the track that the first set has at a frequency, None where it is not seen."""
    name = next(m.track for m in tracks.sets[0].modes if m.frequency == frequency)
    return [next((m.frequency for m in s.modes if m.track == name), None) for s in tracks.sets]


def doubts(tracks, code="track_ambiguous"):
    return [(s.id, m.frequency) for s in tracks.sets for m in s.modes if code in [r.code for r in m.reasons]]


def test_nothing_and_one_set():
    assert track_modes([]).sets == ()
    one = tracked(modes_at(FREQUENCIES))
    assert [m.track for m in one.sets[0].modes] == [f"track{k}" for k in range(1, 11)]
    assert one.links == ()
    assert tracked((), modes_at(FREQUENCIES), ()).sets[1].modes[0].track == "track1"


def test_a_mode_keeps_its_track_through_sets_that_miss_it():
    lists = [modes_at(f for j, f in enumerate(FREQUENCIES) if not (j == 3 and 2 <= k <= 5)) for k in range(9)]
    tracks = tracked(*lists)
    assert course(tracks, 465.0) == [465.0, 465.0, None, None, None, None, 465.0, 465.0, 465.0]
    assert not doubts(tracks)


def test_a_mode_unseen_in_more_than_five_sets_is_given_up():
    lists = [modes_at(f for j, f in enumerate(FREQUENCIES) if not (j == 3 and 1 <= k <= 6)) for k in range(8)]
    assert course(tracked(*lists), 465.0) == [465.0, *[None] * 7]


def crossing(k):
    """Levels at three places of two modes 60 cents apart that change places at the fourth of eight sets."""
    first, second = moved(465.0, -30.0), moved(465.0, 30.0)
    if k >= 3:
        first, second = second + 1.0, first - 1.0
    one, other = levels_at((-6.0, -16.0, -10.0)), levels_at((-14.0, -5.0, -12.0))
    rest = modes_at((275.0, 335.0, 400.0, 640.0, 745.0), levels=levels_at((-10.0, -10.0, -10.0)))
    pair = (a_mode(first, levels=one), a_mode(second, levels=other))
    return tuple(sorted((*rest, *pair), key=lambda mode: mode.frequency))


def test_modes_that_cross_are_seen_through_their_levels():
    tracks = tracked(*(crossing(k) for k in range(8)), work=(3,))
    first, second = moved(465.0, -30.0), moved(465.0, 30.0)
    assert course(tracks, first) == pytest.approx([first] * 3 + [second + 1.0] * 5)
    assert course(tracks, second) == pytest.approx([second] * 3 + [first - 1.0] * 5)
    assert not doubts(tracks)


def test_a_set_from_one_place_has_the_others_lent_by_its_neighbours():
    lists = [crossing(k) for k in range(8)]
    lists[3] = tuple(replace(mode, levels=mode.levels[:1]) for mode in lists[3])
    tracks = tracked(*lists, work=(3,))
    first = moved(465.0, -30.0)
    assert course(tracks, first)[4:] == pytest.approx([moved(465.0, 30.0) + 1.0] * 4)


def test_by_frequency_alone_a_crossing_cannot_be_seen_and_the_step_says_so():
    lists = [tuple(replace(mode, levels=()) for mode in crossing(k)) for k in range(8)]
    tracks = tracked(*lists, work=(3,))
    doubtful = {(link.before, link.after) for link in tracks.links if link.ambiguous}
    assert ("set3", "set4") in doubtful
    assert {name for name, _ in doubts(tracks)} == {"set4"}


@pytest.mark.parametrize("wide", [100.0, -140.0])
def test_a_season_moves_all_modes_and_none_is_lost(wide):
    # Wood takes days: the way of ten sets, each mode with a fifth more or less of its own.
    rng = np.random.default_rng(5)
    share = rng.uniform(0.8, 1.2, len(FREQUENCIES))
    way = wide * (1.0 - np.exp(-np.arange(10) / 3.0))
    lists = [modes_at(moved(np.array(FREQUENCIES), w * share + rng.normal(0.0, 4.0, 10))) for w in way]
    tracks = tracked(*lists, hours=48.0)
    assert all([m.track for m in s.modes] == [m.track for m in tracks.sets[0].modes] for s in tracks.sets)
    assert tracks.common_cents[-1] == pytest.approx(way[-1], abs=15.0)


def test_the_makers_word_stays():
    """465 becomes 490 Hz (91 cents) while a new one comes at 466: by frequency the new one follows."""
    old = modes_at(FREQUENCIES)
    new = tuple(
        sorted(
            (*(m for m in old if m.frequency != 465.0), *modes_at((466.0, 490.0))), key=lambda m: m.frequency
        )
    )
    assert course(tracked(old, old, new, new, work=(2,)), 465.0)[2:] == [466.0, 466.0]
    said = [
        [replace(m, track="same1") if m.frequency == f else m for m in modes]
        for f, modes in ((None, old), (465.0, old), (490.0, new), (None, new))
    ]
    tracks = tracked(*said, work=(2,))
    assert course(tracks, 465.0) == [465.0, 465.0, 490.0, 490.0]
    assert next(m.track for m in tracks.sets[0].modes if m.frequency == 465.0) == "same1"
    assert ("set3", 490.0) not in doubts(tracks)


def test_different_names_by_the_maker_part_a_track():
    one = [
        replace(m, label="B1-", labelled_by="maker") if m.frequency == 465.0 else m
        for m in modes_at(FREQUENCIES)
    ]
    other = [
        replace(m, label="X", labelled_by="maker") if m.frequency == 465.0 else m
        for m in modes_at(FREQUENCIES)
    ]
    assert course(tracked(one, one, other, other), 465.0) == [465.0, 465.0, None, None]


def test_a_mode_that_splits_keeps_its_track_and_both_halves_say_so():
    """540 Hz shows as 533 and 546 Hz in two sets (Schleske: 513 and 524 Hz), then as one again."""
    whole = modes_at((275.0, 400.0, 465.0, 540.0, 640.0))
    split = modes_at((275.0, 400.0, 465.0, 533.0, 546.0, 640.0))
    tracks = tracked(whole, whole, whole, split, split, whole, whole)
    kept = course(tracks, 540.0)
    assert kept[:3] + kept[5:] == [540.0] * 5
    assert set(kept[3:5]) <= {533.0, 546.0}
    assert doubts(tracks, "may_be_split") == [(s, f) for s in ("set4", "set5") for f in (533.0, 546.0)]


def test_how_far_a_mode_may_move_depends_on_what_lies_between():
    sets = [a_set("set1", ()), a_set("set2", (), hours=1.0, repeat_of="set1", repeat_kind="put back")]
    sets += [a_set("set3", (), hours=24.0 * 40), a_set("set4", (), hours=24.0 * 40, after=("adj1",))]
    assert step_widths(sets) == pytest.approx([0.0, 15.0, sqrt(15**2 + 25**2), sqrt(15**2 + 40**2)])
    assert step_widths(sets, [Adjustment("adj1", new_chapter=True)])[3] == pytest.approx(sqrt(15**2 + 60**2))


def test_links_tell_each_step():
    tracks = tracked(modes_at(FREQUENCIES), modes_at(FREQUENCIES[1:]), modes_at(FREQUENCIES))
    assert [(x.before, x.after) for x in tracks.links if x.track == "track1"] == [("set1", "set3")]
    assert len(tracks.links) == 1 + 2 * 9
