"""Made-up sound holds what it says: closed forms, log decrement, half power, Schroeder's integral.

Truth: the convolution integral done numerically on a fine grid; x(t + T)/x(t) = e^{-alpha T}; the half-power
relation of a velocity-like response, exact: f1 f2 = f0^2, f2 - f1 = 2 zeta f0; Schroeder 1965 backward
integration; Parseval.
"""

from dataclasses import replace

import numpy as np
import pytest
import scipy

from resonance import units
from resonance.sound.synthesis import (
    Blow,
    BodyMode,
    Bump,
    Hum,
    band_power,
    bump_sound,
    coloured_noise,
    even_blows,
    hum_sound,
    pulse_spectrum,
    ring,
    room_response,
    seen_from,
    string_partials,
    tap_recording,
    taps,
)

RATE = 48_000.0
CASES = [(275.0, 0.025), (460.0, 0.0125), (550.0, 1 / 90), (1000.0, 0.01), (196.0, 4e-4)]  # FACTS 4.8 rows


def rng(seed: int = 1) -> np.random.Generator:
    return np.random.default_rng(seed)


@pytest.mark.parametrize("width", [0.0003, 0.001, 0.004])
@pytest.mark.parametrize("lead", [0.0, 7e-6])
def test_ring_is_the_convolution_of_pulse_and_decay(width, lead):
    mode = BodyMode(460.0, 0.0125, 0.7, 0.4)
    sound = ring(mode, width=width, sample_rate=RATE, n_samples=600, lead=lead)
    alpha, w = 2 * np.pi * 460 * 0.0125, 2 * np.pi * 460 * np.sqrt(1 - 0.0125**2)
    for k in (0, 1, 5, 40, 100, 599):
        t = lead + k / RATE
        tau = np.linspace(0, min(t, width), 20_001)
        pulse = np.pi / (2 * width) * np.sin(np.pi * tau / width)
        answer = 0.7 * np.exp(-alpha * (t - tau)) * np.sin(w * (t - tau) + 0.4)
        assert sound[k] == pytest.approx(np.trapezoid(pulse * answer, tau), abs=1e-7)


@pytest.mark.parametrize(("frequency", "damping"), CASES)
def test_log_decrement_and_period(frequency, damping):
    # Rotating the phase by 90 degrees gives the quadrature: the complex decay, period and decrement exact.
    real = ring(BodyMode(frequency, damping), width=0.001, sample_rate=RATE, n_samples=9600)
    imaginary = ring(
        BodyMode(frequency, damping, phase=-np.pi / 2), width=0.001, sample_rate=RATE, n_samples=9600
    )
    decay = (real + 1j * imaginary)[100:6000]
    s = np.log(decay[1:] / decay[:-1]) * RATE
    assert np.abs(s) / (2 * np.pi) == pytest.approx(np.full(len(s), frequency), rel=1e-8)
    assert -s.real / np.abs(s) == pytest.approx(np.full(len(s), damping), rel=1e-5)
    decrement = -s.real.mean() * 2 * np.pi / np.abs(s.imag).mean()
    assert decrement == pytest.approx(float(units.logarithmic_decrement(damping)), rel=1e-6)


@pytest.mark.parametrize(("frequency", "damping"), CASES[:4])
def test_half_power_points(frequency, damping):
    """Velocity-like answer (phase such that the residue is Re s/(s^2 + ...)): exact half-power width."""
    n = 2**19
    phase = float(np.pi / 2 + np.arctan2(damping, np.sqrt(1 - damping**2)))
    sound = ring(BodyMode(frequency, damping, phase=phase), width=1e-5, sample_rate=RATE, n_samples=n)
    sound[0] = 0.5 * np.sin(phase)  # the blow is much shorter than a sample: half of the jump (trapezium)
    spectrum = np.abs(np.fft.rfft(sound, n)) ** 2
    f = np.fft.rfftfreq(n, 1 / RATE)
    top = int(np.argmax(spectrum))
    half = spectrum[top] / 2
    low = np.interp(half, spectrum[: top + 1], f[: top + 1])
    high = np.interp(-half, -spectrum[top : 2 * top], f[top : 2 * top])
    assert np.sqrt(low * high) == pytest.approx(frequency, abs=0.05)
    assert (high - low) / (2 * frequency) == pytest.approx(damping, rel=0.005)


def test_pulse_has_unit_area_and_known_nulls():
    # METHODS E, computed: 2 ms is 12 dB down at 550 Hz with nulls at 750 and 1250 Hz; 4 ms at 375, 625 Hz.
    assert pulse_spectrum(1e-9j, 0.002).real == pytest.approx(1.0)
    for width, null in [(0.002, 750), (0.002, 1250), (0.004, 375), (0.004, 625)]:
        assert abs(pulse_spectrum(2j * np.pi * null, width)) < 1e-12
    assert 20 * np.log10(abs(pulse_spectrum(2j * np.pi * 550, 0.002))) == pytest.approx(-12, abs=0.5)


