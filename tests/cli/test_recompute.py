"""recompute: an older method, or taps judged since; analysed anew with nothing of the maker's lost.

The truth of the sound is that of conftest.py: the lower main body note of before.wav is at 462 Hz.
"""

from dataclasses import replace

import pytest

from resonance.jobs import answers, recompute
from resonance.jobs.recompute import OutOfDate, analyse_anew
from resonance.jobs.store import Shop
from resonance.modes.estimate import METHOD
from resonance.units import cents

OFF = 1.006  # 10.4 cents: what the older method is made to read too high


@pytest.fixture
def old(worked, shop):
    """A job 'fiddle' whose first tap set an older, worse method analysed, and the shop it is in."""
    made = Shop(shop)
    source = Shop(worked[0])
    job = source.job("fiddle")
    made.new_job(job.instrument, job="fiddle", setup=job.setup)
    first, second = (source.with_sound(each) for each in job.sets)
    modes = tuple(replace(mode, frequency=OFF * mode.frequency) for mode in first.modes)
    older = replace(first.analysis, method=METHOD - 1)
    made.add_tap_set("fiddle", replace(first, modes=modes, analysis=older), confirmed=True)
    made.add_adjustment("fiddle", job.adjustments[0])
    made.add_tap_set("fiddle", second, after="adj1", confirmed=True)
    return made


def lower(tap_set):
    """The lower main body note of a tap set of before.wav (462 Hz), as it was named."""
    return min(tap_set.modes, key=lambda mode: abs(mode.frequency - 462.0))


def missing(shop, set_id):
    """Lose the sound of a tap set."""
    (first, *_) = [s for s in shop.job("fiddle").sets if s.id == set_id]
    path = shop.sound_file(first.takes[0].recording.sha256)
    path.unlink()
    return path


def test_a_mixed_job_is_refused_then_analysed_anew_and_compared(old, command):
    stored = lower(old.job("fiddle").sets[0]).frequency
    assert cents(stored, 462.0) > 5.0
    old.label("fiddle", "set1", stored, "my low one")
    old.same_mode("fiddle", ("set1", stored), ("set2", 502.0))
    old.set_target("fiddle", "set1")
    tap = old.judge_tap("fiddle", "set1", 0, old.job("fiddle").sets[0].taps[1].onset, kept=False)
    before = old.job("fiddle")

    assert "run 'resonance recompute fiddle'" in command("compare", "fiddle").failed(1)
    for each in ("history", "post", "repeat", "target"):
        ran = command(each, "fiddle", "--json").done()
        assert "1 of 2 was analysed by an older method" in " ".join(ran.err.split()), each
        assert "run 'resonance recompute fiddle'" in " ".join(ran.err.split()), each

    assert "fiddle: tap set 1" in command("recompute", "fiddle").done().text
    after = old.job("fiddle")
    mode = lower(after.sets[0])
    assert after.sets[0].analysis.method == METHOD
    assert abs(mode.frequency - 462.0) < 3.0 * mode.frequency_u + 0.2  # Hz; a tenth of a shift that matters
    assert (mode.label, mode.labelled_by, mode.track) == ("my low one", "maker", "same1")
    assert after.target == "set1"
    judged = after.sets[0].taps[1]
    assert (judged.onset, judged.kept, judged.judged_by) == (tap.onset, False, "maker")
    assert mode.n_taps == sum(each.kept for each in after.sets[0].taps) == len(after.sets[0].taps) - 1
    assert "taps_judged_since" not in {reason.code for reason in after.sets[0].reasons}
    assert after.timeline == before.timeline
    assert old.job("fiddle").sets[1].analysis == before.sets[1].analysis
    assert [each.method for each in old.analyses("fiddle", "set1")] == [METHOD - 1, METHOD]
    command("compare", "fiddle").done()
    assert "older method" not in command("history", "fiddle").done().text
    assert "Nothing to do" in command("recompute", "fiddle").done().text
    assert old.check() == ()

    command("undo", "fiddle").done()
    back = old.job("fiddle")
    assert back.sets[0].analysis.method == METHOD - 1
    assert lower(back.sets[0]).frequency == stored
    assert lower(back.sets[0]).label == "my low one"
    command("compare", "fiddle").failed(1)


