"""The runner with a made-up stream: what the device does wrong, and what is on the disk afterwards."""

import time
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from resonance.errors import MicrophoneError
from resonance.jobs.recording import recordings
from resonance.jobs.store import Shop
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Setup
from resonance.sets.tapset import Climate, Conditions
from resonance.taking.keep import Noted, analysed, cut, keep_recording, keep_set, note_of, noted_in, replay
from resonance.taking.readings import Readings
from resonance.taking.runner import take_set
from resonance.taking.session import Dropped, Judged, Lost, Move, Plan, Ready
from resonance.taking.soundserver import Source
from resonance.taking.spool import Spool, SpoolFull, create, read, unfinished
from tests.taking.making import RATE, good_taps, pieces, quiet, taken

PLAN = Plan(microphone_places=("near", "side"), wanted=3, tap_place="bridge")


class MadeUpStream:
    """Gives a sound block by block, faster than real time; then fails, or waits to be ended."""

    sample_rate, n_channels = RATE, 1

    def __init__(self, sound, *, lost_at=(), then=None):
        self._blocks = iter(enumerate(pieces(sound)))
        self._lost, self._then = set(lost_at), then

    def read(self, frames=1024):
        for k, block in self._blocks:
            return block, k in self._lost
        if self._then is not None:
            raise self._then
        time.sleep(0.02)
        return np.full((1024, 1), 1e-5), False


class Hand:
    """Presses 'go' when asked to move, and what else it is told to."""

    def __init__(self, **keys):
        self.seen, self._keys, self._due = [], keys, []

    def show(self, event, session):
        self.seen.append(event)
        self._due += ["go"] * isinstance(event, Move)
        self._due += self._keys.pop(type(event).__name__, [])

    def show_readings(self, readings, session):
        pass

    def tick(self, session):
        pass

    def pressed(self):
        due, self._due = self._due, []
        return due

    def of(self, *kinds):
        return [event for event in self.seen if isinstance(event, kinds)]


def sound_of_two_takes():
    rng = np.random.default_rng(1)
    return np.concatenate([taken(good_taps(5, rng=rng), 8.0, rng=rng) for _ in range(2)])


@pytest.fixture
def shop(tmp_path):
    shop = Shop(tmp_path / "shop")
    shop.new_job(Instrument("fiddle"))
    return shop


def spooled(shop, plan=PLAN):
    noted = Noted("fiddle", plan, "made up", Conditions(holding="cradle"), Climate(21.0, 45.0))
    started = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
    return create(shop.folder, note_of(noted), sample_rate=RATE, n_channels=1, started=started)


def took(stream, hand, spool, plan=PLAN, **options):
    return take_set(plan, stream, hand, spool=spool, ask_source=lambda: None, **options)


def test_a_whole_set_is_kept_sample_for_sample(shop):
    hand, spool = Hand(), spooled(shop)
    sound = np.round(sound_of_two_takes() * 2**23) / 2**23
    done = took(MadeUpStream(sound), hand, spool)
    assert isinstance(hand.seen[0], Ready)
    assert [e.n_kept for e in hand.of(Judged)] == [1, 2, 3, 1, 2, 3]
    (left,) = unfinished(shop.folder)
    noted = noted_in(left.note)
    found = cut(left, done.session, done.began, done.ended, source=noted.source)
    for take, start, end in zip(found.takes, done.began, done.ended, strict=True):
        assert np.array_equal(take.recording.samples, sound.astype(np.float32)[start:end])
    tap_set = analysed(found, noted, taken=None, setup=Setup(), pitch_a4=440.0)
    kept = shop.with_sound(keep_set(shop, left, tap_set, noted))
    assert unfinished(shop.folder) == ()
    assert [take.microphone_place for take in kept.takes] == ["near", "side"]
    assert kept.conditions.holding == "cradle"
    assert kept.climate == Climate(21.0, 45.0)
    for take, start, end in zip(kept.takes, done.began, done.ended, strict=True):
        assert np.array_equal(take.recording.samples, sound[start:end])
    b1 = [mode.frequency for mode in kept.modes if mode.label == "B1-"]
    assert b1 == pytest.approx([462.0], abs=0.2)
    assert shop.check() == ()


