"""The shop: what is put in comes out, every act can be undone, nothing is overwritten."""

import hashlib
import os
import sqlite3
import subprocess
import sys
from dataclasses import replace
from datetime import timedelta
from math import isnan
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from resonance.errors import NotFoundError, ResonanceError, ShopError
from resonance.jobs import change
from resonance.jobs.assign import apply_setup
from resonance.jobs.records import to_record
from resonance.jobs.settings import Settings
from resonance.jobs.store import DuplicateRecording, Shop
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Adjustment
from resonance.sets.tapset import Climate, Conditions
from resonance.sound.recording import Recording, Take

from .conftest import START, VIOLA, analysed


def shown(shop, job):
    """All of a job as plain values, to compare."""
    known = shop.job(job)
    return to_record({**vars(known), "timeline": known.timeline})


def test_a_tap_set_comes_back_as_it_was_put_in(shop, viola, make_set):
    tap_set, files = make_set(1, n_takes=2, taken=START)
    added = shop.add_tap_set(viola, tap_set, files)
    read = Shop(shop.folder).job(viola).sets[0]
    assert added.id == read.id == "set1"
    for name in ("modes", "taps", "bands", "climate", "conditions", "taken", "reasons"):
        assert to_record(getattr(read, name)) == to_record(getattr(tap_set, name)), name
    assert read.analysis.settings == tap_set.analysis.settings
    assert read.analysis.made is not None
    assert [take.recording.source for take in read.takes] == [file.name for file in files]
    assert read.takes[0].recording.samples.shape == (0, 1)
    loaded = shop.with_sound(read)
    for take, original in zip(loaded.takes, tap_set.takes, strict=True):
        assert np.array_equal(take.recording.samples, original.recording.samples)
        assert take.recording.sample_rate == original.recording.sample_rate


def test_files_are_kept_byte_for_byte_under_the_hash_of_their_bytes(shop, viola, make_set):
    tap_set, files = make_set(1)
    shop.add_tap_set(viola, tap_set, files)
    sha256 = hashlib.sha256(files[0].read_bytes()).hexdigest()
    kept = shop.sound_file(sha256)
    assert kept.name == f"{sha256}.wav"
    assert kept.read_bytes() == files[0].read_bytes()


def test_sound_of_our_own_is_written_as_flac(shop, viola):
    samples = np.round(np.random.default_rng(5).uniform(-0.5, 0.5, (900, 2)) * 2**23) / 2**23
    added = shop.add_tap_set(viola, analysed([Take(Recording(samples, 8000.0))], (300.0,)))
    sha256 = added.takes[0].recording.sha256
    assert shop.sound_file(sha256).read_bytes().startswith(b"fLaC")
    assert np.array_equal(shop.with_sound(added).takes[0].recording.samples, samples)


def test_the_setup_goes_with_each_tap_set(shop, viola, make_set):
    shop.add_tap_set(viola, *make_set(1))
    shop.add_adjustment(viola, Adjustment("", None, "soundpost", along_mm=0.25, across_mm=-0.5))
    after = shop.add_tap_set(viola, *make_set(2))
    job = shop.job(viola)
    assert (job.sets[0].setup.post.behind_mm, job.sets[0].setup.post.inward_mm) == (2.5, 3.0)
    assert (after.setup.post.behind_mm, after.setup.post.inward_mm) == (2.75, 2.5)
    assert job.setup == after.setup


def test_a_setup_that_says_something_is_kept_as_given(shop, viola, make_set):
    tap_set, files = make_set(1)
    own = apply_setup(tap_set.setup, ["bridge.mass_g=2.1"])
    assert shop.add_tap_set(viola, replace(tap_set, setup=own), files).setup == own


@pytest.mark.parametrize(
    ("adjustment", "behind", "inward"),
    [
        (Adjustment("", None, "soundpost", along_mm=-0.3), 2.2, 3.0),
        (Adjustment("", None, "bridge", across_mm=0.4), 2.5, 3.4),
        (Adjustment("", None, "soundpost", along_mm=0.3, end="bottom"), 2.5, 3.0),
        (Adjustment("", None, "tail", along_mm=0.3), 2.5, 3.0),
        (Adjustment("", None, "soundpost"), 2.5, 3.0),
    ],
)
def test_the_post_position_follows_what_moved_its_top(shop, viola, adjustment, behind, inward):
    shop.add_adjustment(viola, adjustment)
    post = shop.job(viola).setup.post
    assert (post.behind_mm, post.inward_mm) == (behind, inward)


