"""The joint estimator against sums of exponentials made here, whose poles are known exactly."""

import numpy as np
import pytest
import scipy

from resonance.errors import ResonanceError
from resonance.modes.estimate import find_modes
from resonance.modes.intervals import damping_half_width, frequency_half_width
from resonance.modes.mode import Mode
from resonance.sound import synthesis
from resonance.sound.recording import Recording, Take
from resonance.sound.synthesis import room_response
from resonance.taps.tap import Tap

RATE = 16000.0
# frequency Hz, damping ratio, amplitude
BODY = np.array(
    [[275.0, 0.025, 1.0], [403.0, 0.010, 0.8], [455.0, 0.011, 1.0], [545.0, 0.010, 1.1], [690.0, 0.012, 0.6]]
)


def taps_of(modes=BODY, *, n_taps=6, seed=1, noise=1e-3, length=0.8, drift=0.0, gain=1.0, mean=0.0):
    """A take of taps a known sum of decaying sines each, in white noise; the taps told as found."""
    rng = np.random.default_rng(seed)
    n = int(length * RATE)
    time = np.arange(n) / RATE
    sound, taps = [], []
    for k in range(n_taps):
        frequency = modes[:, 0] * (1.0 + drift * rng.standard_normal(len(modes)) / modes[:, 0])
        amplitude = modes[:, 2] * rng.uniform(0.7, 1.3, len(modes))
        omega = 2 * np.pi * frequency
        decay = np.exp(-modes[:, 1] * omega * time[:, None])
        ring = decay * np.sin(omega * np.sqrt(1 - modes[:, 1] ** 2) * time[:, None])
        sound += [np.zeros(int(0.3 * RATE)), ring @ amplitude]
        onset = (k * (n + int(0.3 * RATE)) + int(0.3 * RATE)) / RATE
        taps.append(Tap(onset, end=onset + length))
    joined = np.concatenate(sound)
    joined = gain * (joined + noise * rng.standard_normal(joined.size)) + mean
    return [Take(Recording(joined[:, None], RATE))], taps


def near(modes: tuple[Mode, ...], frequency: float) -> Mode:
    return min(modes, key=lambda mode: abs(mode.frequency - frequency))


def quantile(dof: float) -> float:
    return float(scipy.stats.t.ppf(0.999, dof))


def test_poles_within_their_uncertainty_and_no_others():
    takes, taps = taps_of()
    result = find_modes(takes, taps)
    assert len(result.modes) == len(BODY)
    for frequency, damping, _ in BODY:
        mode = near(result.modes, frequency)
        assert abs(mode.frequency - frequency) < quantile(mode.frequency_dof) * mode.frequency_u
        assert abs(mode.damping - damping) < quantile(mode.damping_dof) * mode.damping_u
        assert mode.frequency_u < 0.1
        assert mode.n_taps == 6


def test_gain_and_offset_change_nothing():
    plain = find_modes(*taps_of()).modes
    faint = find_modes(*taps_of(gain=1e-3, mean=1e-4)).modes
    assert [m.frequency for m in faint] == pytest.approx([m.frequency for m in plain], rel=1e-6)
    assert [m.frequency_u for m in faint] == pytest.approx([m.frequency_u for m in plain], rel=1e-2)


@pytest.mark.slow
def test_intervals_cover_over_many_sets():
    # Under a drift of 0.2 Hz from tap to tap the 95 % intervals must still hold: 40 sets, 5 modes, so that a
    # true 95 % gives under 88 % with a chance of less than one in ten thousand.
    inside, count = 0, 0
    for seed in range(40):
        result = find_modes(*taps_of(seed=100 + seed, drift=0.2, n_taps=5), band=(200.0, 800.0))
        for frequency, _, _ in BODY:
            mode = near(result.modes, frequency)
            half = scipy.stats.t.ppf(0.975, mode.frequency_dof) * mode.frequency_u
            inside += abs(mode.frequency - frequency) < half
            count += 1
    assert inside / count > 0.88


def test_drift_from_tap_to_tap_makes_no_twins():
    result = find_modes(*taps_of(drift=0.3, n_taps=8, noise=1e-4))
    assert len(result.modes) == len(BODY)
    assert near(result.modes, 455.0).limited_by == "hand"


def test_two_close_modes_of_opposite_sign():
    # 513 and 524 Hz at Q 40: one single maximum at 518.47 Hz (computed from the two-mode formula)
    pair = np.array([[513.0, 0.0125, 1.0], [524.0, 0.0125, -1.0], [300.0, 0.012, 1.0]])
    result = find_modes(*taps_of(pair, noise=1e-4), band=(200.0, 800.0))
    for frequency in (513.0, 524.0):
        mode = near(result.modes, frequency)
        assert abs(mode.frequency - frequency) < 0.5