def test_a_judged_tap_is_heeded(old, command):
    command("recompute", "fiddle").done()
    tap = old.judge_tap("fiddle", "set2", 0, old.job("fiddle").sets[1].taps[0].onset, kept=False)
    assert "resonance recompute" in command("job", "show", "fiddle", "set2").done().text
    found = command("recompute", "fiddle", "--json").done().json
    assert found == {
        "recomputed": [{"job": "fiddle", "set": "set2", "why": "taps", "method": METHOD}],
        "passed_over": [],
    }
    second = old.job("fiddle").sets[1]
    assert not second.taps[0].kept
    assert second.taps[0].onset == tap.onset
    assert {mode.n_taps for mode in second.modes} == {len(second.taps) - 1}
    old.judge_tap("fiddle", "set2", 0, tap.onset, kept=True)
    command("recompute", "fiddle").done()
    assert {mode.n_taps for mode in old.job("fiddle").sets[1].modes} == {len(second.taps)}


def test_a_tap_set_without_sound_is_named_and_passed_over(old, command):
    path = missing(old, "set1")
    before = old.job("fiddle").sets[0]
    old.judge_tap("fiddle", "set2", 0, old.job("fiddle").sets[1].taps[0].onset, kept=False)
    ran = command("recompute")
    assert ran.code == 1
    assert "fiddle: tap set 2" in ran.text
    said = "".join(ran.err.split())  # a long path may be broken over lines
    assert f"Passedover:fiddle,tapset1:thesoundfile{path}ismissing" in said
    assert "Traceback" not in ran.err
    job = old.job("fiddle")
    assert job.sets[0].analysis == before.analysis
    assert [m.frequency for m in job.sets[0].modes] == [m.frequency for m in before.modes]
    assert "taps_judged_since" not in {reason.code for reason in job.sets[1].reasons}
    (over,) = command("recompute", "--json").json["passed_over"]
    assert (over["job"], over["set"]) == ("fiddle", "set1")
    assert "missing" in over["trouble"]


def test_what_was_done_before_a_stop_is_kept(old, command, monkeypatch):
    old.judge_tap("fiddle", "set2", 0, old.job("fiddle").sets[1].taps[0].onset, kept=False)

    def stopped(folder, asked, *, progress=None):
        if asked.set_id == "set2":
            raise KeyboardInterrupt
        return analyse_anew(folder, asked, progress=progress)

    monkeypatch.setattr(recompute, "analyse_anew", stopped)
    command("recompute", "fiddle").failed(130)
    job = old.job("fiddle")
    assert [each.analysis.method for each in job.sets] == [METHOD, METHOD]
    assert "taps_judged_since" in {reason.code for reason in job.sets[1].reasons}


def test_a_name_that_fits_no_resonance_any_more_is_told(old, command):
    first = old.job("fiddle").sets[0]
    astray = replace(first.modes[0], frequency=1100.0, label=None)
    stored = replace(first, modes=(*first.modes, astray))
    old.add_analysis("fiddle", "set1", stored)
    old.label("fiddle", "set1", 1100.0, "ghost")
    shown = command("recompute", "fiddle").done().text
    assert "Look at these" in shown
    assert "ghost" in shown


def test_processes_give_the_same_answers(old, command):
    old.judge_tap("fiddle", "set2", 0, old.job("fiddle").sets[1].taps[0].onset, kept=False)
    here = [
        analyse_anew(old.folder, OutOfDate("fiddle", each, "method")).tap_set for each in ("set1", "set2")
    ]
    found = command("recompute", "fiddle", "--workers", "2", "--json").done().json
    assert [each["set"] for each in found["recomputed"]] == ["set1", "set2"]
    for mine, theirs in zip(here, old.job("fiddle").sets, strict=True):
        assert [m.frequency for m in theirs.modes] == [m.frequency for m in mine.modes]


def test_a_newer_program_is_told_from_an_older_one(old):
    job = old.job("fiddle")
    assert answers.mixed_words(replace(job, sets=job.sets[1:])) == ""
    newer = replace(job.sets[0], analysis=replace(job.sets[0].analysis, method=METHOD + 1))
    said = answers.mixed_words(replace(job, sets=(newer, job.sets[1])))
    assert "bring this program up to date, then run 'resonance recompute fiddle'" in said


def test_wrong_usage_is_one_line(old, command):
    assert "whole number" in command("recompute", "fiddle", "--workers", "0").failed(2)
    assert "there is no job 'nobody'" in command("recompute", "nobody").failed(1)