def test_a_new_post_has_no_position_until_it_is_measured(shop, viola):
    shop.add_adjustment(viola, Adjustment("", None, "soundpost", new_chapter=True))
    assert isnan(shop.job(viola).setup.post.behind_mm)
    old = Adjustment("", None, "soundpost", along_mm=0.3)
    shop.set_setup(viola, apply_setup(shop.job(viola).setup, ["post.behind_mm=4"]))
    shop.add_adjustment(viola, old, before="adj1")  # the old post: not the one that is in now
    assert shop.job(viola).setup.post.behind_mm == 4.0


def test_correcting_or_deleting_an_adjustment_corrects_the_post(shop, viola):
    added = shop.add_adjustment(viola, Adjustment("", None, "soundpost", along_mm=0.25))
    shop.edit_adjustment(viola, replace(added, along_mm=0.5, note="measured again"))
    assert shop.job(viola).setup.post.behind_mm == 3.0
    assert shop.job(viola).adjustments[0].note == "measured again"
    shop.delete_entry(viola, "adj1")
    assert shop.job(viola).setup.post.behind_mm == 2.5
    assert shop.job(viola).adjustments == ()
    shop.add_adjustment(viola, Adjustment("", None, "bridge"))
    assert shop.job(viola).adjustments[0].id == "adj2"  # a deleted one keeps its id


@pytest.mark.parametrize("again", ["same files", "other name", "with another"])
def test_the_same_recording_twice_says_so_and_changes_nothing(shop, viola, make_set, tmp_path, again):
    tap_set, files = make_set(1)
    shop.add_tap_set(viola, tap_set, files)
    state, acts = shown(shop, viola), shop.acts()
    if again == "other name":
        (tmp_path / "copy.wav").write_bytes(files[0].read_bytes())
        files = [tmp_path / "copy.wav"]
    if again == "with another":
        other, more = make_set(2)
        tap_set, files = replace(tap_set, takes=(*other.takes, *tap_set.takes)), [*more, *files]
    with pytest.raises(
        DuplicateRecording, match=f"{files[-1].name} is already in tap set set1 of viola-405"
    ) as e:
        shop.add_tap_set(viola, tap_set, files)
    assert (e.value.job, e.value.set_id) == (viola, "set1")
    with pytest.raises(DuplicateRecording):
        shop.refuse_duplicates(viola, files)
    assert (shown(shop, viola), shop.acts()) == (state, acts)


def test_a_recording_named_twice_at_once_is_refused(shop, viola, make_set):
    tap_set, files = make_set(1)
    with pytest.raises(DuplicateRecording, match="named twice"):
        shop.add_tap_set(viola, replace(tap_set, takes=tap_set.takes * 2), files * 2)
    assert shop.job(viola).sets == ()


def test_a_recording_may_be_in_two_jobs_and_that_can_be_seen(shop, viola, make_set):
    tap_set, files = make_set(1)
    other = shop.new_job(Instrument("Cello", "cello")).id
    shop.add_tap_set(viola, tap_set, files)
    shop.add_tap_set(other, tap_set, files)
    sha256 = tap_set.takes[0].recording.sha256
    assert set(shop.sets_with_sound(sha256)) == {(viola, "set1"), (other, "set1")}
    assert len(list(shop.sound_folder.iterdir())) == 1
    shop.delete_job(other)
    assert shop.sets_with_sound(sha256) == ((viola, "set1"),)


def test_a_deleted_or_undone_tap_set_can_be_added_again(shop, viola, make_set):
    tap_set, files = make_set(1)
    shop.add_tap_set(viola, tap_set, files)
    shop.undo()
    assert shop.add_tap_set(viola, tap_set, files).id == "set1"
    shop.delete_entry(viola, "set1")
    assert shop.add_tap_set(viola, tap_set, files).id == "set2"


