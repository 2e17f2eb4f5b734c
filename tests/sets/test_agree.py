"""Recordings of one tap set held against each other: made-up violins and the made-up recordings."""

from pathlib import Path

import numpy as np
import pytest

from resonance.modes.mode import Level, Mode
from resonance.report.words import reason_words
from resonance.sets.agree import modes_apart
from resonance.sets.analyse import analyse_set
from resonance.sound.files import read_recording
from resonance.sound.recording import Take
from resonance.sound.synthesis import BodyMode, even_blows, tap_recording

RECORDINGS = Path(__file__).parents[2] / "recordings_demo"
MODES = ((272.0, 0.025, 0.8), (407.0, 0.011, 0.5), (462.0, 0.013, 1.0), (551.0, 0.012, 1.0))


def taps(cents=(0.0,) * 4, *, seed=1, count=4):
    """Recording of a made-up violin, each mode moved by so many cents, the hand unsteady by 0.3 Hz."""
    rng = np.random.default_rng(seed)
    modes = [BodyMode(f * 2 ** (c / 1200), z, a) for (f, z, a), c in zip(MODES, cents, strict=True)]
    blows = even_blows(count, rng=rng, spacing=0.9)
    return tap_recording(modes, blows, rng=rng, snr_db=30.0, scatter=0.3)


def told(takes, **settings):
    reasons = analyse_set(takes, **settings).reasons
    return next((reason for reason in reasons if reason.code == "takes_disagree"), None)


def demo(name, microphone=""):
    return Take(read_recording(RECORDINGS / f"{name}.flac"), "bass corner", microphone)


@pytest.mark.parametrize("microphone", ["", "f-hole"])
def test_before_and_after_in_one_set_are_told(microphone):
    found = told([demo("before", microphone), demo("after", microphone)], family="viola")
    assert (found.values["first"], found.values["second"]) == (1, 2)
    assert found.values["one"] == pytest.approx(433.0, abs=0.5)  # truth.json of the recordings, B1+
    assert found.values["other"] == pytest.approx(425.0, abs=0.5)
    assert reason_words(found).startswith("recordings 1 and 2 disagree (432.")


@pytest.mark.parametrize("names", [("before", "before_side"), ("after", "after_side")])
def test_two_microphone_places_of_one_set_agree_though_not_noted(names):
    assert told([demo(name) for name in names], family="viola") is None


def test_two_modes_apart_are_told_and_one_is_not():
    assert told([taps(seed=1), taps((0, 0, 20, 25), seed=2)]).values["n"] == 2
    assert told([taps(seed=1), taps((0, 0, 0, 25), seed=2)]) is None
    assert told([taps(seed=1), taps((0, 0, 4, 4), seed=2)]) is None  # under 0.4 %, 7 cents


@pytest.mark.parametrize("seed", range(4))
def test_takes_of_the_same_violin_agree(seed):
    assert told([taps(seed=seed), taps(seed=seed + 50)]) is None


def test_takes_from_noted_places_that_differ_are_not_held_against_each_other():
    one, other = taps(seed=1), taps((0, 0, 20, 25), seed=2)
    assert told([Take(one, "", "near"), Take(other, "", "Near ")]) is not None
    assert told([Take(one, "", "near"), Take(other, "", "far")]) is None


def test_no_microphone_place_noted_is_not_called_one_place():
    def codes(*takes):
        return {reason.code for reason in analyse_set(takes).reasons}

    one, other = taps(seed=1), taps(seed=2)
    assert "microphone_not_noted" in codes(one, other)
    assert "one_microphone_place" not in codes(one, other)
    assert "one_microphone_place" in codes(one)
    assert "one_microphone_place" in codes(Take(one, "", "near"), Take(other, "", "near"))


def test_a_take_of_one_tap_is_passed_over():
    assert told([taps(seed=1), taps((0, 0, 20, 25), seed=2, count=1)]) is None


def test_a_wide_uncertainty_excuses():
    def modes(frequencies, u):
        return [Mode(f, 0.01, frequency_u=u, kind="body", levels=(Level(db=0.0),)) for f in frequencies]

    assert len(modes_apart(modes((300.0, 400.0), 0.5), modes((302.5, 403.0), 0.5))) == 2
    assert modes_apart(modes((300.0, 400.0), 0.9), modes((302.5, 403.0), 0.9)) == ()
    assert modes_apart(modes((300.0,), float("nan")), modes((302.5,), 0.1)) == ()
    assert modes_apart(modes((300.0,), 0.1), modes((320.0,), 0.1)) == ()
