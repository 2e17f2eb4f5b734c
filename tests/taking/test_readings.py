"""Readings while taps come in: right against the modes the sound was made of, and never in the way."""

import os
import signal
import time

import numpy as np
import pytest
import scipy.stats

from resonance.modes.mode import Level, Mode
from resonance.taking.readings import Refits, main_modes, read_taps
from resonance.taking.session import Plan, Session, clip_takes
from tests.taking.making import RATE, good_taps, pieces, taken

PLAN = Plan(microphone_places=("near",), wanted=8, most=8)


def after(n):
    """A session that has accepted n taps of a violin whose modes are known."""
    rng = np.random.default_rng(1)
    session = Session(PLAN, RATE)
    blows = good_taps(n, rng=rng)
    for block in pieces(taken(blows, blows[-1].onset + 1.0, rng=rng)):
        session.feed(block)
    assert session.n_kept() == n
    return session


def read(n, *, scatter_cents=7.0):
    takes, taps = clip_takes(after(n).clips(), ("near",), tap_place="", sample_rate=RATE)
    return read_taps(takes, taps, family="violin", piece="whole", pitch_a4=440.0, scatter_cents=scatter_cents)


def test_readings_are_the_named_modes_within_their_uncertainty():
    found = read(4)
    assert [mode.label for mode in found.modes] == ["A0", "B1-", "B1+"]
    for mode, truth in zip(found.modes, (272.0, 462.0, 551.0), strict=True):
        assert abs(mode.frequency - truth) < max(4.0 * mode.frequency_u, 0.05)
    assert found.n_taps == 4


def test_more_taps_help_until_the_reading_is_finer_than_half_of_the_put_back_scatter():
    found = read(4)
    worst = max(1200.0 * np.log2(1.0 + half_width(mode) / 1.96 / mode.frequency) for mode in found.modes)
    assert read(4, scatter_cents=2.2 * worst).enough is True
    assert read(4, scatter_cents=1.8 * worst).enough is False
    assert found.widest in found.modes


def half_width(mode):
    """Of the 95 % interval, by Student's t (JCGM 100:2008, G.3)."""
    return scipy.stats.t.ppf(0.975, mode.frequency_dof) * mode.frequency_u


def test_three_taps_are_never_enough_however_alike():
    assert read(3, scatter_cents=1e6).enough is False


def test_of_one_tap_it_is_not_known_whether_more_help():
    found = read(1)
    assert found.modes
    assert found.enough is None


def test_nothing_is_read_from_nothing():
    takes, _ = clip_takes(after(1).clips(), ("near",), tap_place="", sample_rate=RATE)
    found = read_taps(takes, [], family="violin", piece="whole", pitch_a4=440.0, scatter_cents=7.0)
    assert (found.modes, found.enough, found.widest) == ((), None, None)


def test_named_modes_come_first_then_the_strongest_by_frequency():
    def mode(frequency, db, **options):
        options = {"kind": "body"} | options
        return Mode(frequency, 0.01, levels=(Level("", "", db),), **options)

    modes = [
        mode(300.0, -30.0, label="A0"),
        mode(500.0, -3.0),
        mode(400.0, -6.0),
        mode(450.0, -9.0),
        mode(440.0, 0.0, kind="string"),
    ]
    assert [found.frequency for found in main_modes(modes)] == [300.0, 400.0, 500.0]


@pytest.fixture
def refits():
    refits = Refits(PLAN)
    yield refits
    refits.close()


def answered(refits, *, within=60.0):
    end = time.monotonic() + within
    while time.monotonic() < end:
        found = refits.poll()
        if found is not None and found.n_taps:
            return found
        time.sleep(0.02)
    raise AssertionError("no readings came")


@pytest.mark.slow
def test_the_worker_answers_the_newest_question_and_asking_never_waits(refits):
    first, last = after(1), after(2)
    began = time.process_time()
    for session in (first, first, last):
        refits.ask(session)
        refits.poll()
    assert time.process_time() - began < 0.2  # s of this process: the fit is another's work
    found = answered(refits)
    while found.n_taps < 2:
        found = answered(refits)
    assert [mode.label for mode in found.modes] == ["A0", "B1-", "B1+"]
    assert refits.poll() is None


@pytest.mark.slow
def test_a_worker_that_dies_leaves_the_set_without_readings_and_nothing_else(refits):
    session = after(1)
    refits.ask(session)
    answered(refits)
    for process in list(refits._pool._processes.values()):
        os.kill(process.pid, signal.SIGKILL)
    refits.ask(session)
    end = time.monotonic() + 5.0
    while time.monotonic() < end:
        assert refits.poll() is None
        refits.ask(session)
        time.sleep(0.02)