def test_a_repeat_of_a_deleted_set_repeats_nothing(shop, full_job):
    assert full_job.sets[2].repeat_of == "set2"
    shop.delete_entry(full_job.id, "set2")
    assert shop.job(full_job.id).sets[1].repeat_of is None
    shop.undo()
    assert shop.job(full_job.id).sets[2].repeat_of == "set2"


def test_a_file_that_changed_since_it_was_read_is_refused(shop, viola, make_set):
    tap_set, files = make_set(1)
    files[0].write_bytes(files[0].read_bytes() + b"\0")
    with pytest.raises(ShopError, match="changed since it was read"):
        shop.add_tap_set(viola, tap_set, files)
    assert shop.job(viola).sets == ()


def test_a_missing_file_is_one_line(shop, viola, make_set):
    tap_set, files = make_set(1)
    files[0].unlink()
    with pytest.raises(ShopError, match=r"there is no file .*taps 1-0\.wav"):
        shop.add_tap_set(viola, tap_set, files)


# The maker's word


def test_a_label_is_laid_over_every_later_analysis(shop, viola, make_set):
    shop.add_tap_set(viola, *make_set(1))
    assert shop.label(viola, "set1", 440.0, "B1-").label == "B1-"
    newer = make_set(9, frequencies=(223.0, 300.0, 441.9), method=2)[0]
    modes = shop.add_analysis(viola, "set1", newer).modes
    assert [(m.frequency, m.label, m.labelled_by) for m in modes] == [
        (223.0, "A0", "program"),
        (300.0, None, ""),
        (441.9, "B1-", "maker"),
    ]


def test_a_name_belongs_to_one_mode_and_outdoes_a_guess(shop, viola, make_set):
    shop.add_tap_set(viola, *make_set(1))
    shop.label(viola, "set1", 355.0, "A0")
    assert [m.label for m in shop.job(viola).sets[0].modes] == [None, "A0", None]
    shop.label(viola, "set1", 441.0, "A0")
    assert [m.label for m in shop.job(viola).sets[0].modes] == [None, None, "A0"]
    assert shop.label(viola, "set1", 441.0, None).label is None
    assert [m.label for m in shop.job(viola).sets[0].modes] == ["A0", None, None]


def test_a_label_without_its_mode_is_said(shop, viola, make_set):
    shop.add_tap_set(viola, *make_set(1))
    shop.label(viola, "set1", 441.0, "B1-")
    read = shop.add_analysis(viola, "set1", make_set(9, frequencies=(222.0,), method=2)[0])
    (reason,) = [r for r in read.reasons if r.code == "label_without_mode"]
    assert reason.values == {"label": "B1-", "frequency": 441.0}


def test_a_label_far_from_any_mode_names_the_nearest(shop, viola, make_set):
    shop.add_tap_set(viola, *make_set(1))
    with pytest.raises(
        NotFoundError, match=r"no resonance near 400\.0 Hz; the nearest are at 222\.0, 355\.0, 441\.0"
    ):
        shop.label(viola, "set1", 400.0, "B1-")


def test_the_newest_analysis_of_the_newest_method_counts(shop, viola, make_set):
    shop.add_tap_set(viola, *make_set(1, method=2))
    shop.add_analysis(viola, "set1", make_set(2, frequencies=(230.0,), method=2)[0])
    shop.add_analysis(viola, "set1", make_set(3, frequencies=(999.0,), method=1)[0])
    assert [m.frequency for m in shop.job(viola).sets[0].modes] == [230.0]
    assert [a.method for a in shop.analyses(viola, "set1")] == [2, 2, 1]


def test_same_modes_share_a_track_and_join_up(shop, viola, make_set):
    for seed in (1, 2, 3):
        shop.add_tap_set(viola, *make_set(seed))
    shop.same_mode(viola, ("set1", 355.0), ("set2", 441.0))
    shop.same_mode(viola, ("set1", 222.0), ("set2", 222.0))
    pair = shop.same_mode(viola, ("set2", 441.0), ("set3", 355.0))
    assert [m.track for m in pair] == ["same1", "same1"]
    tracks = [[m.track for m in s.modes] for s in shop.job(viola).sets]
    assert tracks == [["same2", "same1", None], ["same2", None, "same1"], [None, "same1", None]]
    with pytest.raises(ResonanceError, match="one tap set"):
        shop.same_mode(viola, ("set1", 222.0), ("set1", 355.0))


