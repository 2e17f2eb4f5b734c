"""The state machine of a set: stages, keys, what it asks and when, by the count of samples alone."""

import numpy as np
import pytest

from resonance.taking.session import (
    Began,
    Checked,
    Done,
    Dropped,
    Ended,
    Held,
    Hint,
    Judged,
    Lost,
    Move,
    Plan,
    Ready,
    Session,
    clip_takes,
)
from tests.taking.making import RATE, good_taps, hammering, pieces, quiet, taken


def fed(session, sound, *, size=1024):
    return [event for block in pieces(sound, size) for event in session.feed(block)]


def kinds(events, *wanted):
    return [event for event in events if isinstance(event, wanted)]


def taps(count, *, seed=1, seconds=None, **options):
    rng = np.random.default_rng(seed)
    blows = good_taps(count, rng=rng, **options)
    return taken(blows, seconds or blows[-1].onset + 1.2, rng=rng)


def test_it_is_ready_at_the_first_block_and_not_before():
    session = Session(Plan(), RATE)
    assert session.stage == "starting"
    assert session.press("go") == []
    events = session.feed(np.zeros((0, 1)))
    assert events == []
    events = session.feed(np.full((1024, 1), 1e-4))
    assert events == [Ready(), Began(0, 0)]
    assert session.stage == "listening"


def test_two_places_ask_once_and_wait_for_a_key():
    session = Session(Plan(microphone_places=("near", "side"), wanted=4), RATE)
    events = fed(session, taps(4))
    assert [e.n_kept for e in kinds(events, Judged)] == [1, 2, 3, 4]
    assert kinds(events, Move) == [Move("side", 1)]
    assert session.stage == "moving"
    assert kinds(fed(session, taps(3, seed=2)), Judged, Move) == []  # moving makes noise; nothing counts
    (began,) = session.press("go")
    assert began == Began(1, round(session.now * RATE))
    events = fed(session, taps(4, seed=3))
    assert [e.tap.take for e in kinds(events, Judged)] == [1] * 4
    assert kinds(events, Done) == [Done("full")]
    assert session.feed(np.ones((10, 1))) == []
    ended = kinds(events, Ended)
    assert 0 < ended[0].sample - began.sample <= 6.0 * RATE


def test_times_count_from_the_start_of_the_take():
    session = Session(Plan(microphone_places=("near", "side"), wanted=2), RATE)
    fed(session, taps(2, seconds=6.0))
    session.press("go")
    rng = np.random.default_rng(5)
    blows = good_taps(2, rng=rng)
    events = fed(session, taken(blows, 4.0, rng=rng))
    assert [e.tap.onset for e in kinds(events, Judged)] == pytest.approx([b.onset for b in blows], abs=1e-3)


def test_more_taps_are_asked_for_while_they_help_and_never_without_end():
    session = Session(Plan(microphone_places=("near",), wanted=3, most=5), RATE)
    session.enough = False
    events = fed(session, taps(8))
    assert kinds(events, Done) == [Done("full")]
    assert session.n_kept() == 5


def test_the_last_tap_can_be_taken_back():
    session = Session(Plan(microphone_places=("near",), wanted=3), RATE)
    fed(session, taps(2))
    (dropped,) = session.press("drop")
    assert isinstance(dropped, Dropped)
    assert (dropped.n_kept, session.n_kept(), len(session.clips())) == (1, 1, 1)
    assert session.heard[-1].tap.judged_by == "maker"


def test_lost_sound_is_told_with_its_place():
    session = Session(Plan(), RATE)
    session.feed(np.full((1024, 1), 1e-4))
    events = session.feed(np.full((1024, 1), 1e-4), lost=True)
    assert kinds(events, Lost) == [Lost(1024)]


def test_level_check_comes_with_the_first_sound():
    rng = np.random.default_rng(3)
    (checked,) = kinds(fed(Session(Plan(), RATE), quiet(2.0, rng=rng)[:, None]), Checked)
    assert checked.level.reasons == ()
    assert checked.level.noise_dbfs < -66.0


