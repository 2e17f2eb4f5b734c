"""The room by itself, in a clap and in the quiet: made-up sound with known room and body."""

from math import nan

import numpy as np
import pytest

from resonance.modes.estimate import find_modes
from resonance.modes.heard import QuietPeak, by_clap, by_quiet, quiet_peaks
from resonance.modes.mode import Mode
from resonance.sound import synthesis
from resonance.sound.recording import Recording, Take
from resonance.taps.tap import Tap

RATE = 12000.0
BODY = (
    (275.0, 0.025, 1.0),
    (403.0, 0.010, 0.8),
    (455.0, 0.011, 1.0),
    (545.0, 0.010, 1.1),
    (690.0, 0.012, 0.6),
)
ROOM = (
    (171.0, 0.009, 0.3),
    (230.0, 0.008, 0.3),
    (335.0, 0.006, 0.25),
    (459.0, 0.006, 0.05),
)  # T60 near 0.6 s


def mode(frequency, damping=0.01, *, u=0.05, share=0.05, kind="body", snr_db=30.0):
    return Mode(frequency, damping, u, 7.0, damping_u=share * damping, kind=kind, snr_db=snr_db)


def made(modes, count, seed, *, snr_db=35.0, width=0.0006, spacing=1.0, scatter=0.0):
    rng = np.random.default_rng([seed, 9])
    blows = synthesis.even_blows(count, rng=rng, width=width, spacing=spacing)
    recording = synthesis.tap_recording(
        [synthesis.BodyMode(*numbers) for numbers in modes], blows, rng=rng, sample_rate=RATE, snr_db=snr_db,
        scatter=scatter, duration=blows[-1].onset + max(1.0, spacing),
    )  # fmt: skip
    ends = [*(blow.onset - 0.01 for blow in blows[1:]), recording.duration]
    return Take(recording), [Tap(b.onset, end=e) for b, e in zip(blows, ends, strict=True)]


def near(modes, frequency):
    return min(modes, key=lambda m: abs(m.frequency - frequency))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_clap_shows_what_is_the_rooms(seed):
    take, taps = made((*BODY, *ROOM), 8, seed)
    clap, _ = made(ROOM, 3, seed + 50, width=0.0003, spacing=2.0)
    plain = find_modes([take], taps, band=(120.0, 900.0))
    told = find_modes([take], taps, band=(120.0, 900.0), claps=[clap])
    for frequency, _, _ in ROOM[:3]:
        assert near(plain.modes, frequency).kind == "body"  # nothing else tells
        found = near(told.modes, frequency)
        assert abs(found.frequency - frequency) < 1.0
        assert found.kind in ("room", "unsure")
        assert {r.code for r in found.reasons} & {"in_clap", "near_clap"}
    assert [near(told.modes, f).kind for f, _, _ in ROOM[:3]].count("room") >= 2
    for frequency, _, _ in BODY:  # the one at 455 Hz stands 4 Hz beside the room's at 459 Hz
        assert near(told.modes, frequency).kind == "body"


def test_a_recording_without_a_clap_says_so():
    take, taps = made(BODY, 6, 1)
    silence = Take(Recording(1e-4 * np.random.default_rng(1).standard_normal((24000, 1)), RATE))
    result = find_modes([take], taps, band=(200.0, 800.0), claps=[silence])
    assert "clap_not_read" in [reason.code for reason in result.reasons]
    assert {m.kind for m in result.modes} == {"body"}


def test_another_decay_or_another_frequency_is_another_resonance():
    clap = [mode(171.0, 0.009)]
    for frequency, damping, kind in (
        (171.05, 0.0092, "room"),
        (171.05, 0.02, "body"),
        (172.5, 0.009, "body"),
    ):
        (found,) = by_clap([mode(frequency, damping)], clap)
        assert found.kind == kind
    assert by_clap([mode(171.0, nan, kind="string")], clap)[0].kind == "string"


def test_where_the_clap_rings_everywhere_nothing_is_claimed():
    crowd = [mode(100.0 + k, 0.012, u=0.3, share=0.3) for k in range(200)]
    (found,) = by_clap([mode(171.1, 0.012, u=0.3, share=0.3)], crowd)
    assert (found.kind, found.reasons[-1].code) == ("unsure", "near_clap")
    (vague,) = by_clap([mode(171.0, nan)], [mode(171.0)])
    assert vague.kind == "unsure"  # its decay is not known


def quiet_take(rng, *, tone=0.0, ringing=0.0, seconds=2.0):
    """White noise, a steady tone at 233 Hz, and noise through one resonance of 310 Hz, 6 Hz wide."""
    n = int(seconds * RATE)
    noise = rng.standard_normal(n)
    time = np.arange(n) / RATE
    decay = np.exp(-np.pi * 6.0 * time) * np.sin(2.0 * np.pi * 310.0 * time)
    through = np.convolve(rng.standard_normal(n), decay[: int(RATE)])[:n]
    sound = noise + tone * np.sin(2.0 * np.pi * 233.0 * time) + ringing * through / np.std(through)
    return Take(Recording(1e-3 * sound[:, None], RATE)), [Tap(seconds - 0.01, end=seconds)]


def test_peaks_of_the_quiet():
    take, taps = quiet_take(np.random.default_rng(5), tone=0.5, ringing=2.0)
    peaks = quiet_peaks([take], taps, (60.0, 1200.0))
    steady = min(peaks, key=lambda p: abs(p.frequency - 233.0))
    assert steady.frequency == pytest.approx(233.0, abs=0.2)
    assert steady.width == pytest.approx(steady.resolution, rel=0.3)
    assert any(abs(p.frequency - 310.0) < 5.0 for p in peaks)


def test_no_peak_in_plain_noise():
    # One false peak in a thousand is allowed by chance: none or one in 60 of them.
    rng = np.random.default_rng(6)
    quiets = [quiet_take(rng) for _ in range(60)]
    found = [quiet_peaks([take], taps, (60.0, 1200.0)) for take, taps in quiets]
    assert sum(map(len, found)) <= 2


def test_what_hardly_rises_above_the_quiet_is_not_the_taps():
    peak = QuietPeak(310.0, 7.0, 2.9, 15.0)
    alike, loud, narrow = mode(310.5, 0.010, snr_db=18.0), mode(310.5, 0.010, snr_db=40.0), mode(310.5, 0.001)
    kinds = [m.kind for m in by_quiet([alike, loud, narrow], [peak])]
    assert kinds == ["room", "body", "body"]
    assert by_quiet([mode(310.5, 0.001, snr_db=18.0)], [peak])[0].kind == "unsure"
    hum = QuietPeak(310.0, 2.9, 2.9, 15.0)
    assert by_quiet([mode(310.5, 0.012, snr_db=18.0)], [hum])[0].kind == "body"  # a tone beside it
    assert by_quiet([mode(330.0, snr_db=18.0)], [peak])[0].kind == "body"


@pytest.mark.parametrize(("line", "body"), [(100.0, 101.0), (120.0, 118.7), (300.0, 301.2)])
def test_a_mains_line_does_not_make_a_body_mode_beside_it_the_rooms(line, body):
    hum = QuietPeak(line, 2.9, 2.88, 25.0)
    fan = QuietPeak(line + 10.0, 2.9, 2.88, 25.0)  # as narrow, but on no harmonic of the mains
    assert by_quiet([mode(body, 0.015)], [hum])[0].kind == "body"
    assert by_quiet([mode(body + 10.0, 1e-3)], [fan])[0].kind == "room"