def test_a_cut_off_set_is_judged_again_to_the_same_taps(shop):
    hand, spool = Hand(), spooled(shop)
    trouble = MicrophoneError("gone")
    done = took(MadeUpStream(sound_of_two_takes()[: round(5.5 * RATE)], then=trouble), hand, spool)
    assert done.trouble is trouble
    live = [(each.tap.take, each.tap.onset, each.tap.kept) for each in done.session.heard]
    (left,) = unfinished(shop.folder)
    session, began, _ = replay(left)
    assert began == done.began
    again = [(each.tap.take, each.tap.onset, each.tap.kept) for each in session.heard]
    assert again == live
    assert sorted({take for take, _, _ in live}) == [0, 1]


def test_keeping_twice_after_a_crash_in_between_makes_one_set(shop, monkeypatch):
    done = took(MadeUpStream(sound_of_two_takes()), Hand(), spooled(shop))
    (left,) = unfinished(shop.folder)
    noted = noted_in(left.note)
    with monkeypatch.context() as crash:
        crash.setattr("resonance.taking.keep.discard", lambda folder: None)
        found = cut(left, done.session, done.began, done.ended, source="")
        tap_set = analysed(found, noted, taken=None, setup=Setup(), pitch_a4=440.0)
        assert keep_set(shop, left, tap_set, noted) is not None
    session, began, ended = replay(left)
    found = cut(left, session, began, ended, source="")
    tap_set = analysed(found, noted, taken=None, setup=Setup(), pitch_a4=440.0)
    keep_set(shop, left, tap_set, noted)
    assert len(shop.job("fiddle").sets) == 1
    assert unfinished(shop.folder) == ()


def test_lost_sound_is_counted_and_kept_with_the_recording(shop):
    hand = Hand()
    done = took(MadeUpStream(sound_of_two_takes(), lost_at=(20, 21)), hand, spooled(shop))
    assert [event.sample for event in hand.of(Lost)] == [20 * 1024, 21 * 1024]
    (left,) = unfinished(shop.folder)
    found = cut(left, done.session, done.began, done.ended, source="")
    assert [take.recording.lost_blocks for take in found.takes] == [2, 0]


def test_a_tap_taken_back_stays_refused_after_a_crash(shop):
    hand = Hand(Judged=["drop"])
    sound = sound_of_two_takes()[: round(5.5 * RATE)]
    took(MadeUpStream(sound, then=MicrophoneError("gone")), hand, spooled(shop))
    assert len(hand.of(Dropped)) == 1
    session, _, _ = replay(unfinished(shop.folder)[0])
    judged = [each.tap.judged_by for each in session.heard]
    assert judged.count("maker") == 1


def test_without_a_spool_nothing_is_written(shop):
    before = sorted(path for path in shop.folder.rglob("*"))
    done = took(MadeUpStream(sound_of_two_takes()), Hand(), None)
    assert len(done.session.clips()) == 6
    assert sorted(path for path in shop.folder.rglob("*")) == before


def test_another_microphone_taken_by_the_system_ends_the_set(monkeypatch):
    monkeypatch.setattr("resonance.taking.runner.LOOK_EVERY", 0.05)
    sources = iter([Source("one", "USB microphone"), *[Source("two", "built-in")] * 99])
    stream = MadeUpStream(np.full((1024, 1), 1e-4))
    done = take_set(PLAN, stream, Hand(), spool=None, ask_source=lambda: next(sources))
    assert "went over from USB microphone to built-in" in str(done.trouble)


def test_a_chime_is_asked_for_as_the_session_says(shop):
    asked = []
    rng = np.random.default_rng(4)
    plan = Plan(microphone_places=("near",), wanted=3, chimes=True)
    sound = taken(good_taps(4, rng=rng, spacing=2.0), 9.0, rng=rng)
    took(MadeUpStream(sound), Hand(), None, plan=plan, chime=asked.append)
    assert asked == ["accepted"] * 3


