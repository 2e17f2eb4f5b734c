"""Taps told live against taps made: every blow's time, strength and fault is known."""

import pickle

import numpy as np
import pytest

from resonance.sound.files import read_recording
from resonance.sound.synthesis import even_blows, room_response, tap_recording
from resonance.taking.chime import chime
from resonance.taking.listen import Listener, Passed, Verdict, ear_for
from resonance.taps.find import find_taps
from tests.taking.making import (
    PEAK,
    RATE,
    VIOLIN,
    good_taps,
    hammering,
    pieces,
    quiet,
    taken,
    talk,
    ten_good_and_six_faulty,
)


def listened(sound, *, family="violin", rate=RATE, size=1024, listener=None):
    """All that a listener tells of a sound (n, 1)."""
    listener = listener or Listener(rate, ear=ear_for(family))
    return [told for block in pieces(sound, size) for told in listener.feed(block)]


def verdicts(told):
    return [each for each in told if isinstance(each, Verdict)]


def test_every_good_tap_is_accepted_at_its_time():
    rng = np.random.default_rng(1)
    blows = good_taps(8, rng=rng)
    found = verdicts(listened(taken(blows, 12.0, rng=rng)))
    assert [v.tap.kept for v in found] == [True] * 8
    assert [v.tap.onset for v in found] == pytest.approx([blow.onset for blow in blows], abs=0.001)
    assert all(v.window_end == pytest.approx(v.tap.onset + 0.6) for v in found)


@pytest.mark.parametrize("seed", [1, 5, 9])
def test_ten_good_and_six_faulty_taps_are_called_so(seed):
    sound, truth = ten_good_and_six_faulty(rng=np.random.default_rng(seed))
    found = verdicts(listened(sound))
    for onset, code in truth:
        (near,) = [v.tap for v in found if abs(v.tap.onset - onset) < 0.02]
        assert near.kept == (not code), (onset, code, near)
        assert not code or code in {fault.code for fault in near.faults}
    assert sum(v.tap.kept for v in found) == 10


@pytest.mark.parametrize("size", [100, 1024, 9600])
def test_blocks_of_any_size_tell_the_same(size):
    sound, _ = ten_good_and_six_faulty(rng=np.random.default_rng(5))
    usual = [(v.tap.onset, v.tap.kept) for v in verdicts(listened(sound))]
    assert [(v.tap.onset, v.tap.kept) for v in verdicts(listened(sound, size=size))] == usual


def test_what_is_vetted_ahead_is_judged_as_if_vetted_at_the_end(monkeypatch):
    """And nothing is left to vet when a good tap's window ends: its verdict waits for a glance alone."""
    from resonance.taking import listen

    sound, truth = ten_good_and_six_faulty(rng=np.random.default_rng(9))
    vetted = []
    real = listen.vet_clips

    def counted(clips, rate, **options):
        vetted.append(listener.now)
        return real(clips, rate, **options)

    monkeypatch.setattr(listen, "vet_clips", counted)
    listener = Listener(RATE, ear=ear_for("violin"))
    ahead = verdicts(listened(sound, listener=listener))
    at_the_end = [v for v in ahead if any(v.window_end <= at for at in vetted if at - v.window_end < 0.1)]
    assert not [v for v in at_the_end if v.tap.kept]
    monkeypatch.setattr(listen, "SEEN", 99.0)
    late = verdicts(listened(sound))
    assert [v.tap for v in ahead] == [v.tap for v in late]
    assert len(late) >= len(truth)


def test_live_and_afterwards_agree_on_a_recording():
    rng = np.random.default_rng(3)
    room = room_response(rng=rng, sample_rate=RATE, decay_time=0.4, direct_to_room_db=10.0)
    blows = even_blows(7, rng=rng, first=1.0, spacing=1.2)
    recording = tap_recording(VIOLIN, blows, rng=rng, room=room, snr_db=35.0)
    live = [v.tap for v in verdicts(listened(recording.samples))]
    later = find_taps(recording)
    assert [tap.onset for tap in live] == pytest.approx([tap.onset for tap in later], abs=2e-4)
    assert [tap.kept for tap in live] == [tap.kept for tap in later]
    assert [tap.snr_db for tap in live] == pytest.approx([tap.snr_db for tap in later], abs=0.5)