def test_two_groups_of_same_modes_become_one(shop, viola, make_set):
    for seed in (1, 2, 3, 4):
        shop.add_tap_set(viola, *make_set(seed))
    shop.same_mode(viola, ("set1", 355.0), ("set2", 355.0))
    shop.same_mode(viola, ("set3", 441.0), ("set4", 441.0))
    shop.same_mode(viola, ("set2", 355.0), ("set3", 441.0))
    tracks = [[m.track for m in s.modes] for s in shop.job(viola).sets]
    assert tracks == [[None, "same1", None]] * 2 + [[None, None, "same1"]] * 2


def test_a_judged_tap_is_the_makers_and_asks_for_a_new_analysis(shop, viola, make_set):
    shop.add_tap_set(viola, *make_set(1))
    tap = shop.judge_tap(viola, "set1", 0, 0.061, kept=True)
    assert (tap.onset, tap.kept, tap.judged_by) == (0.06, True, "maker")
    assert [f.code for f in tap.faults] == ["clipped"]
    read = shop.job(viola).sets[0]
    assert [(r.code, r.values) for r in read.reasons] == [("taps_judged_since", {"n": 1})]
    with pytest.raises(NotFoundError, match=r"no tap at 0\.50 s; there are: 0\.02, 0\.06"):
        shop.judge_tap(viola, "set1", 0, 0.5, kept=False)


# Jobs


@pytest.mark.parametrize(
    ("name", "id_"),
    [
        ("Viola 405", "viola-405"),
        ("Violon «Été» n° 3", "violon-ete-n-3"),
        ("小提琴 12", "小提琴-12"),
        ("../../etc", "etc"),
        ("'; DROP TABLE record; --", "drop-table-record"),
        ('{job} %s \\ " ☃', "job-s"),
        ("Größe\n\t2", "grosse-2"),
        ("♪ ♫", "job"),
        ("x" * 100, "x" * 40),
    ],
)
def test_odd_names_make_plain_ids_and_come_back_as_they_were(shop, name, id_, make_set):
    job = shop.new_job(Instrument(name), notes=name)
    assert job.id == id_
    assert shop.job(name).instrument.name == name
    shop.add_remark(name, name)
    shop.add_tap_set(name, *make_set(1))
    shop.label(name, "set1", 222.0, name)
    read = shop.job(id_)
    assert (read.notes, read.timeline[0].text, read.sets[0].modes[0].label) == (name, name, name)
    assert shop.check() == ()


def test_a_second_job_of_a_name_gets_a_number(shop):
    ids = [shop.new_job(VIOLA).id for _ in range(3)]
    assert ids == ["viola-405", "viola-405-2", "viola-405-3"]
    with pytest.raises(ResonanceError, match="there is a job viola-405 already"):
        shop.new_job(VIOLA, job="viola-405")


def test_an_unknown_job_names_those_there_are(shop, viola):
    with pytest.raises(NotFoundError, match="no job 'cello'; there are: viola-405"):
        shop.job("cello")


def test_a_deleted_job_is_off_the_list_and_undo_brings_it_back(shop, full_job):
    state = shown(shop, full_job.id)
    other = shop.new_job(Instrument("Cello", "cello")).id
    shop.delete_job(full_job.id)
    shop.add_remark(other, "something else meanwhile")
    assert [line.id for line in shop.jobs()] == [other]
    with pytest.raises(NotFoundError, match="was deleted"):
        shop.job(full_job.id)
    assert shop.new_job(VIOLA).id == "viola-405-2"  # a deleted job keeps its id
    assert shop.undo(full_job.id).text == "deleted the job viola-405"
    assert shown(shop, full_job.id) == state


def test_the_list_of_jobs(shop, full_job):
    (line,) = shop.jobs()
    assert (line.id, line.instrument, line.n_sets, line.n_adjustments) == (full_job.id, VIOLA, 3, 1)
    assert line.last == START + timedelta(days=2, hours=1)