def test_a_device_that_slept_is_checked_again_when_sound_comes():
    rng = np.random.default_rng(3)
    sound = np.concatenate([np.zeros(round(2.5 * RATE)), quiet(3.0, rng=rng)])
    asleep, awake = kinds(fed(Session(Plan(), RATE), sound[:, None]), Checked)
    assert [reason.code for reason in asleep.level.reasons] == ["no_sound"]
    assert awake.level.reasons == ()
    assert awake.level.noise_dbfs < -66.0
    (told,) = kinds(fed(Session(Plan(), RATE), np.zeros((round(9.0 * RATE), 1))), Checked)
    assert told.level.expected_db != told.level.expected_db


def test_no_sound_is_made_into_a_tap():
    """With chimes on, every chime's time ends before the next tap's quiet, or the tap is refused."""
    session = Session(Plan(microphone_places=("near",), wanted=20, most=20, chimes=True), RATE)
    events, muted = [], []
    for block in pieces(taps(12, spacing=1.25)):
        for event in session.feed(block):
            events.append(event)
            if isinstance(event, Judged) and event.chime:
                muted.append(session.now)
    judged = kinds(events, Judged)
    assert muted
    for event in judged:
        start, end = event.tap.onset - 0.04, event.tap.end
        inside = [at for at in muted if at < end and start < at + 0.15]
        assert not inside or not event.tap.kept


def test_quick_hands_hear_no_sounds_and_lose_no_taps():
    session = Session(Plan(microphone_places=("near",), wanted=20, most=20, chimes=True), RATE)
    judged = kinds(fed(session, taps(10, spacing=0.9)), Judged)
    assert len(judged) == 10
    assert sum(not event.tap.kept for event in judged) <= 1  # the second tap, before the rhythm is known


def test_soft_knocks_give_one_hint_a_minute():
    rng = np.random.default_rng(4)
    session = Session(Plan(), RATE)
    sound = hammering(100.0, rng=rng, peak=0.005) + quiet(100.0, rng=rng, level_dbfs=-75.0)
    hints = kinds(fed(session, sound[:, None]), Hint)
    assert 1 <= len(hints) <= 2


def test_a_forgotten_set_ends_by_itself():
    session = Session(Plan(idle=5.0), RATE)
    events = fed(session, quiet(6.0, rng=np.random.default_rng(5))[:, None])
    assert kinds(events, Done) == [Done("idle")]


def test_bowed_notes_are_counted_when_they_end():
    rng = np.random.default_rng(6)
    sound = quiet(12.0, rng=rng)
    times = np.arange(round(1.5 * RATE)) / RATE
    saw = 0.1 * ((times * 196.0) % 1.0 - 0.5) * np.minimum(1.0, times / 0.1)
    for start in (1.0, 4.0, 7.0):
        sound[round(start * RATE) :][: len(saw)] += saw
    session = Session(Plan(looked_for="bowed", microphone_places=("near",), wanted=3), RATE)
    events = fed(session, sound[:, None])
    assert [round(e.note.start) for e in kinds(events, Held)] == [1, 4, 7]
    assert kinds(events, Done) == [Done("full")]


def test_claps_are_looked_for_without_regard_to_wood():
    """A clap here is two milliseconds of noise in a room that falls by 60 dB in half a second."""
    rng = np.random.default_rng(7)
    sound = quiet(8.0, rng=rng)
    tail = rng.standard_normal(round(0.8 * RATE)) * np.exp(
        -np.log(1000.0) / 0.5 * np.arange(round(0.8 * RATE)) / RATE
    )
    for start in (1.5, 3.5, 5.5):
        sound[round(start * RATE) :][: len(tail)] += 0.1 * tail
    session = Session(Plan(looked_for="clap", microphone_places=("near",), wanted=3), RATE)
    assert kinds(fed(session, sound[:, None]), Done) == [Done("full")]


def test_clips_make_takes_for_readings():
    session = Session(Plan(microphone_places=("near", "side"), wanted=2), RATE)
    fed(session, taps(2))
    session.press("go")
    fed(session, taps(2, seed=2))
    takes, marked = clip_takes(session.clips(), ("near", "side"), tap_place="bridge", sample_rate=RATE)
    assert [take.microphone_place for take in takes] == ["near", "side"]
    assert [tap.take for tap in marked] == [0, 0, 1, 1]
    for tap in marked:
        sound = takes[tap.take].recording.samples[:, 0]
        at = round(tap.onset * RATE)
        assert np.max(np.abs(sound[at : at + 480])) > 20 * np.max(np.abs(sound[at - 4800 : at - 10]))
        assert tap.end - tap.onset == pytest.approx(0.6, abs=1e-3)
