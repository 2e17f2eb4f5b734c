"""Comparisons of a whole job: which pairs, and the same answers over processes."""

import shutil
from dataclasses import replace

import pytest

from resonance.changes.pair import is_body
from resonance.errors import ResonanceError
from resonance.jobs import answers
from resonance.jobs.answers import compare_all, compare_sets, pairs_of
from resonance.jobs.job import Entry, Job
from resonance.jobs.records import to_record
from resonance.jobs.store import Shop
from resonance.reasons import Reason
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Adjustment
from resonance.sets.tapset import Analysis, Climate, TapSet


def a_job(order):
    """A job whose timeline is a word such as 's a s s': sets and adjustments, numbered as they come."""
    entries, counts = [], {"s": 0, "a": 0}
    for letter in order.split():
        counts[letter] += 1
        kind, prefix = {"s": ("tap set", "set"), "a": ("adjustment", "adj")}[letter]
        entries.append(Entry(kind, f"{prefix}{counts[letter]}"))
    sets = tuple(TapSet(f"set{k + 1}", None, ()) for k in range(counts["s"]))
    adjustments = tuple(Adjustment(f"adj{k + 1}") for k in range(counts["a"]))
    return Job("v", Instrument("v"), sets=sets, adjustments=adjustments, timeline=tuple(entries))


@pytest.mark.parametrize(
    ("order", "pairs"),
    [
        ("s", []),
        ("a", []),
        ("s s", [("set1", "set2")]),
        ("s a s", [("set1", "set2")]),
        ("s a a s", [("set1", "set2")]),
        ("s a s s a s", [("set1", "set2"), ("set3", "set4")]),
        ("s a s a", [("set1", "set2")]),
        ("s a s s", [("set1", "set2"), ("set1", "set3")]),
    ],
)
def test_a_report_compares_around_each_adjustment_and_the_last_pair(order, pairs):
    assert [(before.id, after.id) for before, after in pairs_of(a_job(order))] == pairs


def test_sets_of_different_methods_are_never_compared(worked):
    shop = Shop(worked[0])
    job = shop.job("fiddle")
    newer = replace(job.sets[1], analysis=Analysis(method=99))
    assert pairs_of(replace(job, sets=(job.sets[0], newer))) == ()
    with pytest.raises(ResonanceError, match="different methods"):
        compare_sets(shop, job, job.sets[0], newer)


def test_processes_give_the_same_answers(worked, monkeypatch):
    shop = Shop(worked[0])
    job = shop.job("fiddle")
    told = []
    (here,) = compare_all(shop, job, progress=lambda done, text: told.append(done))
    shutil.rmtree(worked[0] / "kept")
    monkeypatch.setattr(answers, "WORTH_PROCESSES", 1)
    (there,) = compare_all(shop, job, progress=lambda done, text: None)
    assert to_record(there) == to_record(here)
    assert told == [0.0, 1.0]


def test_a_comparison_worked_out_once_is_read_back_and_never_stale(worked, tmp_path, monkeypatch):
    shutil.copytree(worked[0], tmp_path / "again")
    shutil.rmtree(tmp_path / "again" / "kept", ignore_errors=True)
    shop = Shop(tmp_path / "again")
    job = shop.job("fiddle")
    made = compare_sets(shop, job, *job.sets)
    monkeypatch.setattr(answers, "compare", lambda *sets, **more: pytest.fail("worked out twice"))
    assert to_record(compare_sets(shop, job, *job.sets)) == to_record(made)
    warmer = replace(job.sets[1], climate=Climate(31.0, 45.0))
    with pytest.raises(pytest.fail.Exception):  # another set of inputs is another comparison
        compare_sets(shop, job, job.sets[0], warmer)
    (kept,) = (tmp_path / "again" / "kept").glob("comparison-*.json")
    kept.write_text(kept.read_text("utf-8").replace("shift", "shaft", 1), "utf-8")
    with pytest.raises(pytest.fail.Exception):  # a damaged file counts as none
        compare_sets(shop, job, *job.sets)


def test_modes_are_paired_as_they_were_followed_but_where_that_is_in_doubt(worked, tmp_path, monkeypatch):
    shutil.copytree(worked[0], tmp_path / "again")
    shop = Shop(tmp_path / "again")
    job = shop.job("fiddle")
    body = [[k for k, mode in enumerate(s.modes) if is_body(mode)] for s in job.sets]
    one, other = body[0][0], body[1][1]  # no pairing afresh would take these two for one mode

    def followed(*reasons):
        def with_track(tap_set, at, doubts):
            modes = [replace(m, track=f"{tap_set.id}-{k}") for k, m in enumerate(tap_set.modes)]
            modes[at] = replace(modes[at], track="one", reasons=doubts)
            return replace(tap_set, modes=tuple(modes))

        sets = (with_track(job.sets[0], one, ()), with_track(job.sets[1], other, reasons))
        return lambda shop, asked: replace(asked, sets=sets)

    def after_of(tracked):
        monkeypatch.setattr(answers, "tracked", tracked)
        comparison = compare_sets(shop, job, *job.sets)
        before = job.sets[0].modes[one].frequency
        (shift,) = [s for s in comparison.shifts if s.before and abs(s.before.frequency - before) < 1e-6]
        return shift.after.frequency

    wanted = job.sets[1].modes[other].frequency
    assert abs(after_of(followed()) - wanted) < 3.0
    assert abs(after_of(followed(Reason("track_ambiguous", {"margin": 1.0}))) - wanted) > 10.0
