"""Keeping a set, killed at every step of it: the shop stays whole, and nothing recorded is lost."""

import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from resonance.jobs.recording import KeptRecording, add_recording, recordings
from resonance.jobs.store import Shop
from resonance.sets.instrument import Instrument
from resonance.sets.tapset import TapSet
from resonance.sound.files import read_recording
from resonance.sound.recording import Recording, Take, is_clap
from resonance.sound.synthesis import Blow, BodyMode
from resonance.taking.keep import (
    Cut,
    Noted,
    claps_of_sitting,
    keep_recording,
    keep_set,
    keep_spool,
    note_of,
    noted_in,
    settled,
)
from resonance.taking.session import Plan
from resonance.taking.spool import create, unfinished
from resonance.taking.usual import usual_places
from resonance.taps.tap import Tap
from tests.taking.killing import survived
from tests.taking.making import RATE, VIOLIN, good_taps, quiet, ringing, taken

N = 4_800  # samples a take
STARTED = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
ENOUGH = 200  # steps, more than any act here has


def shop_with_spool(folder, plan):
    """A shop with one job, and a spool of two short takes that was left behind; gives its sound."""
    shop = Shop(folder)
    shop.new_job(Instrument("fiddle"))
    spool = create(folder, note_of(Noted("fiddle", plan)), sample_rate=RATE, n_channels=1, started=STARTED)
    sound = np.random.default_rng(1).integers(-(2**20), 2**20, (2 * N, 1)) / 2.0**23
    spool.write(sound)
    spool.close()
    return sound


def cut_of(spool):
    """What was taken, without looking for taps in it: noise will do here."""
    takes = [Take(Recording(spool.sound(k * N, (k + 1) * N), RATE), "bridge", f"place {k}") for k in (0, 1)]
    return Cut(tuple(takes), tuple(Tap(0.01, take=k, end=0.09) for k in (0, 1)))


def keep_first(folder):
    """Keep the set that is offered first, as the next start would."""
    shop = Shop(folder)
    for spool in unfinished(folder):
        noted, found = noted_in(spool.note), cut_of(spool)
        if noted.plan.looked_for == "taps":
            keep_set(shop, spool, TapSet("", None, (), takes=found.takes, taps=found.taps), noted)
        else:
            keep_recording(shop, spool, found, noted, taken=None)


def kept_in(shop):
    return [*shop.job("fiddle").sets, *recordings(shop, "fiddle")]


@pytest.mark.slow
@pytest.mark.parametrize("looked_for", ["taps", "clap"])
def test_killed_at_any_step_of_keeping_nothing_is_lost_and_the_shop_is_whole(tmp_path, looked_for):
    sound = shop_with_spool(tmp_path / "shop", Plan(looked_for=looked_for))
    ends = {"before": 0, "after": 0}
    for at in range(1, ENOUGH):
        folder = tmp_path / "tried"
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(tmp_path / "shop", folder)
        if survived(at, lambda folder=folder: keep_first(folder)):
            break
        shop = Shop(folder)
        assert [problem for problem in shop.check() if not problem.harmless] == []
        there, left = kept_in(shop), unfinished(folder)
        assert there or left, f"lost at step {at}"
        assert all(np.array_equal(spool.sound(), sound) for spool in left)
        ends["after" if there else "before"] += 1
        keep_first(folder)
        (kept,) = kept_in(shop)
        assert unfinished(folder) == ()
        stored = [read_recording(shop.sound_file(take.recording.sha256)).samples for take in kept.takes]
        assert np.array_equal(np.concatenate(stored), sound)
        assert [problem for problem in shop.check() if not problem.harmless] == []
    else:
        raise AssertionError("the act never came to its end")
    assert ends["before"] > 20  # steps at which nothing was committed yet
    assert ends["after"] > 3  # and at which only the spool was left to remove


def told(sound, blows):
    """Taps of one take, all accepted one by one as they came."""
    take = Take(Recording(sound[:, None], RATE))
    taps = [Tap(blow.onset, end=blow.onset + 0.6, kept=True) for blow in blows]
    return take, taps


def test_the_first_tap_is_refused_when_the_rest_turn_out_unlike_it():
    """It had nothing to be held against when it came: a blow on another body, its modes a third higher."""
    rng = np.random.default_rng(3)
    blows = good_taps(6, rng=rng)
    other = [replace(mode, frequency=1.3 * mode.frequency) for mode in VIOLIN]
    sound = ringing(blows[:1], 9.0, modes=other) + ringing(blows[1:], 9.0) + quiet(9.0, rng=rng)
    take, taps = told(sound, blows)
    again = settled([take], taps, Plan(microphone_places=("near",)))
    assert [tap.kept for tap in again] == [False] + [True] * 5
    assert [fault.code for fault in again[0].faults] == ["unlike_others"]
    assert settled([take], taps, Plan(looked_for="clap", microphone_places=("near",))) == taps


