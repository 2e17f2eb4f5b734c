"""What would help next time: numbers worked by hand from the layers of uncertainty."""

from dataclasses import replace
from math import nan

import numpy as np
import pytest

from resonance.modes.mode import Level, Mode
from resonance.reasons import Fault, Reason
from resonance.sets.advice import MOST, gain_of, telling_modes, what_helps
from resonance.sets.tapset import Analysis, TapSet
from resonance.sound.recording import Recording, Take
from resonance.taps.tap import Tap


def mode(frequency=440.0, *, u=0.1, dof=7.0, hand=0.0, room=0.0, level=0.0, kind="body", n_taps=8):
    return Mode(
        frequency, 0.01, u, dof, room, n_taps=n_taps, levels=(Level("", "", level),), kind=kind, hand=hand
    )


def a_set(*modes, taps=8, reach=3000.0, reasons=(), refused=(), warnings=(), **settings):
    recording = Recording(np.zeros((0, 1)), 48_000.0, warnings=warnings)
    lost = tuple(Tap(9.0 + i, kept=False, faults=(Fault(code),)) for i, code in enumerate(refused))
    return TapSet(
        "set1",
        None,
        modes,
        takes=(Take(recording),),
        taps=(*(Tap(float(i)) for i in range(taps)), *lost),
        analysis=Analysis(band=(60.0, 1200.0), reach=reach, settings=settings),
        reasons=tuple(Reason(code) for code in reasons),
    )


def codes(tap_set):
    return [reason.code for reason in what_helps(tap_set)]


def test_gain_of_more_taps():
    # u falls as the root of 8 / 16; t(0.975) is 2.365 at 7 and 2.131 at 15 degrees of freedom (any table)
    assert gain_of([mode()], more=8) == pytest.approx(1.0 - 0.5**0.5 * 2.131 / 2.365, abs=2e-3)
    assert gain_of([mode(hand=0.27)], more=8) == pytest.approx(gain_of([mode()], more=8))


def test_nearer_helps_against_noise_and_not_against_the_hand():
    assert gain_of([mode()], noise=0.25) == pytest.approx(0.5)
    steady = mode(hand=0.25)  # 0.25^2 / 8 is 0.0078 of the 0.01 there is
    assert gain_of([steady], noise=0.25) == pytest.approx(1.0 - (0.25 * 0.21875 + 0.78125) ** 0.5)
    # a room of 3 Hz beside 0.1 Hz: 1.96 times it, halved at half the distance
    assert gain_of([mode(room=3.0)], noise=0.25, room=0.25) == pytest.approx(0.5, abs=1e-3)
    assert gain_of([mode(room=3.0)], more=8) == pytest.approx(0.0, abs=1e-3)  # taps do not beat the room
    assert gain_of([]) == 0.0


def test_the_largest_gain_stands_first():
    roomy = a_set(mode(room=3.0), reasons=("one_microphone_place",))
    assert codes(roomy) == ["nearer", "second_place"]
    by_hand = a_set(mode(hand=0.28), reasons=("one_microphone_place",))
    assert codes(by_hand)[:2] == ["second_place", "more_taps"]
    gains = [reason.values["gain"] for reason in what_helps(by_hand)]
    assert gains == sorted(gains, reverse=True)
    assert codes(a_set(mode(room=3.0), piece="top", reasons=("one_microphone_place",))) == []


def test_strings_over_modes_and_a_soft_tip():
    string = replace(mode(441.0, kind="string"), damping=nan)
    under = a_set(mode(440.0, u=0.001, hand=0.0028), mode(700.0, u=0.001, hand=0.0028), string, reach=600.0)
    found = {reason.code: reason.values for reason in what_helps(under)}
    assert found["damp_strings"]["gain"] == pytest.approx(0.5)  # one of two
    assert found["harder_tip"]["gain"] == pytest.approx(1.0 / np.log2(20.0))  # one octave of 4.3


def test_only_strong_body_and_air_modes_tell():
    faint, string = mode(500.0, level=-30.0), mode(660.0, kind="string")
    assert telling_modes(a_set(mode(), faint, string)) == [mode()]


def test_faults_and_warnings():
    lost = a_set(mode(room=0.5), taps=3, refused=("clipped",) * 5, warnings=(Reason("lossy"),))
    assert {"record_plainly"} <= set(codes(lost))
    found = {r.code: r.values for r in what_helps(a_set(mode(n_taps=3, dof=2.0), refused=("clipped",) * 5))}
    assert found["gain_down"]["n"] == 5
    assert codes(a_set(taps=0, refused=("double_hit",), reasons=("no_taps",))) == ["tap_again", "one_blow"]


def test_one_tap_alone_asks_for_more():
    single = a_set(mode(dof=nan, n_taps=1), taps=1, reasons=("one_tap",))
    assert codes(single)[0] == "more_taps"


def test_never_more_than_can_be_kept_in_mind_and_nothing_without_need():
    poor = a_set(mode(room=2.0), reach=200.0, reasons=("one_microphone_place",), refused=("clipped",),
                 warnings=(Reason("noise_gated"),))  # fmt: skip
    assert len(what_helps(poor)) == MOST
    assert what_helps(TapSet("set1", None, ())) == ()
