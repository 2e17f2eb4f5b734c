"""Taps found and vetted, on blows made here whose times are known."""

import numpy as np
import pytest

from resonance.sound.recording import Recording
from resonance.taps.find import find_taps

RATE = 48000.0
MODES = [
    (275.0, 17.0, 0.7),
    (455.0, 45.0, 1.0),
    (545.0, 50.0, 1.0),
    (1300.0, 40.0, 0.6),
    (2500.0, 30.0, 0.8),
    (4200.0, 30.0, 0.5),
]


def blows(onsets, *, length, noise=3e-4, seed=1, strengths=None):
    """Taps at `onsets` (s): a half-sine blow of 0.4 ms rings the modes."""
    rng = np.random.default_rng(seed)
    sound = np.zeros(int(length * RATE))
    time = np.arange(int(0.8 * RATE)) / RATE
    pulse = np.sin(np.pi * np.arange(19) / 19)
    ring = sum(a * np.exp(-np.pi * f / q * time) * np.sin(2 * np.pi * f * time) for f, q, a in MODES)
    blow = np.convolve(ring, pulse)[: time.size]
    blow = 0.4 * blow / np.abs(blow).max()
    for k, onset in enumerate(onsets):
        first = int(onset * RATE)
        n = min(blow.size, sound.size - first)
        sound[first : first + n] += (1.0 if strengths is None else strengths[k]) * blow[:n]
    return sound + noise * rng.standard_normal(sound.size)


def found(sound, rate=RATE):
    return find_taps(Recording(sound[:, None], rate))


def codes(tap):
    return [fault.code for fault in tap.faults]


def test_onsets_to_two_milliseconds_and_the_first_at_ninety():
    times = [0.09, 1.1, 2.2, 3.15]
    taps = found(blows(times, length=4.2))
    assert [tap.onset for tap in taps] == pytest.approx(times, abs=0.002)
    assert all(tap.kept for tap in taps)


def test_fifteen_taps_at_three_a_second():
    times = [0.3 + k / 3.0 for k in range(15)]
    taps = found(blows(times, length=5.8))
    assert [tap.onset for tap in taps] == pytest.approx(times, abs=0.002)


def test_gain_and_offset_change_nothing():
    sound = blows([0.5, 1.5], length=2.5)
    plain, faint = found(sound), found(0.001 * sound + 0.01)
    assert [tap.onset for tap in faint] == pytest.approx([tap.onset for tap in plain], abs=1e-4)
    assert [tap.kept for tap in faint] == [tap.kept for tap in plain]


def test_a_slow_handling_bump_is_no_tap():
    time = np.arange(int(3.0 * RATE)) / RATE
    bump = 0.8 * np.exp(-(((time - 2.2) / 0.03) ** 2)) * np.sin(2 * np.pi * 25 * time)
    assert len(found(blows([0.5, 1.4], length=3.0) + bump)) == 2


def test_noise_alone_holds_no_tap():
    assert found(0.01 * np.random.default_rng(2).standard_normal(int(3 * RATE))) == []


def test_clipped_tap_is_refused():
    sound = blows([0.5, 1.5, 2.5, 3.5], length=4.5, strengths=[1, 1, 3, 1])
    taps = found(np.clip(sound, -0.5, 0.5))
    assert [codes(tap) for tap in taps if not tap.kept] == [["clipped"]]
    assert taps[2].onset == pytest.approx(2.5, abs=0.002)


def test_double_hit_is_refused_with_its_delay():
    sound = blows([0.5, 1.5, 1.54, 2.5, 3.5], length=4.5, strengths=[1, 1, 0.6, 1, 1])
    refused = [tap for tap in found(sound) if not tap.kept]
    assert [codes(tap) for tap in refused] == [["double_hit"]]
    assert refused[0].faults[0].values["delay"] == pytest.approx(0.04, abs=0.003)


def test_cut_short_tap_is_refused():
    taps = found(blows([0.5, 1.5, 2.5], length=2.56))
    last = taps[-1] if len(taps) == 3 else None
    assert last is None or not last.kept
    assert [tap.kept for tap in taps[:2]] == [True, True]


def test_too_quiet_for_the_room():
    taps = found(blows([0.5, 1.5, 2.5], length=3.5, noise=0.02, strengths=[1, 1, 1]))
    assert all("too_quiet" in codes(tap) for tap in taps if not tap.kept)
    quiet = found(blows([0.5, 1.5, 2.5], length=3.5, noise=3e-4))
    assert all(tap.snr_db > 20 and tap.kept for tap in quiet)


def test_low_sample_rate():
    rate = 2000.0
    rng = np.random.default_rng(3)
    time = np.arange(int(0.7 * rate)) / rate
    ring = np.exp(-30 * time) * np.sin(2 * np.pi * 455 * time) + np.exp(-50 * time) * np.sin(
        2 * np.pi * 730 * time
    )
    sound = np.concatenate([np.zeros(600), ring, ring]) + 1e-3 * rng.standard_normal(600 + 2 * time.size)
    assert [tap.onset for tap in found(sound, rate)] == pytest.approx([0.3, 1.0], abs=0.003)


def test_no_such_channel():
    with pytest.raises(ValueError, match="no channel 1"):
        find_taps(Recording(blows([0.5], length=1.5)[:, None], RATE), channel=1)
