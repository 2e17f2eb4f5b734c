"""Which tap sets are out of date, by what settings they are analysed anew, and how that is kept."""

from dataclasses import replace

import pytest

from resonance.jobs.job import Job
from resonance.jobs.recompute import Anew, OutOfDate, analyse_anew, keep_analyses, out_of_date
from resonance.modes.estimate import METHOD
from resonance.reasons import Reason
from resonance.sets.instrument import Instrument
from resonance.sets.tapset import Analysis, TapSet


def a_set(set_id, method, *codes):
    reasons = tuple(Reason(code) for code in codes)
    return TapSet(set_id, None, (), analysis=Analysis(method), reasons=reasons)


@pytest.mark.parametrize(
    ("method", "codes", "why"),
    [
        (0, (), "method"),
        (2, (), "method"),
        (2, ("taps_judged_since",), "method"),
        (3, (), None),
        (3, ("taps_judged_since",), "taps"),
        (3, ("label_without_mode",), None),
        (4, (), None),
        (4, ("taps_judged_since",), None),  # an analysis of ours would not count beside the newer one
    ],
)
def test_out_of_date(method, codes, why):
    job = Job("v", Instrument("v"), sets=(a_set("set1", method, *codes), a_set("set2", 3)))
    assert out_of_date(job, method=3) == ((OutOfDate("v", "set1", why),) if why else ())


def test_new_analyses_are_one_act_beside_the_old_ones(shop, full_job, make_set):
    job = full_job.id
    n_acts = len(shop.acts(job))
    found = [
        Anew(
            OutOfDate(job, each, "method"),
            replace(make_set(90 + k, frequencies=(300.0 + k,), method=7)[0], id=each),
        )
        for k, each in enumerate(("set1", "set2", "set9"))
    ]
    lost = Anew(OutOfDate(job, "set3", "method"), trouble="no sound")
    assert keep_analyses(shop, job, [*found, lost]) == ("set1", "set2")  # set9 was deleted meanwhile
    assert len(shop.acts(job)) == n_acts + 1
    assert [[m.frequency for m in s.modes] for s in shop.job(job).sets[:2]] == [[300.0], [301.0]]
    assert len(shop.analyses(job, "set2")) == 2
    shop.undo(job)
    assert shop.job(job).sets[1].modes == full_job.sets[1].modes
    assert keep_analyses(shop, job, [lost]) == ()
    assert len(shop.acts(job)) == n_acts + 2


def test_the_settings_of_the_stored_analysis_are_used(shop, viola, make_set):
    made, files = make_set(5)
    settings = {"family": "cello", "piece": "whole", "pitch_a4": 415.0, "band_given": True}
    analysis = replace(made.analysis, settings=settings, band=(100.0, 900.0))
    shop.add_tap_set(viola, replace(made, analysis=analysis), files)
    found = analyse_anew(shop.folder, OutOfDate(viola, "set1", "method"))
    assert found.trouble == ""
    assert found.tap_set.analysis.settings == settings
    assert found.tap_set.analysis.method == METHOD
    assert found.tap_set.analysis.band == (100.0, 900.0)
    assert found.tap_set.takes == ()


def test_a_damaged_sound_is_told_and_nothing_raised(shop, viola, make_set):
    tap_set = shop.add_tap_set(viola, *make_set(6))
    path = shop.sound_file(tap_set.takes[0].recording.sha256)
    path.write_bytes(path.read_bytes()[:-1] + b"!")
    found = analyse_anew(shop.folder, OutOfDate(viola, "set1", "method"))
    assert found.tap_set is None
    assert "damaged; mend it" in found.trouble
