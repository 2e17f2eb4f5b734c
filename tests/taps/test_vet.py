"""Each fault of a tap, on made-up taps of known faults, and the checks themselves at their limits."""

from dataclasses import replace

import numpy as np
import pytest

from resonance.sound.recording import Recording
from resonance.sound.synthesis import BodyMode, even_blows, room_response, tap_recording
from resonance.taps import vet
from resonance.taps.alike import blow_changes_db
from resonance.taps.find import find_taps
from resonance.taps.ripple import SecondBlow
from resonance.taps.tap import Tap, TapLimits

LIMITS = TapLimits()
BAD = 3  # index of the tap that gets the fault


def body(rng):
    """A made-up violin: main air and body notes, then ever more modes up to 7 kHz."""
    low = [(275, 17, 1.0), (400, 50, 0.5), (450, 45, 0.8), (540, 50, 1.0)]
    high = np.concatenate(
        [rng.uniform(600, 2000, 14), rng.uniform(2000, 3200, 8), rng.uniform(3200, 7000, 8)]
    )
    modes = [BodyMode(float(f), 0.5 / q, a) for f, q, a in low]
    for frequency in high:
        strength = 0.5 * np.exp(0.5 * rng.standard_normal()) * (0.4 if frequency > 3200 else 1.0)
        modes.append(
            BodyMode(float(frequency), 0.5 / rng.uniform(30, 80), float(strength * rng.choice([-1, 1])))
        )
    return modes


def taps_in_a_room(seed, *, count=8, snr_db=30.0, width=0.0008, spacing=1.0, change=None, peak=0.3):
    """Recording and blows, in a room of T60 0.4 s at 12 dB, modes scattering by 0.3 Hz; `change` one blow."""
    rng = np.random.default_rng(seed)
    modes = body(rng)
    spread = 0.03 * min(1.0, spacing)
    blows = even_blows(count, rng=rng, first=0.5, spacing=spacing, width=width, timing_spread=spread)
    if change:
        blows = [replace(blow, **change) if k == BAD else blow for k, blow in enumerate(blows)]
    room = room_response(rng=rng, sample_rate=48_000.0, decay_time=0.4, direct_to_room_db=12.0)
    recording = tap_recording(modes, blows, rng=rng, room=room, snr_db=snr_db, scatter=0.3, peak=peak)
    return recording, blows


def codes(tap):
    return [fault.code for fault in tap.faults]


def value(tap, code, name):
    return next(fault.values[name] for fault in tap.faults if fault.code == code)


def test_clean_taps_pass():
    """None of a steady hand's taps is refused, from 20 to 40 dB, and none is made up or lost."""
    for seed, snr_db in enumerate((20.0, 25.0, 30.0, 40.0)):
        recording, blows = taps_in_a_room(seed, snr_db=snr_db)
        found = find_taps(recording)
        assert [tap.onset for tap in found] == pytest.approx([blow.onset for blow in blows], abs=0.001)
        assert [tap for tap in found if tap.faults] == []
        assert np.median([tap.snr_db for tap in found]) == pytest.approx(snr_db, abs=0.7)


@pytest.mark.parametrize(
    ("delay", "ratio"),
    [(0.003, 0.5), (0.004, 0.3), (0.01, 0.4), (0.02, 0.5), (0.04, 1.5), (0.06, 0.5), (0.11, 0.8)],
)
def test_double_hit(delay, ratio):
    """Found among single ones, at 4 ms as at 110 ms, also when the second blow is the harder one."""
    recording, blows = taps_in_a_room(1, change={"again_after": delay, "again_ratio": ratio})
    found = find_taps(recording)
    assert len(found) == len(blows)
    assert [tap.kept for tap in found] == [k != BAD for k in range(len(blows))]
    assert codes(found[BAD]) == ["double_hit"]
    assert value(found[BAD], "double_hit", "delay") == pytest.approx(delay, abs=0.002)
    assert value(found[BAD], "double_hit", "ratio_db") == pytest.approx(20 * np.log10(ratio), abs=4.0)


def test_a_reflection_in_every_tap_is_no_double_hit():
    """The same echo 5.8 ms late (a path 2 m longer) at half strength in all taps."""
    recording, _ = taps_in_a_room(2, count=5)
    late = np.roll(recording.samples, round(0.0058 * 48_000), axis=0)
    late[: round(0.0058 * 48_000)] = 0.0
    assert all(tap.kept for tap in find_taps(Recording(recording.samples + 0.5 * late, 48_000.0)))


@pytest.mark.parametrize(("width", "null"), [(0.002, 750.0), (0.004, 375.0)])
def test_dull_blow_reaches_to_its_first_null(width, null):
    """A half sine of width T has its first null at 1.5 / T; twelve dB down lies at three quarters of that."""
    recording, blows = taps_in_a_room(3, change={"width": width})
    found = find_taps(recording)
    assert codes(found[BAD]) == ["dull"]
    assert 0.6 * null < found[BAD].reach < null
    assert [k for k in range(len(blows)) if "dull" in codes(found[k])] == [BAD]


def test_a_dull_tap_is_refused_only_where_it_shows_next_to_nothing():
    sharp = [2000.0] * 4
    for reach, others, kept in ((562.0, sharp, True), (355.0, sharp, False), (355.0, [355.0] * 4, True)):
        taps = [Tap(float(k), reach=value) for k, value in enumerate([reach, *others])]
        assert vet._judged(0, taps, [], LIMITS).kept is kept


