"""Two sets read by one list: what a shift is told from, what one list alone tells; made-up sound."""

from dataclasses import replace

import numpy as np
import pytest

from resonance.changes.compare import compare
from resonance.changes.comparison import Repeatability, Scatter
from resonance.changes.pair import Pair
from resonance.changes.shifts import bent_by_room, judge_pair, mode_shifts, yardsticks
from resonance.changes.together import OneList, Together, found_in_other, has_sound, read_together, shift_of
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


def test_without_sound_the_stored_modes_are_compared():
    one, two = a_set("a", [a_mode(450.0)]), a_set("b", [a_mode(452.0)], taps=(Tap(0.1),))
    assert not has_sound(one)
    assert not has_sound(two)
    assert read_together(one, two) == (None, ())


def entries(*rows):
    """(frequency, shift, u, shown in both) as a list's readings."""
    return tuple((f, OneList(shift, u, 6.0, (0.010, 0.011), (True, shown))) for f, shift, u, shown in rows)


def test_the_shift_is_the_mean_of_both_lists_and_what_they_differ_by_counts():
    together = Together(entries((450.0, 0.2, 0.1, True)), entries((450.9, 0.4, 0.1, True)))
    found = shift_of(together, a_mode(450.0), a_mode(450.9))
    assert found.shift == pytest.approx(0.3)
    assert found.shift_u == pytest.approx(np.hypot(0.1, 0.1))
    assert found.dof == 6.0


def test_a_pair_further_apart_than_a_list_bends_a_reading_is_left_as_it_stands():
    # half of the half-power bandwidth at 450 Hz and a ratio of .011: 4.95 Hz
    together = Together(
        entries((450.0, 4.8, 0.1, True)), entries((454.8, 4.8, 0.1, True), (456.0, 6.0, 0.1, True))
    )
    assert shift_of(together, a_mode(450.0), a_mode(454.8)).shift == pytest.approx(4.8)
    assert shift_of(together, a_mode(450.0), a_mode(456.0)) is None
    assert shift_of(Together(), a_mode(450.0), a_mode(450.2)) is None


def test_a_mode_of_one_list_is_found_in_the_other_only_where_its_sound_shows_it():
    together = Together(
        entries((450.0, 0.2, 0.1, True), (640.0, 0.2, 0.1, False)), entries((700.0, -0.5, 0.1, True))
    )
    other = found_in_other(together, a_mode(450.0, label="B1-"), in_before=True)
    assert (other.frequency, other.damping, other.label) == (450.2, 0.011, None)
    assert found_in_other(together, a_mode(640.0), in_before=True) is None
    assert found_in_other(together, a_mode(500.0), in_before=True) is None
    # told by the later set alone: the earlier one has it half a hertz higher
    assert found_in_other(together, a_mode(700.0), in_before=False).frequency == 700.5


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


def analysed(name, truth, rng, *, listed=True, **more):
    takes, taps = sound(truth, rng)
    found = find_modes(takes, taps, band=(200.0, 1000.0))
    analysis = Analysis(
        method=METHOD,
        band=found.band,
        reach=found.reach,
        noise_db=found.noise_db,
        fitted=found.fitted if listed else (),
    )
    return a_set(name, found.modes, takes=takes, taps=taps, analysis=analysis, **more)