def test_settings_are_kept_and_undone(shop):
    assert shop.settings() == Settings()
    shop.set_settings(Settings(heading="Atelier", pitch_a4=442.0, mains=60.0))
    assert Shop(shop.folder).settings().pitch_a4 == 442.0
    shop.undo()
    assert shop.settings() == Settings()


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda s: s.new_job(Instrument("x", "harp")), "'harp' is no family; write one of: violin, viola"),
        (lambda s: s.new_job(Instrument("x", piece="neck")), "'neck' is no piece"),
        (lambda s: s.new_job(Instrument("  ")), "needs a name"),
        (lambda s: s.add_adjustment("viola-405", Adjustment("", part="scroll")), "'scroll' is no part"),
        (
            lambda s: s.add_adjustment("viola-405", Adjustment("", part="soundpost", end="left")),
            "'left' is no end",
        ),
        (lambda s: s.edit_tap_set("viola-405", "set1", repeat_kind="twice"), "kind of repeat"),
        (lambda s: s.edit_tap_set("viola-405", "set9"), "no tap set in viola-405 is called 'set9'"),
        (lambda s: s.delete_entry("viola-405", "set9"), "no entry 'set9'"),
    ],
)
def test_wrong_words_are_refused_in_one_line(shop, viola, call, says):
    before = shop.acts()
    with pytest.raises(ResonanceError, match=says) as caught:
        call(shop)
    assert "\n" not in str(caught.value)
    assert shop.acts() == before


# Undo

ACTS = {
    "edit job": lambda s, j, m: s.edit_job(j, instrument=replace(VIOLA, owner="N. N."), notes="new"),
    "setup": lambda s, j, m: s.set_setup(j, apply_setup(s.job(j).setup, ["projection_mm=27"])),
    "adjustment": lambda s, j, m: s.add_adjustment(j, Adjustment("", None, "soundpost", along_mm=1.0)),
    "edit adjustment": lambda s, j, m: s.edit_adjustment(
        j, Adjustment("adj1", None, "soundpost", along_mm=2.0)
    ),
    "remark": lambda s, j, m: s.add_remark(j, "hm", before="set1"),
    "tap set": lambda s, j, m: s.add_tap_set(j, *m(77)),
    "edit tap set": lambda s, j, m: s.edit_tap_set(
        j, "set2", climate=Climate(1.0), conditions=Conditions("lap"), taken=START, repeat_of="set1"
    ),
    "delete tap set": lambda s, j, m: s.delete_entry(j, "set2"),
    "delete adjustment": lambda s, j, m: s.delete_entry(j, "adj1"),
    "delete remark": lambda s, j, m: s.delete_entry(j, "rem1"),
    "analysis": lambda s, j, m: s.add_analysis(j, "set1", m(78, frequencies=(200.0,), method=5)[0]),
    "target": lambda s, j, m: s.set_target(j, None),
    "suspect": lambda s, j, m: s.suspect_set(j, "set1"),
    "label": lambda s, j, m: s.label(j, "set2", 444.0, "B1-"),
    "unlabel": lambda s, j, m: s.label(j, "set1", 441.0, None),
    "same": lambda s, j, m: s.same_mode(j, ("set1", 222.0), ("set3", 223.5)),
    "tap": lambda s, j, m: s.judge_tap(j, "set2", 0, 0.02, kept=False),
    "confirm": lambda s, j, m: s.confirm_order(j),
    "move": lambda s, j, m: s.move_entry(j, "set3", before="set1"),
}


@pytest.mark.parametrize("name", ACTS)
def test_each_act_changes_something_and_undo_takes_it_back(shop, full_job, make_set, name):
    job = full_job.id
    before = shown(shop, job)
    n_acts = len(shop.acts(job))
    ACTS[name](shop, job, make_set)
    assert shown(shop, job) != before
    newest = shop.acts(job)[0]
    assert not newest.undone
    undone = shop.undo()
    assert undone.id == newest.id
    assert shown(shop, job) == before
    log = shop.acts(job)
    assert len(log) == n_acts + 2  # the act and its undoing are both on record
    assert log[1].undone
    assert log[0].text == f"undid: {log[1].text}"
    assert shop.check() == ()


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(names=st.lists(st.sampled_from([*ACTS, "undo"]), min_size=3, max_size=12))
def test_undo_walks_back_through_any_row_of_acts(tmp_path_factory, full_job, shop, make_set, names):
    folder = tmp_path_factory.mktemp("walk") / "shop"
    copy_shop(shop, folder)
    trial, job = Shop(folder), full_job.id
    states = [shown(trial, job)]
    for name in names:
        if name == "undo" and len(states) > 1:
            trial.undo()
            states.pop()
        elif name != "undo":
            try:
                ACTS[name](trial, job, make_set)
            except (NotFoundError, DuplicateRecording):
                continue  # what an earlier act took away; nothing was written
            states.append(shown(trial, job))
        assert shown(trial, job) == states[-1]
    while len(states) > 1:
        trial.undo(job)
        states.pop()
        assert shown(trial, job) == states[-1]
    assert trial.check() == ()


