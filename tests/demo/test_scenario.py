"""The invented viola: the scenario as the design asks for it, and sound that holds its truth.

Truth: the design's list of what happens; 600 log2(T2/T1) cents for an air mode (FACTS of the speed of
sound, ISO 9613-1); the first-order lag of a step; spectrum and level of the made sound itself.
"""

import json
from math import exp

import numpy as np
import pytest

from resonance.demo import scenario, truth
from resonance.demo.scenario import ADJUSTMENTS, MODES, SITTINGS
from resonance.units import cents, speed_of_sound

BY_NAME = {m.name: m for m in MODES}


def test_the_scenario_holds_what_the_demo_promises():
    assert len(SITTINGS) == 14
    assert [s.number for s in SITTINGS] == list(range(1, 15))
    assert sorted(s.repeat_kind for s in SITTINGS if s.repeat_of) == [
        "put back",
        "slackened and retuned",
        "untouched",
    ]
    span = SITTINGS[-1].taken - scenario.STRUNG
    assert 48 <= span.days <= 50
    posts = [a for a in ADJUSTMENTS if a.part == "soundpost"]
    assert len(posts) == 4
    assert all(0.25 <= abs(a.along_mm) + abs(a.across_mm) <= 0.5 for a in posts)
    assert {np.sign(a.along_mm) for a in posts} >= {1.0, -1.0}
    assert {a.part for a in ADJUSTMENTS} == {"soundpost", "bridge", "tail", "fitting"}
    places = {t.tap_place for s in SITTINGS for t in s.takes}
    assert places == {scenario.BASS, scenario.TREBLE, scenario.DOWN}
    faults = {code for s in SITTINGS for t in s.takes for _, code in t.faults}
    assert faults == {"double_hit", "clipped", "dull", "handling"}
    assert "nvented" in scenario.INSTRUMENT.name
    assert scenario.INSTRUMENT.body_mm == 405.0


def test_time_runs_forward_and_every_adjustment_has_a_set_either_side():
    times = [s.taken for s in SITTINGS]
    assert times == sorted(times)
    for a in ADJUSTMENTS:
        assert times[0] < a.made < times[-1]
        (following,) = [s for s in SITTINGS if a.id in s.after]
        assert sitting_before(following).taken < a.made < following.taken


def sitting_before(sitting):
    return SITTINGS[sitting.number - 2]


def test_three_cold_days_then_warmer_and_drier_air():
    before, cold, after = (scenario.air(d) for d in (14.0, 17.0, 24.0))
    assert cold[0] < before[0] - 6
    assert after[0] > before[0] + 2
    assert after[1] < before[1] - 8


def test_wood_follows_humidity_with_three_days_of_lag(monkeypatch):
    monkeypatch.setattr(
        scenario, "_AIR", np.array([(-99, 20, 40), (0, 20, 40), (1e-6, 20, 50), (99, 20, 50)])
    )
    for day in (1.0, 3.0, 9.0):
        assert scenario.lagged_humidity(day) == pytest.approx(50 - 10 * exp(-day / 3.0), abs=0.05)


def test_main_air_note_follows_the_speed_of_sound():
    exact = float(cents(speed_of_sound(21.0), speed_of_sound(20.0)))
    assert BY_NAME["A0"].temperature_cents_per_k == pytest.approx(0.9 * exact, abs=0.02)


def test_steps_are_slopes_times_displacement():
    adj4, adj6 = ADJUSTMENTS[3], ADJUSTMENTS[5]
    assert scenario.step_cents(BY_NAME["B1+"], adj4) == pytest.approx(32 * 0.4)
    assert scenario.step_cents(BY_NAME["B1+"], adj6) == pytest.approx(-58 * 0.5)
    assert scenario.step_cents(BY_NAME["tailpiece"], ADJUSTMENTS[4]) == 85


def test_setups_add_the_moves_up():
    assert scenario.setup_after(0).post.behind_mm == 3.0
    assert scenario.setup_after(2).post.behind_mm == pytest.approx(2.75)
    last = scenario.setup_after(7)
    assert (last.post.behind_mm, last.post.inward_mm) == (pytest.approx(3.25), pytest.approx(1.4))
    assert last.bridge.mass_g < scenario.setup_after(2).bridge.mass_g
    assert last.tail.cord_length_mm < scenario.setup_after(4).tail.cord_length_mm
    assert last.fittings.chin_rest_type == "side mounted"


