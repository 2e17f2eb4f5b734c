"""One act further back is taken back by itself: the job is then what it would be had it never been."""

from datetime import timedelta

import pytest

from resonance.errors import NotFoundError, ResonanceError
from resonance.jobs.records import to_record
from resonance.jobs.store import Shop
from resonance.jobs.undoing import undo_act, undoable
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Adjustment

from .conftest import START


def shown(shop, job):
    return to_record(shop.job(job))


def act_of(shop, text):
    (act,) = [act for act in shop.acts() if act.text == text]
    return act.id


@pytest.mark.parametrize("id_", ["set2", "set1", "adj1", "rem1"])
def test_a_deleted_entry_comes_back_to_its_place_and_later_work_stays(shop, full_job, id_):
    """Truth: the same later work on the job with the entry never deleted."""
    job = full_job.id
    shop.delete_entry(job, id_)
    shop.add_remark(job, "later work")
    shop.add_adjustment(job, Adjustment("", START + timedelta(days=9), "soundpost", along_mm=0.5))
    later = shown(shop, job)
    undo_act(shop, act_of(shop, f"deleted {id_} of {job}"))
    found = shown(shop, job)
    texts = [shop.undo(job).text for _ in range(4)]
    assert texts[0] == f"brought {id_} of {job} back"
    assert texts[3] == f"deleted {id_} of {job}"
    assert shown(shop, job) == to_record(full_job)
    ids = [entry["id"] for entry in found["timeline"]]
    assert [i for i in ids if i != id_] == [entry["id"] for entry in later["timeline"]]
    assert ids[: len(full_job.timeline)] == [entry.id for entry in full_job.timeline]
    assert found["setup"]["post"]["behind_mm"] == pytest.approx(2.5 + 0.25 + 0.5)
    assert shop.check() == ()


def test_a_name_a_tap_and_a_target_are_lifted_by_themselves(shop, full_job):
    job = full_job.id
    shop.judge_tap(job, "set2", 0, 0.02, kept=False)
    shop.label(job, "set2", 444.0, "B1-")
    shop.set_target(job, "set2")
    shop.add_remark(job, "later")
    for text in (
        "made set2 the target of viola-405",
        "refused the tap at 0.02 s of tap set set2 of viola-405",
    ):
        undo_act(shop, act_of(shop, text))
    after = shop.job(job)
    assert after.target == "set1"
    assert after.sets[1].taps[0].kept
    assert "B1-" in [mode.label for mode in after.sets[1].modes]
    undo_act(shop, act_of(shop, "named 444.0 Hz B1- in tap set set2 of viola-405"))
    assert "B1-" not in [mode.label for mode in shop.job(job).sets[1].modes]


def test_a_deleted_job_comes_back(shop, full_job):
    shop.delete_job(full_job.id)
    cello = shop.new_job(Instrument("Cello", "cello")).id
    undo_act(shop, act_of(shop, f"deleted the job {full_job.id}"))
    assert shown(shop, full_job.id) == to_record(full_job)
    assert [line.id for line in shop.jobs()] == [full_job.id, cello]


def test_what_others_hang_on_is_refused_and_says_what_first(shop, full_job):
    before = shown(shop, full_job.id)
    with pytest.raises(ResonanceError, match="take them back first: 11, 10, 9"):
        undo_act(shop, act_of(shop, "noted adjustment adj1 (soundpost) of viola-405"))
    assert shown(shop, full_job.id) == before


def test_an_act_is_taken_back_once_and_only_if_there(shop, full_job):
    number = act_of(shop, "made set1 the target of viola-405")
    undo_act(shop, number)
    for wrong in (number, 999, act_of(shop, "undid: made set1 the target of viola-405")):
        with pytest.raises(NotFoundError, match=f"no act {wrong} to take back"):
            undo_act(shop, wrong)


def test_thirty_days_are_listed_and_older_ones_still_undone(shop, full_job):
    number = act_of(shop, "made set1 the target of viola-405")
    listed = [act.id for act in undoable(shop)]
    assert listed == sorted(listed, reverse=True)
    assert number in listed
    assert len(listed) == len(shop.acts()) - 2  # not the undone one, nor its undoing
    later = Shop(shop.folder, clock=lambda: START + timedelta(days=400))
    assert undoable(later) == ()
    undo_act(later, number)
    assert later.job(full_job.id).target is None


def test_what_is_there_again_is_not_brought_back_twice(shop, full_job):
    shop.delete_entry(full_job.id, "set2")
    number = act_of(shop, "deleted set2 of viola-405")
    shop.add_remark(full_job.id, "later")
    undo_act(shop, number)
    with pytest.raises(NotFoundError, match="set2 of viola-405 is there again already"):
        undo_act(shop, number)
