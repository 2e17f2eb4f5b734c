"""The demo job: complete in its shop, and its readings near the truth it was made from.

Truth: the scenario's own modes, which the analysis never sees.
"""

import json
import math

import pytest
import scipy

from resonance.demo import build_demo, truth
from resonance.demo.build import make_set
from resonance.demo.scenario import ADJUSTMENTS, SITTINGS
from resonance.jobs.store import Shop

SETS = (1, 4, 8, 13)
MAIN = ("tailpiece", "B-1", "A0", "CBR", "B1-", "B1+")


@pytest.fixture(scope="module")
def analysed(tmp_path_factory):
    """Tap sets from two microphone places each, made and analysed."""
    folder = tmp_path_factory.mktemp("sets")
    return {number: make_set(number, folder).tap_set for number in SETS}


def reading(tap_set, frequency):
    """The body or air mode nearest to a frequency."""
    modes = [m for m in tap_set.modes if m.kind not in ("string", "hum")]
    return min(modes, key=lambda m: abs(m.frequency - frequency))


@pytest.mark.parametrize("number", SETS)
@pytest.mark.parametrize("name", MAIN)
def test_main_notes_are_read_within_what_a_maker_sees_and_what_is_stated(analysed, number, name):
    (made,) = [m for m in truth.modes_of(number) if m.name == name]
    mode = reading(analysed[number], made.frequency)
    error = mode.frequency - made.frequency
    assert abs(error) < 0.5
    stated = scipy.stats.t.ppf(0.9995, mode.frequency_dof) * math.hypot(mode.frequency_u, mode.model_u)
    assert abs(error) < stated
    assert mode.damping == pytest.approx(made.damping, rel=0.2)


@pytest.mark.parametrize("number", SETS)
def test_names_of_the_main_notes(analysed, number):
    made = {m.name: m.frequency for m in truth.modes_of(number)}
    labels = {m.label: m.frequency for m in analysed[number].modes if m.label}
    for name in ("A0", "B1-", "B1+"):
        assert labels[name] == pytest.approx(made[name], abs=1.0)


def test_strings_are_told_from_body_modes(analysed):
    strings = [m.frequency for m in analysed[4].modes if m.kind == "string"]
    for pitch in (196.0, 293.66, 392.0, 440.0):
        assert min(abs(f - pitch) for f in strings) < 1.0


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo") / "shop"
    told = []
    job = build_demo(folder, progress=lambda fraction, text: told.append((fraction, text)))
    return folder, job, told


@pytest.mark.slow
def test_the_job_is_complete(built):
    folder, job, told = built
    assert "nvented" in job.instrument.name
    assert "nvented" in job.notes
    assert [s.taken for s in job.sets] == [s.taken for s in SITTINGS]
    assert [a.note for a in job.adjustments] == [a.note for a in ADJUSTMENTS]
    assert sorted(s.repeat_kind for s in job.sets if s.repeat_of) == [
        "put back",
        "slackened and retuned",
        "untouched",
    ]
    assert all(len(s.modes) >= 10 for s in job.sets)
    assert all(entry.confirmed for entry in job.timeline)
    assert [e.text for e in job.timeline if e.kind == "remark"]
    assert job.setup.fittings.chin_rest_type == "side mounted"
    assert job.sets[0].setup.fittings.chin_rest_type == "none"
    assert Shop(folder).check() == ()
    fractions = [fraction for fraction, _ in told]
    assert fractions == sorted(fractions)
    assert fractions[-1] == 1.0


@pytest.mark.slow
def test_bad_taps_are_refused_and_the_good_ones_kept(built):
    _, job, _ = built
    for tap_set in job.sets:
        number = int(tap_set.id.removeprefix("set"))
        made = [(k, t) for k, take in enumerate(truth.set_truth(number).takes) for t in take.taps]
        assert len(tap_set.taps) == len(made)
        for tap, (take, blow) in zip(tap_set.taps, made, strict=True):
            assert tap.take == take
            assert tap.onset == pytest.approx(blow.onset, abs=0.002)
            assert tap.kept == (not blow.fault)


@pytest.mark.slow
def test_the_truth_lies_beside_it(built):
    folder, job, _ = built
    record = json.loads((folder / "truth.json").read_text("utf-8"))
    assert record["invented"].startswith("Invented")
    assert [s["number"] for s in record["sets"]] == list(range(1, 15))
    for tap_set, made in zip(job.sets, record["sets"], strict=True):
        (main,) = [m["frequency"] for m in made["modes"] if m["name"] == "B1-"]
        assert reading(tap_set, main).frequency == pytest.approx(main, abs=1.0)