def test_unlike_the_others():
    """A knock on the bench among the taps: other modes, badly damped."""
    recording, blows = taps_in_a_room(4)
    rng = np.random.default_rng(40)
    bench = [BodyMode(float(f), 0.05, float(rng.normal())) for f in rng.uniform(80, 1500, 8)]
    first, end = (round(t * 48_000) for t in (blows[BAD].onset - 0.05, blows[BAD].onset + 0.8))
    knock = tap_recording(
        bench, [replace(blows[0], onset=0.05)], rng=rng, duration=(end - first) / 48_000, snr_db=30.0
    )
    samples = recording.samples.copy()
    samples[first:end] = knock.samples[: end - first]
    found = find_taps(Recording(samples, 48_000.0))
    assert "unlike_others" in codes(found[BAD])
    assert [tap.kept for tap in found] == [k != BAD for k in range(len(blows))]


def test_a_majority_is_never_unlike():
    assert not any(vet.unlike_others([9.0, 9.0, 1.0, 1.0], limits=LIMITS))
    assert [fault is not None for fault in vet.unlike_others([9.0, 1.0, 1.0, 1.0], limits=LIMITS)] == [
        True, False, False, False,
    ]  # fmt: skip


@pytest.mark.parametrize("level", [0.5, 0.8, 0.95])
@pytest.mark.parametrize("gain", [1.0, 0.03])
def test_clipped_at_any_level(level, gain):
    """One loud tap cut off at a share of its peak, in 24 bits, before and after the gain is turned down."""
    recording, blows = taps_in_a_room(5, change={"strength": 3.0}, peak=0.2)
    top = level * np.abs(recording.samples).max()
    samples = np.round(np.clip(recording.samples, -top, top) * gain * 2**23) / 2**23
    found = find_taps(Recording(samples, 48_000.0))
    assert codes(found[BAD]) == ["clipped"]
    assert value(found[BAD], "clipped", "level") == pytest.approx(top * gain, rel=1e-3)
    assert [tap.kept for tap in found] == [k != BAD for k in range(len(blows))]


@pytest.mark.parametrize("steps", [2**7, 2**11])
def test_coarse_steps_are_not_clipping(steps):
    """Eight bits, or sixteen at a low gain, make flat tops of their own."""
    recording, _ = taps_in_a_room(6, count=5, snr_db=40.0, peak=0.5)
    samples = np.round(recording.samples * steps) / steps
    assert not any("clipped" in codes(tap) for tap in find_taps(Recording(samples, 48_000.0)))


def test_a_rounded_top_is_not_clipping():
    """A slow sine, whose tops are flat to a thousandth over many samples."""
    sine = np.sin(2 * np.pi * 60 * np.arange(48_000) / 192_000)
    assert vet.flat_runs(sine, limits=LIMITS) == []
    assert vet.flat_runs(np.clip(sine, -0.9, 0.9), limits=LIMITS)


def test_overlap_and_end():
    """The next tap 0.15 s later; the recording ending 60 ms after the last one."""
    rng = np.random.default_rng(7)
    blows = even_blows(5, rng=rng, first=0.5, timing_spread=0.0)
    blows[2] = replace(blows[2], onset=blows[1].onset + 0.15)
    recording = tap_recording(body(rng), blows, rng=rng, duration=blows[-1].onset + 0.06)
    found = find_taps(recording)
    assert len(found) == 5
    assert value(found[1], "overlaps_next", "after") == pytest.approx(0.15, abs=0.001)
    assert value(found[4], "cut_short", "left") == pytest.approx(0.06, abs=0.001)
    assert not found[1].kept
    assert not found[4].kept
    assert found[1].end == pytest.approx(blows[2].onset - 0.003, abs=0.001)


def test_checks_at_their_limits():
    assert vet.too_quiet(9.9, limits=LIMITS).values == {"snr_db": 9.9, "needed_db": 10.0}
    assert vet.too_quiet(10.0, limits=LIMITS) is None
    assert vet.too_quiet(float("nan"), limits=LIMITS) is None
    assert vet.cut_short(0.1, limits=LIMITS) is None
    assert vet.overlaps_next(0.333, limits=LIMITS) is None
    assert vet.double_hit(SecondBlow(0.004, 0.09), limits=LIMITS) is None
    assert vet.double_hit(SecondBlow(0.130, 0.9), limits=LIMITS) is None
    assert vet.double_hit(SecondBlow(0.004, 0.5), limits=LIMITS).values["ratio_db"] == pytest.approx(
        -6.02, abs=0.01
    )


def test_what_a_softer_blow_does():
    """2 ms against an impulse at 550 Hz: 12 dB down; |cos(pi f T) / (1 - (2 f T)^2)|, closed form."""
    edges = np.array([549.0, 551.0])
    changes = blow_changes_db(edges)[:, 0]
    wide = 20 * np.log10(abs(np.cos(np.pi * 1.1) / (1 - 2.2**2)))
    assert wide == pytest.approx(-12.1, abs=0.1)
    assert changes.min() < wide < changes.max()
    assert np.any(np.abs(changes) < 0.01)  # no change is among them