@pytest.mark.parametrize("listed", [True, False])
def test_with_sound_both_sets_are_read_by_one_list(listed):
    """The list kept with the analysis, or found anew where it was not kept."""
    rng = np.random.default_rng(12)
    after_truth = [
        replace(m, frequency=moved(m.frequency, 8.0)) if m.frequency == 470.0 else m for m in TRUTH
    ]
    before = analysed("set1", TRUTH, rng, listed=listed)
    after = analysed("set2", after_truth, rng, listed=listed)
    # What was stored of the second set lacks a mode and reads another badly; its sound is whole.
    stored = [
        replace(m, frequency=m.frequency + 1.0, label="B1-", labelled_by="maker")
        if abs(m.frequency - 472) < 5
        else m
        for m in after.modes
        if abs(m.frequency - 700.0) > 10.0
    ]
    after = replace(after, modes=tuple(stored))
    comparison = compare(before, after, repeatability=EXACT)
    paired = {round(s.before.frequency / 10) * 10: s for s in comparison.shifts if s.before and s.after}
    assert {280, 400, 470, 550, 700, 840} <= set(paired)
    shift = paired[470]
    assert shift.verdict == "moved"
    assert shift.label == "B1-"
    assert shift.shift == pytest.approx(moved(470.0, 8.0) - 470.0, abs=0.2)
    assert shift.after.frequency == pytest.approx(shift.before.frequency + shift.shift)
    assert shift.interval_cents[0] < 8.0 < shift.interval_cents[1]
    assert [s.verdict for k, s in paired.items() if k != 470] == ["no change seen"] * (len(paired) - 1)
    assert [r.code for r in paired[700].reasons] == ["by_one_list"]
    dry = replace(after, takes=tuple(a_take("bass corner", place) for place in ("near", "far")))
    assert compare(before, dry, repeatability=EXACT).shifts != comparison.shifts


def test_two_modes_that_each_sound_still_shows_are_no_mode_that_moved():
    """The one list tells 550 Hz, the other 565 Hz; both sounds hold both."""
    rng = np.random.default_rng(15)
    truth = [*TRUTH, BodyMode(565.0, 0.006, 0.6, 0.7)]
    before, after = analysed("set1", truth, rng), analysed("set2", truth, rng)
    lacks = {"set1": 565.0, "set2": 550.0}
    before, after = (
        replace(s, modes=tuple(m for m in s.modes if abs(m.frequency - lacks[s.id]) > 3.0))
        for s in (before, after)
    )
    told = [
        s
        for s in compare(before, after, repeatability=EXACT).shifts
        if 540.0 < (s.before or s.after).frequency < 575.0
    ]
    assert [(round(s.before.frequency), s.verdict) for s in told] == [
        (550, "no change seen"),
        (565, "no change seen"),
    ]
    assert all(abs(s.shift) < 0.3 for s in told)
    stored = compare(*(replace(s, takes=()) for s in (before, after)), repeatability=EXACT)
    assert any(
        s.verdict == "moved" and abs(s.shift) > 10.0 for s in stored.shifts
    )  # which the sound prevents


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
    # sound of the first is at hand too
    one = replace(one, takes=takes, taps=taps)
    together, reasons = read_together(one, two)
    assert together is None
    assert [r.code for r in reasons] == ["not_followed"]


def test_the_room_bends_the_size_of_a_shift_not_whether_there_was_one():
    """Alike where nothing moved, as two separate readings where it moved by many bandwidths."""
    one = a_mode(450.0, u=0.05, model_u=1.0)  # half of the half-power bandwidth 4.95 Hz
    assert bent_by_room(one, one) == 0.0
    assert bent_by_room(one, a_mode(451.0, model_u=1.0)) == pytest.approx(
        np.sqrt(2.0) / np.hypot(1.0, 2.2 * 4.95), rel=0.01
    )
    assert bent_by_room(one, a_mode(650.0, model_u=1.0)) == pytest.approx(np.sqrt(2.0), rel=0.01)
    assert bent_by_room(a_mode(450.0, model_u=np.nan), a_mode(452.0, model_u=np.nan)) == 0.0
    yard = yardsticks(a_set("a", [one]), a_set("b", [one]), EXACT, kind="put back")
    shift = OneList(2.0, 0.05, 12.0)
    plain, bent = (
        mode_shifts([judge_pair(replace(one, model_u=x), after, Pair(0, 0), yard, shift)], 0.1)[0]
        for x, after in ((x, a_mode(452.0, u=0.05, model_u=x)) for x in (0.0, 1.0))
    )
    assert (plain.verdict, bent.verdict) == ("moved", "moved")
    assert plain.least_detectable_cents == bent.least_detectable_cents
    # half a hertz more or less, as the closed form has it: sqrt(2) 2 / hypot(2, 10.9)
    assert bent.shift_u == pytest.approx(np.hypot(plain.shift_u, 0.255), rel=0.02)
    assert [r.code for r in bent.reasons] == ["room_bends_shift"]
    assert [r.code for r in plain.reasons] == []
