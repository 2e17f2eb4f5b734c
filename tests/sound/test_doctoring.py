"""Gain control and noise gates are seen, and what is no such thing passes.

Truth: a feed-forward gain control and a gate written here, applied to made-up taps; untouched taps, bowed
notes, decays and crescendos, which carry neither.
"""

import numpy as np
import pytest

from resonance.sound.doctoring import signs_of_doctoring
from resonance.sound.synthesis import (
    BodyMode,
    Bump,
    Hum,
    even_blows,
    room_response,
    string_partials,
    tap_recording,
)

RATE = 48_000.0
MODES = [
    BodyMode(225.0, 0.024),
    BodyMode(352.0, 0.013),
    BodyMode(430.0, 0.012),
    BodyMode(900.0, 0.015, 0.6),
    BodyMode(2400.0, 0.02, 0.6),
]


def some_taps(
    seed: int, *, snr_db: float = 30.0, spacing: float = 1.0, count: int = 6, strings: bool = False
):
    rng = np.random.default_rng(seed)
    room = room_response(rng=rng, sample_rate=RATE, decay_time=0.4, direct_to_room_db=15.0)
    return tap_recording(
        MODES,
        even_blows(count, rng=rng, spacing=spacing, strength_spread_db=3.0),
        rng=rng,
        room=room,
        hum=Hum(),
        bumps=[Bump(1.3, 0.02)],
        snr_db=snr_db,
        strings=string_partials(196.0, amplitude=0.05) if strings else (),
    ).samples[:, 0]


def envelope(sound, fall_s):
    """Peak follower: jumps up at once, falls with time constant `fall_s`."""
    level, out = 0.0, np.empty(len(sound))
    keep = np.exp(-1.0 / (fall_s * RATE))
    for k, value in enumerate(np.abs(sound)):
        level = max(value, level * keep)
        out[k] = level
    return out


def gain_controlled(sound, *, target=0.03, attack=0.01, release=0.5):
    """Gain = target / level above the target; down within `attack` s, back with `release` s, as phones do."""
    wanted = np.log(np.minimum(1.0, target / np.maximum(envelope(sound, 0.02), 1e-9)))
    down, up = np.exp(-1.0 / (attack * RATE)), np.exp(-1.0 / (release * RATE))
    gain, out = 0.0, np.empty(len(sound))
    for k, goal in enumerate(wanted):
        keep = down if goal < gain else up
        gain = goal + (gain - goal) * keep
        out[k] = gain
    return sound * np.exp(out)


def gated(sound, *, open_above=0.01, hold=0.08):
    """Silence where the level has been below the threshold for a while."""
    return np.where(envelope(sound, hold / 3) > open_above, sound, 0.0)


def codes(sound, **options):
    return [r.code for r in signs_of_doctoring(np.asarray(sound).reshape(len(sound), -1), RATE, **options)]


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("snr_db", [20.0, 30.0])
def test_gain_control_is_seen(seed, snr_db):
    (reason,) = signs_of_doctoring(gain_controlled(some_taps(seed, snr_db=snr_db))[:, None], RATE)
    assert reason.code == "gain_controlled"
    assert 5.0 <= reason.values["rise_db"] < 20.0
    assert reason.values["n_gaps"] >= 3


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("bits", [0, 16, 24])
def test_a_gate_is_seen(seed, bits):
    sound = gated(some_taps(seed))
    resolution = 2.0 ** (1 - bits) if bits else 0.0
    if bits:
        sound = np.round(sound / resolution) * resolution
    (reason,) = signs_of_doctoring(sound[:, None], RATE, resolution=resolution)
    assert reason.code == "noise_gated"
    assert reason.values["floor_db"] == -200.0
    assert 0.6 < reason.values["at"] < 4.0


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize(
    "options",
    [
        {},
        {"snr_db": 10.0},
        {"snr_db": 50.0},
        {"snr_db": 70.0},
        {"spacing": 0.5, "count": 10},
        {"spacing": 2.0},
        {"strings": True, "snr_db": 50.0},
    ],
    ids=str,
)
def test_ordinary_taps_pass(seed, options):
    sound = some_taps(seed, **options)
    assert codes(sound) == []
    assert codes(np.round(sound * 2**15) / 2**15, resolution=2.0**-15) == []


def test_scaling_changes_nothing():
    sound = gain_controlled(some_taps(1))
    assert codes(0.001 * sound) == codes(sound) == ["gain_controlled"]


def test_coarse_numbers_are_no_gate():
    """In 8 bits a quiet room is exactly zero: that is the file's resolution, not a gate."""
    sound = np.round(some_taps(2, snr_db=50.0) * 2**7) / 2**7
    assert (sound == 0).mean() > 0.2
    assert codes(sound, resolution=2.0**-7) == []


def test_decays_bowed_notes_and_crescendos_pass():
    t = np.arange(int(6 * RATE)) / RATE
    rng = np.random.default_rng(3)
    room = 1e-4 * rng.standard_normal(len(t))
    tone = np.sin(2 * np.pi * 440 * t)
    for damping in (1e-4, 1e-3, 1e-2):
        assert codes(0.5 * tone * np.exp(-2 * np.pi * 440 * damping * t) + room) == []
    bowed = np.clip(np.sin(2 * np.pi * 0.7 * t) * 6, 0, 1)  # on and off, soft edges
    assert codes(0.3 * tone * bowed + room) == []
    assert codes(0.3 * tone * 10 ** ((t - 6) / 6) + room) == []  # one crescendo of 20 dB
    assert codes(room) == []
    assert codes(np.zeros(1000)) == []
    assert codes(np.ones(5)) == []


def test_a_finger_on_its_way_is_no_gain_control():
    """Rustle that grows in the last 60 ms before each tap."""
    rng = np.random.default_rng(4)
    blows = even_blows(6, rng=rng)
    sound = tap_recording(MODES, blows, rng=rng, snr_db=40.0).samples[:, 0]
    for blow in blows:
        first, n = round((blow.onset - 0.06) * RATE), round(0.06 * RATE)
        sound[first : first + n] += 0.004 * np.linspace(0, 1, n) ** 2 * rng.standard_normal(n)
    assert codes(sound) == []