def test_blows_add_up_and_scale():
    modes = [BodyMode(300.0, 0.01), BodyMode(500.0, 0.012, 0.5)]
    blows = [Blow(0.1, 1.0), Blow(0.3, 2.0, 0.001)]
    both = taps(modes, blows, sample_rate=RATE, n_samples=24_000)
    parts = sum(taps([m], [b], sample_rate=RATE, n_samples=24_000) for m in modes for b in blows)
    assert both == pytest.approx(parts, abs=1e-12)
    assert not both[: int(0.1 * RATE)].any()
    twice = taps(
        modes, [replace(b, strength=2 * b.strength) for b in blows], sample_rate=RATE, n_samples=24_000
    )
    assert twice == pytest.approx(2 * both, rel=1e-12)


def test_double_hit_is_the_same_tap_twice():
    modes = [BodyMode(300.0, 0.01)]
    double = taps(modes, [Blow(0.1, again_after=0.040, again_ratio=0.3)], sample_rate=RATE, n_samples=24_000)
    single = taps(modes, [Blow(0.1)], sample_rate=RATE, n_samples=24_000)
    later = np.concatenate([np.zeros(round(0.04 * RATE)), single])[:24_000]
    assert double == pytest.approx(single + 0.3 * later, abs=1e-9)


@pytest.mark.parametrize("snr_db", [10.0, 30.0, 50.0])
@pytest.mark.parametrize("slope", [0.0, 1.0])
def test_signal_to_noise_ratio_is_as_stated(snr_db, slope):
    modes = [BodyMode(275.0, 0.025), BodyMode(460.0, 0.0125), BodyMode(2500.0, 0.02)]
    blows = even_blows(6, rng=rng(2))
    clean = tap_recording(modes, blows, rng=rng(3), snr_db=np.inf).samples[:, 0]
    noisy = tap_recording(modes, blows, rng=rng(3), snr_db=snr_db, noise_slope=slope).samples[:, 0]
    span = round(0.25 * RATE)
    power = np.median([band_power(clean[round(b.onset * RATE) :][:span], RATE) for b in blows])
    assert 10 * np.log10(power / band_power(noisy - clean, RATE)) == pytest.approx(snr_db, abs=0.05)


def test_band_power_of_a_sine():
    t = np.arange(48_000) / RATE
    assert band_power(0.4 * np.sin(2 * np.pi * 500 * t), RATE) == pytest.approx(0.08)
    assert band_power(0.4 * np.sin(2 * np.pi * 1500 * t), RATE) < 1e-20


def test_noise_colour():
    noise = coloured_noise(2**20, rng=rng(), sample_rate=RATE, slope=1.0)
    assert noise.std() == pytest.approx(1.0, rel=0.02)
    low, high = band_power(noise, RATE, (100, 200)), band_power(noise, RATE, (1600, 3200))
    assert 10 * np.log10(low / high) == pytest.approx(0.0, abs=0.3)  # 1/f: equal power in every octave


@pytest.mark.parametrize("decay_time", [0.3, 0.6])
@pytest.mark.parametrize("ratio_db", [12.0, 20.0])
def test_room_decay_by_backward_integration(decay_time, ratio_db):
    room = room_response(rng=rng(4), sample_rate=RATE, decay_time=decay_time, direct_to_room_db=ratio_db)
    assert room[0] == 1.0
    tail = room[1:]
    assert 10 * np.log10(1.0 / np.sum(tail**2)) == pytest.approx(ratio_db, abs=1e-6)
    curve = 10 * np.log10(np.cumsum(tail[::-1] ** 2)[::-1] / np.sum(tail**2))
    inside = (curve < -5) & (curve > -35)  # T30 of ISO 3382
    slope = np.polyfit(np.arange(len(curve))[inside] / RATE, curve[inside], 1)[0]
    assert -60 / slope == pytest.approx(decay_time, rel=0.04)


def test_a_room_place_comes_back():
    settings = {"sample_rate": RATE, "decay_time": 0.4, "direct_to_room_db": 15.0}
    assert np.array_equal(room_response(rng=rng(7), **settings), room_response(rng=rng(7), **settings))
    assert not np.array_equal(room_response(rng=rng(7), **settings), room_response(rng=rng(8), **settings))


