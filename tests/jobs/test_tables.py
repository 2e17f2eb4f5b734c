"""Rows of a job, against jobs worked by hand."""

import csv
import io
from dataclasses import replace
from math import nan

import pytest

from resonance.jobs.job import Entry, Job
from resonance.jobs.tables import (
    ReadingRow,
    csv_text,
    reading_rows,
    reading_tracks,
    timeline_rows,
    with_tracks,
)
from resonance.modes.mode import Mode
from resonance.sets.instrument import Instrument
from resonance.sets.tapset import TapSet


def drifting(*sets):
    """Make a job of tap sets of modes."""
    made = tuple(TapSet(f"set{i}", None, modes) for i, modes in enumerate(sets, 1))
    return Job("trial", Instrument("x"), sets=made, timeline=tuple(Entry("tap set", s.id) for s in made))


def body(*frequencies, **more):
    return tuple(
        Mode(hertz, 0.01, frequency_u=0.2, damping_u=0.001, kind="body", **more) for hertz in frequencies
    )


def test_a_track_follows_a_drift_from_set_to_set():
    # Each step is 4 Hz or less; over the whole job the lower modes drift by 20 cents and more.
    job = drifting(body(220, 355, 440, 560), body(222, 353, 443, 563), body(224, 351, 446, 566))
    tracks = reading_tracks(job)
    assert [[m.frequency for m in t.readings] for t in tracks] == [
        [220, 222, 224],
        [355, 353, 351],
        [440, 443, 446],
        [560, 563, 566],
    ]
    assert len({t.track for t in tracks}) == 4


def test_a_mode_not_seen_in_one_set_is_none_there():
    job = drifting(body(220, 355, 440), body(220, 440), body(220, 355, 440))
    assert [[m and m.frequency for m in t.readings] for t in reading_tracks(job)] == [
        [220, 220, 220],
        [355, None, 355],
        [440, 440, 440],
    ]


def test_crowded_modes_are_followed_by_nearness_or_said_to_be_in_doubt():
    """At 1000 Hz two modes 30 Hz (51 cents) apart: a step of 5 Hz is followed, one half way is in doubt."""
    job = drifting(body(220, 1000, 1030), body(220, 1005, 1035), body(220, 1020, 1050))
    job = with_tracks(replace(job, sets=(*job.sets[:2], replace(job.sets[2], after=("adj1",)))))
    doubts = [
        [m.frequency for m in s.modes if any(r.code == "track_ambiguous" for r in m.reasons)]
        for s in job.sets
    ]
    assert doubts[2] == [1020, 1050]  # 26 cents: the other one, 17 cents away, is as likely
    assert 220 not in doubts[0] + doubts[1]
    found = [[m and m.frequency for m in t.readings][:2] for t in reading_tracks(job)]
    assert [1000, 1005] in found
    assert [1030, 1035] in found


def test_a_track_unseen_for_long_is_given_up():
    sets = [body(220, 700), *[body(220)] * 5, body(220, 700)]
    assert len(reading_tracks(drifting(*sets))) == 3
    assert len(reading_tracks(drifting(*sets[1:]))) == 2
    assert len(reading_tracks(drifting(sets[0], *sets[2:]))) == 2


def test_the_makers_word_ties_a_track_and_names_it():
    named = replace(body(441)[0], label="B1-", labelled_by="maker")
    job = drifting((*body(220), named), (*body(221), replace(named, frequency=480.0)))
    last = reading_tracks(job)[-1]
    assert [m.frequency for m in last.readings] == [441.0, 480.0]
    assert (last.name, last.labelled_by) == ("B1-", "maker")


def test_the_makers_name_stands_before_a_newer_guess():
    guess = replace(body(441)[0], label="B1+", labelled_by="program")
    job = drifting((replace(guess, label="B1-", labelled_by="maker"),), (replace(guess, frequency=442.0),))
    (track,) = reading_tracks(job)
    assert (track.name, track.labelled_by) == ("B1-", "maker")


def test_tracks_are_for_showing_only(shop, full_job):
    """A job as read has the maker's tracks and no others, so that a comparison pairs afresh."""
    assert {m.track for s in full_job.sets for m in s.modes} == {None, "same1"}
    tracked = with_tracks(full_job)
    assert all(m.track for s in tracked.sets for m in s.modes)
    same = [m.frequency for s in tracked.sets for m in s.modes if m.track == "same1"]
    assert same == [355.1, 352.0, 352.2]


def test_reading_rows(full_job):
    rows = reading_rows(full_job)
    assert [row.set_id for row in rows] == ["set1"] * 3 + ["set2"] * 3 + ["set3"] * 3
    assert [row.after for row in rows[::3]] == ["", "adj1", "adj1"]
    assert [row.place for row in rows[::3]] == [1, 2, 3]
    assert rows[2].frequency == 441.1
    assert (rows[2].label, rows[2].labelled_by) == ("B1-", "maker")


def test_timeline_rows(full_job):
    rows = timeline_rows(full_job)
    assert [(r.place, r.kind, r.id) for r in rows] == [
        (1, "tap set", "set1"),
        (2, "adjustment", "adj1"),
        (3, "remark", "rem1"),
        (4, "tap set", "set2"),
        (5, "tap set", "set3"),
    ]
    assert (rows[1].part, rows[1].along_mm, rows[1].text) == ("soundpost", 0.25, "a touch back")
    assert (rows[4].repeat_of, rows[4].repeat_kind) == ("set2", "put back")
    assert rows[0].n_modes == 3


def test_csv_is_read_back_by_the_standard_reader(full_job):
    rows = [replace(row, label='a "b", c\nd', peak=nan) for row in reading_rows(full_job)]
    read = list(csv.DictReader(io.StringIO(csv_text(rows), newline="")))
    assert [float(r["frequency"]) for r in read] == [row.frequency for row in rows]
    assert read[0]["label"] == 'a "b", c\nd'
    assert read[0]["peak"] == ""
    assert read[0]["taken"] == "2026-03-02T12:00:00+01:00"
    assert csv_text([], kind=ReadingRow).startswith("set_id,taken,")
    with pytest.raises(ValueError, match="no rows"):
        csv_text([])