def copy_shop(shop, folder):
    """Copy a shop that nobody has open: its files are all there is to it."""
    (folder / "sound").mkdir(parents=True)
    for path in (shop.database, *shop.sound_folder.iterdir()):
        (folder / path.relative_to(shop.folder)).write_bytes(path.read_bytes())


def test_nothing_left_to_undo(shop, viola):
    shop.undo()
    with pytest.raises(NotFoundError, match="nothing to undo in this shop"):
        shop.undo()
    assert shop.jobs() == ()


# Never lost


def test_no_row_can_be_changed_or_removed(shop, full_job):
    db = sqlite3.connect(shop.database)
    for table in ("act", "record", "sound", "take"):
        for statement in (f"UPDATE {table} SET digest = ''", f"DELETE FROM {table}"):
            with pytest.raises(sqlite3.IntegrityError, match="never changed or removed"):
                db.execute(statement)
    db.close()


def test_earlier_versions_stay_on_record(shop, viola):
    shop.edit_job(viola, notes="first")
    shop.edit_job(viola, notes="second")
    db = sqlite3.connect(shop.database)
    bodies = [body for (body,) in db.execute("SELECT body FROM record WHERE kind = 'job' ORDER BY seq")]
    db.close()
    assert ['"first"' in bodies[1], '"second"' in bodies[2], len(bodies)] == [True, True, 3]


def test_what_a_newer_version_noted_survives_an_edit(shop, viola, make_set):
    """A record with keys we do not know is edited without losing them."""
    with change.changing(shop.database, viola, made=START) as act:
        act.write("setup", "setup", {**act.body("setup", "setup"), "varnish": "amber"})
    shop.set_setup(viola, apply_setup(shop.job(viola).setup, ["projection_mm=27"]))
    with change.changing(shop.database, viola, made=START) as act:
        assert act.body("setup", "setup")["varnish"] == "amber"
        assert act.body("setup", "setup")["projection_mm"] == 27.0


@pytest.mark.parametrize("nth", [1, 2, 3, 4])
def test_a_failing_write_leaves_the_shop_as_it_was(shop, viola, make_set, monkeypatch, nth):
    tap_set, files = make_set(1)
    state, acts = shown(shop, viola), shop.acts()
    calls = iter(range(1, 100))
    real = change.add_record

    def failing(*args, **kwargs):
        if next(calls) == nth:
            raise KeyboardInterrupt
        return real(*args, **kwargs)

    monkeypatch.setattr(change, "add_record", failing)
    if nth < 4:
        with pytest.raises(KeyboardInterrupt):
            shop.add_tap_set(viola, tap_set, files)
        assert (shown(shop, viola), shop.acts()) == (state, acts)
        (problem,) = shop.check()
        assert (problem.code, problem.harmless) == ("sound_without_row", True)
        monkeypatch.undo()
    shop.add_tap_set(viola, tap_set, files)  # three records: a fourth is never written
    assert shop.check() == ()


CRASH = """
import os, sys
from dataclasses import replace
from pathlib import Path
from resonance.jobs import change, sounds
from resonance.jobs.store import Shop
from resonance.sets.tapset import TapSet
from resonance.sound.files import read_recording
from resonance.sound.recording import Take
where, folder, file = sys.argv[1:]
def die(*args, **kwargs): os._exit(9)
if where == "before the rename": sounds.os.replace = die
if where == "before the rows": change.add_act = die
if where == "amid the rows": change.write_set.__globals__["assemble"].order_body = die
if where == "before the commit":
    real = change.Change.finish
    change.Change.finish = lambda self: (real(self), die())
Shop(folder).add_tap_set("viola-405", TapSet("", None, (), takes=(Take(read_recording(file)),)), [file])
"""