@pytest.mark.parametrize("rate", [44_100.0, 48_000.0, 96_000.0])
def test_usual_sample_rates(rate):
    rng = np.random.default_rng(4)
    blows = even_blows(4, rng=rng, first=1.0, spacing=1.2)
    recording = tap_recording(VIOLIN, blows, rng=rng, sample_rate=rate, snr_db=35.0)
    found = verdicts(listened(recording.samples, rate=rate))
    assert [v.tap.kept for v in found] == [True] * 4


def test_a_sound_of_our_own_is_no_tap_and_refuses_one():
    rng = np.random.default_rng(6)
    sound = taken(good_taps(3, rng=rng, spacing=1.8), 7.0, rng=rng)
    for name, at in (("accepted", 1.75), ("refused", 3.6)):
        tone = chime(name, RATE)
        sound[round(at * RATE) :][: len(tone), 0] += 0.5 * PEAK * tone / np.max(np.abs(tone))
    assert len(verdicts(listened(sound))) == 3
    listener = Listener(RATE, ear=ear_for("violin"))
    listener.mute(2.0, 2.4)
    found = verdicts(listened(taken(good_taps(3, rng=rng), 6.0, rng=rng), listener=listener))
    assert [[f.code for f in v.tap.faults] for v in found] == [[], ["too_soon"], []]


def test_lost_sound_refuses_the_tap_it_falls_into():
    rng = np.random.default_rng(7)
    listener = Listener(RATE, ear=ear_for("violin"))
    found = []
    for k, block in enumerate(pieces(taken(good_taps(3, rng=rng), 6.0, rng=rng))):
        if k == round(2.4 * RATE / 1024):
            listener.lost()
        found += listener.feed(block)
    assert [[f.code for f in v.tap.faults] for v in verdicts(found)] == [[], ["sound_lost"], []]


@pytest.mark.parametrize(("seed", "peak"), [(11, 0.03), (12, 0.1), (13, 0.3)])
def test_talk_is_not_taken_for_taps(peak, seed):
    rng = np.random.default_rng(seed)
    told = listened((talk(60.0, rng=rng, peak=peak) + quiet(60.0, rng=rng))[:, None])
    assert len(verdicts(told)) <= 1
    assert not any(v.tap.kept for v in verdicts(told))
    assert any(isinstance(each, Passed) for each in told)  # it was heard


def test_noise_is_no_tap_and_time_grows_nothing():
    """A minute: talk, hammering and taps three times over; tests/benchmarks/taking/run.py --hour goes on."""
    rng = np.random.default_rng(8)
    noise = [talk(9.0, rng=rng, peak=0.15), hammering(6.0, rng=rng, peak=0.03)]
    noise = [(part + quiet(len(part) / RATE, rng=rng))[:, None] for part in noise]
    tapped = taken(good_taps(3, rng=rng), 5.0, rng=rng)
    listener, held = Listener(RATE, ear=ear_for("violin")), []
    for _ in range(3):
        for part in noise:
            assert not verdicts(listened(part, listener=listener))
        kept = [v.tap.kept for v in verdicts(listened(tapped, listener=listener))]
        assert kept == [True] * 3
        held.append(len(pickle.dumps(listener)))
    assert listener.now == pytest.approx(60.0)
    assert held[2] - held[1] < 2_000  # bytes; a second of sound is 384,000


def test_recordings_of_the_demo_are_told_as_afterwards():
    """The folder's own recordings, each followed by a second of quiet."""
    from pathlib import Path

    folder = Path(__file__).parents[2] / "recordings_demo"
    rng = np.random.default_rng(9)
    for path in sorted(folder.glob("*.flac")):
        recording = read_recording(path)
        sound = np.concatenate([recording.samples, 1e-5 * rng.standard_normal((48_000, 1))])
        live = [v.tap.kept for v in verdicts(listened(sound, family="viola"))]
        assert live == [tap.kept for tap in find_taps(recording)], path.name