def test_a_set_goes_on_past_four_while_readings_say_that_more_taps_help():
    class Fits:
        """Readings of all taps at once, known well enough from six on."""

        n = 0

        def ask(self, session):
            self.n = len(session.clips())

        def poll(self):
            return Readings(n_taps=self.n, enough=self.n >= 6) if self.n else None

    rng = np.random.default_rng(7)
    hand = Hand()
    plan = Plan(microphone_places=("near",), wanted=4, most=8)
    stream = MadeUpStream(taken(good_taps(9, rng=rng), 12.5, rng=rng))
    took(stream, hand, None, plan=plan, refits=Fits())
    assert [event.n_kept for event in hand.of(Judged)] == [1, 2, 3, 4, 5, 6]


def test_a_disk_that_stalls_delays_no_verdict_and_loses_nothing(shop, monkeypatch):
    """Each flush takes a second here; the sound is fed ten times as fast as it was made."""
    spool, sync = spooled(shop), Spool.sync
    monkeypatch.setattr(Spool, "sync", lambda self: (time.sleep(1.0), sync(self))[1])
    rng = np.random.default_rng(8)
    sound = taken(good_taps(4, rng=rng), 7.0, rng=rng)

    class Hurried(MadeUpStream):
        def read(self, frames=1024):
            time.sleep(0.1 * 1024 / RATE)
            return super().read(frames)

    plan = replace(PLAN, microphone_places=("near",), wanted=4)
    done = took(Hurried(sound), Hand(), spool, plan=plan)
    assert len(done.latencies) == 4
    assert max(done.latencies) < 0.5
    left = read(spool.folder)
    assert left.n_samples >= done.ended[0]
    assert np.array_equal(left.sound()[: len(sound)], sound.astype(np.float32)[: left.n_samples])


def test_a_disk_that_fills_up_ends_the_set_with_one_line(shop, monkeypatch):
    spool, write, room = spooled(shop), Spool.write, [100]

    def limited(self, block):
        room[0] -= 1
        if room[0] < 0:
            raise SpoolFull("the disk takes no more sound")
        write(self, block)

    monkeypatch.setattr(Spool, "write", limited)
    done = took(MadeUpStream(sound_of_two_takes()), Hand(), spool)
    assert isinstance(done.trouble, SpoolFull)
    assert read(spool.folder).n_samples == 100 * 1024


def test_claps_are_kept_beside_the_tap_sets(shop):
    rng = np.random.default_rng(5)
    sound = quiet(8.0, rng=rng)
    times = np.arange(round(0.8 * RATE)) / RATE
    for start in (1.5, 3.5, 5.5):
        clap = 0.1 * rng.standard_normal(len(times)) * np.exp(-np.log(1000.0) / 0.5 * times)
        sound[round(start * RATE) :][: len(clap)] += clap
    plan = Plan(looked_for="clap", microphone_places=("near",), wanted=3)
    done = took(MadeUpStream(np.clip(sound, -1, 1)[:, None]), Hand(), spooled(shop, plan), plan=plan)
    (left,) = unfinished(shop.folder)
    found = cut(left, done.session, done.began, done.ended, source="")
    kept = keep_recording(shop, left, found, noted_in(left.note), taken=left.started)
    assert (kept.what, kept.id, len(kept.events)) == ("clap", "rec1", 3)
    (read_back,) = recordings(shop, "fiddle")
    assert read_back.events == kept.events
    assert read_back.takes[0].recording.sha256
    assert shop.job("fiddle").sets == ()
    assert shop.check() == ()
    shop.undo("fiddle")
    assert recordings(shop, "fiddle") == ()


def test_a_device_that_gives_nothing_is_told(shop, monkeypatch):
    class Silent(MadeUpStream):
        def read(self, frames=1024):
            time.sleep(5.0)
            raise MicrophoneError("ended")

    monkeypatch.setattr("resonance.taking.runner.FIRST_BLOCK", 0.3)
    done = took(Silent(np.zeros((0, 1))), Hand(), None)
    assert "no sound comes" in str(done.trouble)


def test_spool_is_read_where_it_was_left(shop):
    spool = spooled(shop)
    took(MadeUpStream(sound_of_two_takes()), Hand(), spool)
    left = read(spool.folder)
    whats = [line["what"] for line in left.journal]
    assert whats == ["began", "ended", "began", "ended", "done"]