@pytest.mark.parametrize(
    ("where", "leaves"),
    [
        ("before the rename", "unfinished_copy"),
        ("before the rows", "sound_without_row"),
        ("amid the rows", "sound_without_row"),
        ("before the commit", "sound_without_row"),
    ],
)
def test_a_crash_leaves_at_worst_a_file(shop, viola, make_set, where, leaves):
    tap_set, files = make_set(1)
    state = shown(shop, viola)
    command = [sys.executable, "-c", CRASH, where, str(shop.folder), str(files[0])]
    assert subprocess.run(command, timeout=60, check=False).returncode == 9
    again = Shop(shop.folder)
    assert shown(again, viola) == state
    assert [(p.code, p.harmless) for p in again.check()] == [(leaves, True)]
    again.add_tap_set(viola, tap_set, files)
    assert [p.code for p in again.check()] == (["unfinished_copy"] if leaves == "unfinished_copy" else [])


WRITER = """
import sys
from resonance.jobs.store import Shop
shop = Shop(sys.argv[1])
for number in range(20):
    shop.add_remark("viola-405", f"{sys.argv[2]} {number}")
"""


def test_two_programs_at_once_lose_nothing(shop, viola):
    command = [sys.executable, "-c", WRITER, str(shop.folder)]
    running = [subprocess.Popen([*command, name]) for name in ("a", "b")]
    assert [process.wait(timeout=120) for process in running] == [0, 0]
    texts = [entry.text for entry in shop.job(viola).timeline]
    assert sorted(texts) == sorted(f"{name} {number}" for name in "ab" for number in range(20))
    for name in "ab":
        own = [text for text in texts if text.startswith(name)]
        assert own == [f"{name} {number}" for number in range(20)]
    ids = [entry.id for entry in shop.job(viola).timeline]
    assert len(set(ids)) == 40
    assert shop.check() == ()


def test_two_shops_open_at_once_see_each_other(shop, viola, make_set):
    other = Shop(shop.folder)
    shop.add_tap_set(viola, *make_set(1))
    other.add_adjustment(viola, Adjustment("", None, "bridge"))
    shop.add_tap_set(viola, *make_set(2))
    assert [entry.id for entry in other.job(viola).timeline] == ["set1", "adj1", "set2"]


def test_a_recording_that_another_bench_adds_at_the_same_moment_is_kept_once(shop, viola, make_set):
    tap_set, files = make_set(1)
    other, keep = Shop(shop.folder), shop._keep

    def overtaken(take, path):
        if not other.job(viola).sets:
            other.add_tap_set(viola, tap_set, files)
        return keep(take, path)

    shop._keep = overtaken
    with pytest.raises(DuplicateRecording, match=r"taps 1-0\.wav is already in tap set set1"):
        shop.add_tap_set(viola, tap_set, files)
    assert len(shop.job(viola).sets) == 1
    assert shop.check() == ()


def test_a_busy_shop_is_one_plain_line(shop, viola, monkeypatch):
    monkeypatch.setattr("resonance.jobs.database.BUSY_SECONDS", 0.05)
    holder = sqlite3.connect(shop.database, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    with pytest.raises(ShopError, match="another program is using the shop"):
        shop.add_remark(viola, "x")
    assert shop.job(viola).timeline == ()  # reading goes on
    holder.close()


def test_a_folder_that_cannot_be_used_is_one_plain_line(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(ShopError, match="cannot be used"):
        Shop(tmp_path / "file")


@pytest.mark.skipif(os.name == "nt", reason="no such open files to count")
def test_no_connection_stays_open(shop, viola, make_set):
    shop.add_tap_set(viola, *make_set(1))
    open_files = [os.readlink(f"/proc/self/fd/{fd}") for fd in _open_numbers()]
    assert not [name for name in open_files if str(shop.folder) in name]
    assert sorted(path.name for path in shop.folder.iterdir()) == ["shop.db", "sound"]


def _open_numbers():
    folder = Path("/proc/self/fd")
    return [fd for fd in os.listdir(folder) if (folder / fd).is_symlink() and (folder / fd).exists()]