def test_repeats_differ_by_seating_only():
    for plan in (s for s in SITTINGS if s.repeat_of):
        first, second = truth.modes_of(plan.repeat_of), truth.modes_of(plan.number)
        apart = np.array([float(cents(b.frequency, a.frequency)) for a, b in zip(first, second, strict=True)])
        expected = scenario.SEATING_CENTS[plan.repeat_kind] * (
            1 if plan.repeat_kind == "untouched" else 2**0.5
        )
        assert 0.5 * expected < np.std(apart) < 1.6 * expected


def test_frequency_and_cents_of_the_truth_agree():
    for mode, made in zip(MODES, truth.modes_of(9), strict=True):
        assert float(cents(made.frequency, mode.frequency)) == pytest.approx(made.cents, abs=0.01)


def test_sound_rises_at_the_onsets_and_only_there():
    recording = truth.take_recording(12, 0)
    sound = recording.samples[:, 0] - np.convolve(recording.samples[:, 0], np.ones(480) / 480, "same")
    loud = np.abs(sound) > 0.05
    first = [k for k in np.flatnonzero(loud) if not loud[max(0, k - 9600) : k].any()]
    onsets = [tap.onset for tap in truth.take_truth(12, 0).taps]
    assert np.array(first) / recording.sample_rate == pytest.approx(onsets, abs=0.001)


def test_main_body_notes_stand_where_the_truth_says():
    recording, taps = truth.take_recording(12, 0), truth.take_truth(12, 0).taps
    starts = [round(t.onset * recording.sample_rate) + 100 for t in taps]
    power = sum(np.abs(np.fft.rfft(recording.samples[s : s + 24_000, 0], 2**17)) ** 2 for s in starts)
    f = np.fft.rfftfreq(2**17, 1 / recording.sample_rate)
    made = {m.name: m.frequency for m in truth.modes_of(12)}
    for name, reach in (("A0", 4.0), ("B1-", 3.0), ("B1+", 3.0)):
        near = np.abs(f - made[name]) < 12
        assert f[near][np.argmax(power[near])] == pytest.approx(made[name], abs=reach)


@pytest.mark.parametrize(
    ("number", "index", "fault"), [(3, 1, "clipped"), (2, 0, "double_hit"), (6, 0, "dull")]
)
def test_faults_are_in_the_sound(number, index, fault):
    recording, take = truth.take_recording(number, index), truth.take_truth(number, index)
    (bad,) = [k for k, t in enumerate(take.taps) if t.fault == fault]
    good = (bad + 1) % len(take.taps)
    rate = recording.sample_rate

    def piece(k, start, length):
        first = round((take.taps[k].onset + start) * rate)
        return recording.samples[first : first + round(length * rate), 0]

    if fault == "clipped":
        assert (np.abs(piece(bad, 0, 0.1)) >= 1 - 2**-22).sum() >= 3
        assert np.abs(piece(good, 0, 0.1)).max() < 0.9
    elif fault == "double_hit":
        later = [
            np.abs(np.diff(piece(k, 0.02, 0.05))).max() / np.abs(np.diff(piece(k, 0, 0.01))).max()
            for k in (bad, good)
        ]
        assert later[0] == pytest.approx(0.35, abs=0.08)  # the second hit's strength, as made
        assert later[1] < 0.2
    else:
        high = [np.sum(np.abs(np.fft.rfft(piece(k, 0, 0.1))[100:300]) ** 2) for k in (bad, good)]
        low = [np.sum(np.abs(np.fft.rfft(piece(k, 0, 0.1))[15:30]) ** 2) for k in (bad, good)]
        assert high[0] / low[0] < 0.05 * high[1] / low[1]


def test_the_truth_is_plain_json(tmp_path):
    record = truth.truth_record([truth.set_truth(1)])
    truth.write_truth(tmp_path / "truth.json", record)
    back = json.loads((tmp_path / "truth.json").read_text("utf-8"))
    assert back["invented"].startswith("Invented")
    assert back["sets"][0]["taken"] == "2026-03-02T17:00:00+01:00"
    assert back["adjustments"][5]["step_cents"]["B1+"] == -29.0
    assert back["adjustments"][2]["along_mm"] is None
    assert "settling" in back["law"]


def test_the_same_recording_again_and_no_other():
    assert np.array_equal(truth.take_recording(8, 1).samples, truth.take_recording(8, 1).samples)
    assert not np.array_equal(
        truth.take_recording(8, 0).samples[:1000], truth.take_recording(8, 1).samples[:1000]
    )