def test_short_record_shows_no_damping():
    bar = np.array([[784.0, 1.7e-4, 1.0]])
    result = find_modes(*taps_of(bar, n_taps=1, length=0.8), family="other", band=(500.0, 1200.0))
    mode = near(result.modes, 784.0)
    assert abs(mode.frequency - 784.0) < 0.05
    assert np.isnan(mode.damping)
    assert [reason.code for reason in mode.reasons] == ["record_too_short"]


def test_one_tap_says_so():
    result = find_modes(*taps_of(n_taps=1))
    assert "one_tap" in [reason.code for reason in result.reasons]
    assert np.isnan(near(result.modes, 455.0).frequency_dof)


def test_noise_alone_is_refused_or_empty():
    rng = np.random.default_rng(4)
    takes = [Take(Recording(rng.standard_normal((int(4 * RATE), 1)) * 0.1, RATE))]
    taps = [Tap(0.5 + k, end=1.4 + k) for k in range(3)]
    result = find_modes(takes, taps)
    assert result.modes == ()
    assert {reason.code for reason in result.reasons} & {"no_modes", "model_misfit"}


def test_no_taps():
    takes, _ = taps_of()
    assert [reason.code for reason in find_modes(takes, []).reasons] == ["no_taps"]


def test_string_and_hum_are_told_from_the_body():
    lines = np.vstack([BODY, [[440.0, 4e-4, 0.4], [100.0, 1e-7, 0.2]]])
    result = find_modes(*taps_of(lines, length=0.9), open_strings=(440.0,))
    assert near(result.modes, 440.0).kind == "string"
    assert near(result.modes, 100.0).kind == "hum"
    assert near(result.modes, 455.0).kind == "body"


def test_a_faint_mode_in_the_band_of_a_loud_one_is_unsure():
    # 275 Hz at 2.5 % has a half bandwidth of 7 Hz; 24 dB less of energy is what a room alone may make of it.
    flank = np.array([[268.0, 0.02, 0.055], [690.0 - 40.0, 0.012, 0.04]])
    result = find_modes(*taps_of(np.vstack([BODY, flank]), noise=1e-5, n_taps=8))
    faint = near(result.modes, 268.0)
    assert abs(faint.frequency - 268.0) < 1.5
    assert faint.kind == "unsure"
    assert [(r.code, round(r.values["of"])) for r in faint.reasons] == [("flank", 275)]
    assert near(result.modes, 650.0).kind == "body"  # as faint, but by itself
    assert near(result.modes, 275.0).kind == "body"


def test_model_term_shows_what_is_no_sum_of_exponentials():
    # A second sound 40 ms later, as from a wall 7 m off, is in no model: later starts tell, and so the ±.
    # 5 % is what comes back over 14 m of a sound heard at 0.6 to 0.7 m (1 / distance, a hard wall).
    takes, taps = taps_of(noise=1e-4)
    sound = takes[0].recording.samples[:, 0]
    late = int(0.04 * RATE)
    echo = np.concatenate([np.zeros(late), 0.05 * sound[:-late]])
    walled = find_modes([Take(Recording((sound + echo)[:, None], RATE))], taps)
    plain = find_modes(takes, taps)
    assert near(walled.modes, 455.0).model_u > 5 * near(plain.modes, 455.0).model_u
    assert near(walled.modes, 455.0).limited_by == "room"
    assert near(walled.modes, 455.0).damping_model_u > 5 * near(plain.modes, 455.0).damping_model_u
    assert abs(near(walled.modes, 455.0).frequency - 455.0) < frequency_half_width(near(walled.modes, 455.0))


def test_a_room_is_heard_and_the_values_widened():
    takes, taps = taps_of(noise=1e-4, n_taps=8)
    response = room_response(
        rng=np.random.default_rng(3), sample_rate=RATE, decay_time=0.35, direct_to_room_db=12.0
    )
    dry = takes[0].recording.samples[:, 0]
    sound = scipy.signal.oaconvolve(dry, response)[: dry.size]
    roomy = find_modes([Take(Recording(sound[:, None], RATE))], taps)
    plain = find_modes(takes, taps)
    assert "room_heard" in [reason.code for reason in roomy.reasons]
    assert "room_heard" not in [reason.code for reason in plain.reasons]
    for frequency, _, _ in BODY:
        mode = near(roomy.modes, frequency)
        assert mode.model_u > 10 * near(plain.modes, frequency).model_u
        # five modes in one room: 1.5 half widths of 95 % are a chance of 3 in 1000 each
        assert abs(mode.frequency - frequency) < 1.5 * frequency_half_width(mode)
    plate = find_modes([Take(Recording(sound[:, None], RATE))], taps, piece="top", band=(60.0, 1200.0))
    assert "room_heard" not in [reason.code for reason in plate.reasons]  # whole instruments only