def test_strings_are_nearly_harmonic_and_lightly_damped():
    partials = string_partials(196.0, count=6, inharmonicity=1e-4, amplitude=0.02, name="G3")
    assert partials[0].frequency == pytest.approx(196.0 * np.sqrt(1.0001))
    assert partials[5].frequency / partials[0].frequency == pytest.approx(6 * np.sqrt(1.0036 / 1.0001))
    assert all(p.damping == 4e-4 for p in partials)
    assert [p.name for p in partials[:2]] == ["G3 1", "G3 2"]
    recording = tap_recording(
        [BodyMode(275.0, 0.025)], [Blow(0.2)], rng=rng(), strings=partials, snr_db=np.inf, duration=4.0
    )
    f = np.fft.rfftfreq(96_000, 1 / RATE)
    late = np.abs(np.fft.rfft(recording.samples[-96_000:, 0] * np.hanning(96_000)))
    assert f[np.argmax(late)] == pytest.approx(partials[0].frequency, abs=0.5)


def test_hum_and_bump():
    hum = hum_sound(Hum(50.0, (0.001, 0.0005)), rng=rng(), sample_rate=RATE, n_samples=48_000)
    assert band_power(hum, RATE, (45, 55)) == pytest.approx(0.5 * 0.001**2)
    assert band_power(hum, RATE, (95, 105)) == pytest.approx(0.5 * 0.0005**2)
    bump = bump_sound(Bump(0.3, peak=0.2), sample_rate=RATE, n_samples=48_000)
    assert not bump[: int(0.3 * RATE)].any()
    assert 0.1 < np.abs(bump).max() <= 0.2
    assert band_power(bump, RATE, (100, 24_000)) < 1e-3 * band_power(bump, RATE, (0, 100))


def test_blows_of_a_steady_hand():
    blows = even_blows(400, rng=rng(5), spacing=1.0, strength_spread_db=2.0, width=0.001)
    assert np.diff([b.onset for b in blows]).min() > 0.75
    assert np.std([20 * np.log10(b.strength) for b in blows]) == pytest.approx(2.0, rel=0.1)
    assert np.median([b.width for b in blows]) == pytest.approx(0.001, rel=0.02)


def test_scatter_from_tap_to_tap():
    moved = []
    for seed in range(120):
        sound = taps(
            [BodyMode(440.0, 0.001)],
            [Blow(0.0)],
            sample_rate=8000,
            n_samples=4000,
            scatter=0.5,
            rng=rng(seed),
        )
        analytic = scipy.signal.hilbert(sound[200:2200])
        moved.append(np.diff(np.unwrap(np.angle(analytic[500:1500]))).mean() * 8000 / (2 * np.pi))
    assert np.mean(moved) == pytest.approx(440.0, abs=0.15)
    assert np.std(moved) == pytest.approx(0.5, rel=0.2)
    with pytest.raises(ValueError, match="pass rng"):
        taps([BodyMode(440.0, 0.01)], [Blow(0.0)], sample_rate=8000, n_samples=10, scatter=0.5)


def test_a_strong_blow_clips_and_the_rest_does_not():
    blows = [Blow(0.2), Blow(0.7), Blow(1.2, strength=6.0)]
    sound = tap_recording([BodyMode(300.0, 0.01)], blows, rng=rng(), peak=0.3).samples[:, 0]
    clipped = np.flatnonzero(np.abs(sound) >= 1.0) / RATE
    assert len(clipped) > 10
    assert clipped.min() > 1.2


def test_median_peak_is_as_asked():
    sound = tap_recording(
        [BodyMode(300.0, 0.01)], even_blows(5, rng=rng()), rng=rng(), peak=0.4, snr_db=np.inf
    ).samples[:, 0]
    peaks = [np.abs(sound[round(b.onset * RATE) :][:2400]).max() for b in even_blows(5, rng=rng())]
    assert np.median(peaks) == pytest.approx(0.4)


def test_places_weigh_modes():
    modes = [BodyMode(300.0, 0.01, 2.0), BodyMode(400.0, 0.01, 1.0)]
    assert [m.amplitude for m in seen_from(modes, [0.5, -1.0])] == [1.0, -1.0]
    with pytest.raises(ValueError, match="zip"):
        seen_from(modes, [1.0])


def test_the_same_seed_gives_the_same_sound():
    def make(seed: int) -> np.ndarray:
        generator = rng(seed)
        room = room_response(rng=generator, sample_rate=RATE, decay_time=0.3, direct_to_room_db=15.0)
        return tap_recording(
            [BodyMode(300.0, 0.01)],
            even_blows(3, rng=generator),
            rng=generator,
            room=room,
            hum=Hum(),
            bumps=[Bump(0.1)],
            scatter=0.2,
        ).samples

    assert np.array_equal(make(11), make(11))
    assert not np.array_equal(make(11), make(12))
    assert make(11).shape[1] == 1
