"""What a job says about its sets and adjustments, against timelines worked by hand."""

from math import isnan

import pytest

from resonance.errors import NotFoundError
from resonance.jobs import job as jobs
from resonance.jobs.assign import apply_setup, changed_setup
from resonance.jobs.job import Entry, Job
from resonance.modes.mode import Mode
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Adjustment, Setup
from resonance.sets.tapset import TapSet


def job_of(text, *, chapters=()):
    """Make a job from 'set1 adj1 set2'; `chapters` are the adjustments that open one."""
    entries, sets, adjustments = [], [], []
    for name in text.split():
        if name.startswith("set"):
            sets.append(TapSet(name, None, (), after=tuple(a.id for a in adjustments)))
        elif name.startswith("adj"):
            adjustments.append(Adjustment(name, None, "soundpost", new_chapter=name in chapters))
        kind = {"set": "tap set", "adj": "adjustment", "rem": "remark"}[name[:3]]
        entries.append(Entry(kind, name))
    return Job("trial", Instrument("x"), None, tuple(sets), tuple(adjustments), tuple(entries))


@pytest.mark.parametrize(
    ("text", "pair"),
    [
        ("set1 set2", ("set1", "set2")),
        ("set1 adj1 set2", ("set1", "set2")),
        ("set1 set2 adj1 set3 set4", ("set2", "set4")),
        ("set1 adj1 set2 adj2 set3", ("set2", "set3")),
        ("set1 adj1 adj2 set2", ("set1", "set2")),
        ("set1 adj1 set2 adj2", ("set1", "set2")),  # nothing recorded yet after adj2
        ("adj1 set1 rem1 set2", ("set1", "set2")),  # nothing recorded before adj1
        ("adj1 set1 set2 adj2 set3", ("set2", "set3")),
    ],
)
def test_the_pair_to_compare(text, pair):
    before, after = jobs.default_pair(job_of(text))
    assert (before.id, after.id) == pair


@pytest.mark.parametrize(("text", "says"), [("adj1", "no tap set so far"), ("set1 adj1", "only one tap set")])
def test_a_pair_needs_two(text, says):
    with pytest.raises(NotFoundError, match=says):
        jobs.default_pair(job_of(text))


@pytest.mark.parametrize(
    ("adjustment", "around"),
    [("adj1", ("set2", "set3")), ("adj2", ("set3", None)), ("adj0", (None, "set1")), ("3", ("set3", None))],
)
def test_sets_around_an_adjustment(adjustment, around):
    job = job_of("adj0 set1 set2 adj1 rem1 set3 adj2 adj3")
    assert tuple(s and s.id for s in jobs.sets_around(job, adjustment)) == around


def test_adjustments_between_two_sets_whichever_comes_first():
    job = job_of("set1 adj1 set2 adj2 adj3 set3")
    for pair in (("set1", "set3"), ("set3", "set1")):
        assert [a.id for a in jobs.adjustments_between(job, *pair)] == ["adj1", "adj2", "adj3"]
    assert jobs.adjustments_between(job, "set2", "set2") == ()


def test_chapters():
    job = job_of("set1 adj1 set2 adj2 set3 adj3 adj4 set4", chapters=("adj2", "adj4"))
    found = [
        (c.number, c.opened_by and c.opened_by.id, [s.id for s in c.sets], [a.id for a in c.adjustments])
        for c in jobs.chapters(job)
    ]
    assert found == [
        (1, None, ["set1", "set2"], ["adj1"]),
        (2, "adj2", ["set3"], ["adj3"]),
        (3, "adj4", ["set4"], []),
    ]
    assert [jobs.chapter_of(job, s) for s in ("set1", "set3", "4")] == [1, 2, 3]


def test_sets_of_one_side():
    job = job_of("set1 set2 adj1 set3 rem1 set4 adj2 set5")
    assert [s.id for s in jobs.same_side(job, "set3")] == ["set3", "set4"]


def test_finding_by_number_and_by_id():
    job = job_of("set1 adj1 set12")
    assert [jobs.find_set(job, name).id for name in ("set12", "12", "SET1", " 1 ")] == [
        "set12", "set12", "set1", "set1",
    ]  # fmt: skip
    with pytest.raises(NotFoundError, match="no tap set in trial is called 'set2'; there are: set1, set12"):
        jobs.find_set(job, "set2")
    with pytest.raises(NotFoundError, match="there are: none yet"):
        jobs.find_adjustment(job_of("set1"), "adj1")


def test_a_mode_is_found_within_two_percent():
    tap_set = TapSet("set1", None, (Mode(440.0, 0.01), Mode(460.0, 0.01)))
    assert jobs.find_mode(tap_set, 448.0).frequency == 440.0
    assert jobs.find_mode(tap_set, 451.0).frequency == 460.0
    assert jobs.find_mode(tap_set, 431.5).frequency == 440.0  # 1.97 % of 431.5 Hz away
    with pytest.raises(NotFoundError, match=r"the nearest are at 440\.0, 460\.0 Hz"):
        jobs.find_mode(tap_set, 431.0)  # 2.09 % of 431 Hz away
    with pytest.raises(NotFoundError, match="above 0"):
        jobs.find_mode(tap_set, float("nan"))


def test_setup_at_an_earlier_place(shop, viola, make_set):
    """Post noted at 2.5 mm; moved 0.25 and then -0.5; a set put in later takes the position of its day."""
    for way in (0.25, -0.5):
        shop.add_adjustment(viola, Adjustment("", None, "soundpost", along_mm=way))
    positions = {
        place: shop.add_tap_set(viola, *make_set(i), **{where: adj}).setup.post.behind_mm
        for i, (place, where, adj) in enumerate(
            [("first", "before", "adj1"), ("middle", "after", "adj1"), ("last", "after", "adj2")]
        )
    }
    assert positions == {"first": 2.5, "middle": 2.75, "last": 2.25}
    shop.add_adjustment(viola, Adjustment("", None, "soundpost", new_chapter=True))
    shop.set_setup(viola, apply_setup(shop.job(viola).setup, ["post.behind_mm=9", "bridge.mass_g=2"]))
    near = shop.add_tap_set(viola, *make_set(7), before="adj1").setup
    assert (near.post.behind_mm, isnan(near.bridge.mass_g)) == (2.5, True)  # lent by its neighbour
    shop.delete_entry(viola, "set3")
    assert isnan(shop.add_tap_set(viola, *make_set(8), after="adj2").setup.post.behind_mm)


def test_changed_setup_names_each_entry():
    before = apply_setup(Setup(), ["post.behind_mm=2.5", "strings.A4.gauge_note=medium", "stage=strung"])
    after = apply_setup(
        before, ["post.behind_mm=2.75", "strings.A4.gauge_note=heavy", "strings.D4.tension_n=49"]
    )
    changed = {key: (old, new) for key, old, new in changed_setup(before, after)}
    assert changed["post.behind_mm"] == (2.5, 2.75)
    assert changed["strings.A4.gauge_note"] == ("medium", "heavy")
    assert changed["strings.D4.tension_n"] == (None, 49.0)
    assert "stage" not in changed
    assert changed_setup(before, before) == ()