def test_a_late_slope_stays_out_of_damping():
    # A string or one resonance of the room rings on at 455 Hz, 20 dB down and four times as long.
    slope = np.array([[455.0, 0.011 / 4.0, 0.1]])
    result = find_modes(*taps_of(np.vstack([BODY, slope]), noise=1e-3, n_taps=8))
    (main,) = [m for m in result.modes if abs(m.frequency - 455.0) < 3.0 and m.kind == "body"]
    assert main.damping == pytest.approx(0.011, rel=0.05)
    assert abs(main.damping - 0.011) < damping_half_width(main)
    found = find_modes(*taps_of(noise=1e-3, n_taps=8))
    assert not [m for m in found.modes if {"late_slope", "bent_decay"} & {r.code for r in m.reasons}]


@pytest.mark.slow
def test_a_late_slope_too_alike_to_be_told_apart_widens_the_interval():
    # Half the decay rate, 14 dB down, any phase: one slope misses the damping by 10 to 20 %. Without what
    # is tested here 4 of these 12 intervals hold, with it 9; one may go either way on another machine.
    inside = 0
    for seed in range(12):
        rng = np.random.default_rng([seed, 3])
        body = [synthesis.BodyMode(f, z, a) for f, z, a in BODY]
        slope = synthesis.BodyMode(455.0, 0.0055, 0.2, phase=rng.uniform(0.0, 2.0 * np.pi))
        blows = synthesis.even_blows(8, rng=rng, width=0.0006)
        recording = synthesis.tap_recording(
            [*body, slope], blows, rng=rng, sample_rate=RATE, snr_db=25.0, scatter=0.05
        )
        ends = [*(blow.onset - 0.01 for blow in blows[1:]), recording.duration]
        taps = [Tap(blow.onset, end=end) for blow, end in zip(blows, ends, strict=True)]
        mode = near(find_modes([Take(recording)], taps, band=(200.0, 800.0)).modes, 455.0)
        inside += abs(mode.damping - 0.011) < damping_half_width(mode)
    assert inside >= 8


def test_second_set_from_the_first_ones_modes():
    first = find_modes(*taps_of(seed=1))
    moved = BODY.copy()
    moved[2, 0] += 1.5
    second = find_modes(*taps_of(moved, seed=2), start=first.modes)
    assert len(second.modes) == len(first.modes)
    assert near(second.modes, 456.5).frequency == pytest.approx(456.5, abs=0.2)


def test_two_channels_are_fitted_together():
    takes, taps = taps_of(n_taps=4)
    sound = takes[0].recording.samples
    rng = np.random.default_rng(9)
    both = np.concatenate([sound, 0.5 * sound + 1e-3 * rng.standard_normal(sound.shape)], axis=1)
    joint = find_modes([Take(Recording(both, RATE))], taps)
    assert near(joint.modes, 455.0).n_taps == 4
    assert near(joint.modes, 455.0).frequency == pytest.approx(455.0, abs=0.2)


def test_in_a_room_a_contact_sensor_beside_the_microphone_is_read_alone():
    takes, taps = taps_of()
    dry = takes[0].recording.samples[:, 0]
    room = room_response(
        rng=np.random.default_rng(4), sample_rate=RATE, decay_time=0.35, direct_to_room_db=10.0
    )
    heard = scipy.signal.fftconvolve(dry, room)[: dry.size]
    microphone = find_modes([Take(Recording(heard[:, None], RATE))], taps, band=(200.0, 800.0))
    assert "room_heard" in [r.code for r in microphone.reasons]
    both = Take(Recording(np.stack([heard, 0.3 * dry], axis=1), RATE), channels=("sound", "contact"))
    found = find_modes([both], taps, band=(200.0, 800.0))
    codes = [r.code for r in found.reasons]
    assert "room_passed_by" in codes
    assert "room_heard" not in codes
    errors = [abs(near(found.modes, f).frequency - f) for f in BODY[1:, 0]]
    assert max(errors) < 0.1
    assert max(errors) < 0.5 * max(abs(near(microphone.modes, f).frequency - f) for f in BODY[1:, 0])
    # without a room the two are fitted together
    together = Take(Recording(np.stack([dry, 0.3 * dry], axis=1), RATE), channels=("sound", "contact"))
    assert "room_passed_by" not in [r.code for r in find_modes([together], taps, band=(200.0, 800.0)).reasons]


def test_band_beyond_half_the_rate_says_what_would_do():
    takes, taps = taps_of()
    with pytest.raises(ResonanceError, match="7600 Hz or lower"):
        find_modes(takes, taps, band=(60.0, 7900.0))
