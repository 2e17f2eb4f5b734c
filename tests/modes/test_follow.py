"""One list of modes read in two sets: sums of exponentials made here, whose poles are known exactly."""

import numpy as np
import pytest
import scipy

from resonance.modes.estimate import find_modes
from resonance.modes.follow import follow
from resonance.sound.recording import Recording, Take
from resonance.sound.synthesis import room_response

from .test_estimate import BODY, RATE, near, quantile, taps_of

BAND = (200.0, 800.0)


def read(fitted, made):
    return [one for one in follow(*made, fitted, band=BAND) if one is not None and one.shown]


def at(read_, frequency):
    return min(read_, key=lambda one: abs(one.frequency - frequency))


def test_a_set_read_by_its_own_list_gives_its_modes():
    made = taps_of()
    found = find_modes(*made, band=BAND)
    again = read(found.fitted, made)
    for mode in found.modes:
        one = at(again, mode.frequency)
        assert one.frequency == pytest.approx(mode.frequency, abs=0.2 * mode.frequency_u)
        assert one.damping == pytest.approx(mode.damping, rel=0.01)
        assert one.frequency_u == pytest.approx(mode.frequency_u, rel=0.2)


@pytest.mark.parametrize("shift", [0.0, 0.3, 1.5, 4.0])
def test_a_mode_that_moved_is_followed_and_the_others_stay(shift):
    first = find_modes(*taps_of(seed=1), band=BAND)
    body = BODY.copy()
    body[2, 0] += shift
    second = read(first.fitted, taps_of(body, seed=2))
    for (frequency, damping, _), (was, _, _) in zip(body, BODY, strict=True):
        one = at(second, frequency)
        assert abs(one.frequency - frequency) < quantile(one.frequency_dof) * one.frequency_u, was
        assert one.damping == pytest.approx(damping, rel=0.03)
        assert one.frequency_u < 0.1


def test_a_mode_that_a_set_does_not_have_is_not_shown_there():
    first = find_modes(*taps_of(np.vstack([BODY, [620.0, 0.012, 0.5]]), seed=3), band=BAND)
    silent = [
        one.shown
        for (frequency, _), one in zip(
            first.fitted, follow(*taps_of(seed=4), first.fitted, band=BAND), strict=True
        )
        if abs(frequency - 620.0) < 2.0 and one is not None
    ]
    assert silent == [False]


def test_outside_the_band_and_without_taps_nothing_is_read():
    made = taps_of()
    fitted = [(100.0, 0.01), (403.0, 0.01)]
    assert [one is None for one in follow(*made, fitted, band=BAND)] == [True, False]
    assert follow(made[0], [], fitted, band=BAND) == (None, None)
    assert follow(*made, [], band=BAND) == ()


def in_a_room(made, response):
    """The same taps heard through a room that is the same for every set."""
    (take,), taps = made
    sound = scipy.signal.fftconvolve(take.recording.samples[:, 0], response)[: len(take.recording.samples)]
    return [Take(Recording(sound[:, None], RATE))], taps


def test_in_a_room_one_list_differs_less_than_two():
    """Same room, same places, nothing moved: what remains between the two sets."""
    rng = np.random.default_rng(5)
    one_list, two_lists = [], []
    for seed in range(3):
        response = room_response(rng=rng, sample_rate=RATE, decay_time=0.35, direct_to_room_db=12.0)
        first, second = (in_a_room(taps_of(seed=10 * seed + k), response) for k in (1, 2))
        found, other = find_modes(*first, band=BAND), find_modes(*second, band=BAND)
        entries = [
            (a, b)
            for a, b in zip(
                *(follow(*made, found.fitted, band=BAND) for made in (first, second)), strict=True
            )
            if a is not None and b is not None and a.shown
        ]
        for frequency in BODY[1:, 0]:
            a, b = min(entries, key=lambda pair: abs(pair[0].frequency - frequency))
            one_list.append(b.frequency - a.frequency)
            two_lists.append(near(other.modes, frequency).frequency - near(found.modes, frequency).frequency)
    assert np.sqrt(np.mean(np.square(one_list))) < 0.4 * np.sqrt(np.mean(np.square(two_lists)))
