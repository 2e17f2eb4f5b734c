"""The second set found again from the first one's modes: names kept, new ones kept; made-up sound."""

from dataclasses import replace

import numpy as np
import pytest

from resonance.changes.compare import compare
from resonance.changes.comparison import Repeatability, Scatter
from resonance.changes.restart import has_sound, merge, modes_from
from resonance.modes.estimate import METHOD, find_modes
from resonance.sets.tapset import Analysis
from resonance.sound.recording import Take
from resonance.sound.synthesis import BodyMode, even_blows, tap_recording
from resonance.taps.tap import Tap

from .making import a_mode, a_set, a_take, moved

# A violin's body modes as in the textbook values (A0 280, B1- 470, B1+ 550 Hz), the others invented.
TRUTH = (
    BodyMode(280.0, 0.028, 1.0, 0.2),
    BodyMode(405.0, 0.010, 0.7, 1.1),
    BodyMode(470.0, 0.011, 1.2, 0.4),
    BodyMode(550.0, 0.010, 1.0, 2.0),
    BodyMode(700.0, 0.012, 0.6, 0.9),
    BodyMode(840.0, 0.013, 0.6, 1.7),
)
EXACT = Repeatability(Scatter(0.5, 60.0, "put back", "this job"), n_repeats=9)


def test_a_mode_found_again_keeps_its_name_kind_and_track():
    stored = a_mode(450.0, kind="air", label="A1", labelled_by="maker", track="m3", levels=())
    (mode,) = merge([a_mode(450.4, u=0.1)], [stored])
    assert (mode.frequency, mode.frequency_u) == (450.4, 0.1)
    assert (mode.kind, mode.label, mode.labelled_by, mode.track) == ("air", "A1", "maker", "m3")


def test_what_was_not_found_again_stays_and_each_is_used_once():
    found = [a_mode(450.0), a_mode(452.0)]
    stored = [a_mode(451.8, label="near"), a_mode(640.0, label="new")]
    merged = merge(found, stored)
    assert [(m.frequency, m.label) for m in merged] == [(450.0, None), (452.0, "near"), (640.0, "new")]


def test_too_far_is_another_mode():
    # half of the half-power bandwidth at 450 Hz and a ratio of .011: 4.95 Hz
    assert len(merge([a_mode(450.0)], [a_mode(454.0)])) == 1
    assert len(merge([a_mode(450.0)], [a_mode(456.0)])) == 2
    assert len(merge([], [a_mode(450.0)])) == 1
    assert len(merge([a_mode(450.0)], [])) == 1


def test_without_sound_the_stored_modes_are_compared():
    one, two = a_set("a", [a_mode(450.0)]), a_set("b", [a_mode(452.0)], taps=(Tap(0.1),))
    assert not has_sound(one)
    assert not has_sound(two)
    assert modes_from(one, two) == (two.modes, ())


def sound(truth, rng, *, blows=5):
    """Takes of some blows each, every mode with another phase at each microphone place; and their taps."""
    made, found = [], []
    for take, place in enumerate(("near", "far")):
        hits = even_blows(blows, rng=rng)
        seen = [replace(m, phase=m.phase + 0.4 * take) for m in truth]
        recording = tap_recording(seen, hits, rng=rng, sample_rate=24_000.0, snr_db=40.0)
        made.append(Take(recording, "bass corner", place))
        found += [Tap(hit.onset, take=take, end=hit.onset + 0.8, reach=3000.0) for hit in hits]
    return tuple(made), tuple(found)


def analysed(name, truth, rng, **more):
    takes, taps = sound(truth, rng)
    found = find_modes(takes, taps, band=(200.0, 1000.0))
    analysis = Analysis(method=METHOD, band=found.band, reach=found.reach, noise_db=found.noise_db)
    return a_set(name, found.modes, takes=takes, taps=taps, analysis=analysis, **more)


def test_with_sound_the_second_set_is_fitted_from_the_first_ones_modes():
    rng = np.random.default_rng(12)
    after_truth = [
        replace(m, frequency=moved(m.frequency, 8.0)) if m.frequency == 470.0 else m for m in TRUTH
    ]
    before, after = analysed("set1", TRUTH, rng), analysed("set2", after_truth, rng)
    # What was stored of the second set lacks a mode and reads another badly; its sound is whole.
    stored = [
        replace(m, frequency=m.frequency + 3.0, label="B1-", labelled_by="maker")
        if abs(m.frequency - 472) < 5
        else m
        for m in after.modes
        if abs(m.frequency - 700.0) > 10.0
    ]
    after = replace(after, modes=tuple(stored))
    comparison = compare(before, after, repeatability=EXACT)
    paired = {round(s.before.frequency, -1): s for s in comparison.shifts if s.before and s.after}
    assert {280, 400, 470, 550, 700, 840} <= {round(k / 10) * 10 for k in paired}
    shift = paired[470]
    assert shift.verdict == "moved"
    assert shift.label == "B1-"
    assert shift.shift == pytest.approx(moved(470.0, 8.0) - 470.0, abs=0.2)
    assert shift.interval_cents[0] < 8.0 < shift.interval_cents[1]
    assert [s.verdict for k, s in paired.items() if k != 470] == ["no change seen"] * (len(paired) - 1)
    dry = replace(after, takes=tuple(a_take("bass corner", place) for place in ("near", "far")))
    assert compare(before, dry, repeatability=EXACT).shifts != comparison.shifts


def test_what_is_new_in_the_second_set_still_comes_as_appeared():
    rng = np.random.default_rng(13)
    before = analysed("set1", TRUTH, rng)
    after = analysed("set2", [*TRUTH, BodyMode(625.0, 0.011, 1.0, 0.3)], rng)
    found = {
        round((s.before or s.after).frequency): s.verdict
        for s in compare(before, after, repeatability=EXACT).shifts
    }
    assert found[625] == "appeared"
    back = {
        round((s.before or s.after).frequency): s.verdict
        for s in compare(after, before, repeatability=EXACT).shifts
    }
    assert back[625] == "not found"


def test_another_method_than_the_stored_one_is_not_mixed_in():
    rng = np.random.default_rng(14)
    takes, taps = sound(TRUTH, rng, blows=3)
    older = Analysis(method=METHOD + 1, band=(200.0, 1000.0), reach=3000.0)
    one = a_set("a", [a_mode(470.0)], analysis=older)
    two = a_set("b", [a_mode(471.0)], analysis=older, takes=takes, taps=taps)
    modes, reasons = modes_from(one, two)
    assert modes == two.modes
    assert [r.code for r in reasons] == ["restart_failed"]