def test_each_place_is_settled_by_itself():
    """A microphone that moved hears another spectrum; that makes no tap unlike the others."""
    rng = np.random.default_rng(4)
    other = [
        replace(mode, amplitude=mode.amplitude * (4.0 if k % 2 else 0.25)) for k, mode in enumerate(VIOLIN)
    ]
    pairs = []
    for modes in (VIOLIN, other):
        blows = good_taps(4, rng=rng)
        pairs.append(told(ringing(blows, 6.5, modes=modes) + quiet(6.5, rng=rng), blows))
    taps = [replace(tap, take=k) for k, (_, own) in enumerate(pairs) for tap in own]
    again = settled([take for take, _ in pairs], taps, Plan())
    assert [tap.kept for tap in again] == [True] * 8


ROOM = [BodyMode(340.0, 0.006, 0.8), BodyMode(620.0, 0.005, 0.6)]


def clapped(shop, when):
    """A clap kept with the job, in a room of two resonances."""
    rng = np.random.default_rng(5)
    sound = ringing([Blow(0.5, 1.0, 0.0006)], 3.0, modes=ROOM) + quiet(3.0, rng=rng)
    take = Take(Recording(sound[:, None], RATE), "bridge", "by the door")
    return add_recording(shop, "fiddle", KeptRecording("clap", when, (take,)))


def tapped(shop, *, seed, started=STARTED):
    """A set of four taps in that room, left in a spool."""
    rng = np.random.default_rng(seed)
    blows = good_taps(4, rng=rng)
    sound = taken(blows, 7.0, rng=rng, modes=[*VIOLIN, *ROOM])
    noted = Noted("fiddle", Plan(microphone_places=("near",), wanted=4))
    spool = create(shop.folder, note_of(noted), sample_rate=RATE, n_channels=1, started=started)
    spool.note(0, "began")
    spool.write(sound)
    spool.close()
    (left,) = unfinished(shop.folder)
    return left, noted


def near(tap_set, frequency):
    return min(tap_set.modes, key=lambda mode: abs(mode.frequency - frequency))


def test_a_clap_of_the_same_sitting_tells_the_rooms_resonances(tmp_path):
    shop = Shop(tmp_path / "shop")
    shop.new_job(Instrument("fiddle"))
    without = keep_spool(shop, *tapped(shop, seed=1))
    assert {near(without, mode.frequency).kind for mode in ROOM} == {"body"}
    clap = clapped(shop, STARTED - timedelta(minutes=20))
    for seed in (2, 3):  # one clap serves both sets
        kept = keep_spool(shop, *tapped(shop, seed=seed))
        assert [is_clap(take) for take in kept.takes] == [False, True]
        assert kept.takes[1].recording.sha256 == clap.takes[0].recording.sha256
        for mode in ROOM:
            assert near(kept, mode.frequency).frequency == pytest.approx(mode.frequency, abs=0.5)
            assert near(kept, mode.frequency).kind == "room"
        assert near(kept, 462.0).kind == "body"
    assert len(shop.job("fiddle").sets) == 3
    assert usual_places(shop.job("fiddle"), ()) == ("near", "treble f-hole")
    assert shop.check() == ()


@pytest.mark.parametrize("since", [timedelta(hours=5), timedelta(minutes=-1), None])
def test_a_clap_of_another_sitting_is_left_out(tmp_path, since):
    shop = Shop(tmp_path / "shop")
    shop.new_job(Instrument("fiddle"))
    clapped(shop, since if since is None else STARTED - since)
    assert claps_of_sitting(shop, "fiddle", STARTED) == ()


def test_the_newest_clap_counts_and_a_damaged_one_stops_nothing(tmp_path):
    shop = Shop(tmp_path / "shop")
    shop.new_job(Instrument("fiddle"))
    clap = clapped(shop, STARTED - timedelta(hours=1))
    (take,) = claps_of_sitting(shop, "fiddle", STARTED)
    assert take.recording.samples.shape == (round(3.0 * RATE), 1)
    assert (take.tap_place, take.microphone_place) == ("", "")
    shop.sound_file(clap.takes[0].recording.sha256).write_bytes(b"")
    assert claps_of_sitting(shop, "fiddle", STARTED) == ()
