"""Pitch of steady notes against the Cramér-Rao bound, in the right octave, and along a vibrato."""

import numpy as np
import pytest

from resonance.spectra.bowed import RANGES
from resonance.spectra.comb import note_pitch
from resonance.spectra.partials import follow, mean_pitch


def harmonics(pitch, amplitudes, *, rate, duration, rng, snr_db=None, noise=0.0):
    """Sum of partials at whole multiples with random phases, and white noise; sound and noise's deviation."""
    time = np.arange(round(duration * rate)) / rate
    turn = 2 * np.pi * pitch * time
    sound = sum(
        a * np.cos(k * turn + rng.uniform(0, 2 * np.pi)) for k, a in enumerate(amplitudes, start=1) if a
    )
    if snr_db is not None:
        noise = np.sqrt(np.sum(np.square(amplitudes)) / 2 / 10 ** (snr_db / 10))
    return sound + noise * rng.standard_normal(time.size), noise


def bound(amplitudes, noise, *, rate, duration):
    """Least standard deviation (Hz) of the pitch of a harmonic tone, phases and amplitudes unknown.

    var(w) >= 24 s^2 / (n^3 sum k^2 A_k^2) rad^2 per sample^2, from the Fisher matrix of n samples (worked).
    """
    n = round(duration * rate)
    number = np.arange(1, len(amplitudes) + 1)
    variance = 24.0 * noise**2 / (n**3 * np.sum(number**2 * np.square(amplitudes)))
    return np.sqrt(variance) * rate / (2 * np.pi)


CASES = {
    "violin G, falling partials": (196.3, 1.0 / np.arange(1, 11), 1.5, 20.0),
    "violin A, noisy": (442.1, 1.0 / np.arange(1, 9), 2.0, 10.0),
    "cello C": (65.7, 1.0 / np.arange(1, 13), 2.0, 20.0),
    "short, high": (880.4, np.arange(1, 6.0) ** -0.7, 0.6, 15.0),
    "weak fundamental": (196.0, np.array([0.03, 0.3, 1.0, 0.2, 0.5, 0.1, 0.2]), 1.5, 25.0),
}


@pytest.mark.parametrize("case", CASES)
def test_pitch_is_within_one_and_a_half_times_the_bound(case):
    """40 notes each; their root mean square error is itself good to 11 %."""
    pitch, amplitudes, duration, snr_db = CASES[case]
    errors, scores = [], []
    for seed in range(40):
        rng = np.random.default_rng([31, seed])
        sound, noise = harmonics(pitch, amplitudes, rate=48000.0, duration=duration, rng=rng, snr_db=snr_db)
        found, u = mean_pitch(follow(sound, 48000.0, pitch * (1 + rng.uniform(-0.005, 0.005))))
        errors.append(found - pitch)
        scores.append((found - pitch) / u)
    least = bound(amplitudes, noise, rate=48000.0, duration=duration)
    assert np.sqrt(np.mean(np.square(errors))) < 1.5 * least
    assert 0.4 < np.sqrt(np.mean(np.square(scores))) < 1.3  # the stated uncertainty is the real one
    assert np.mean(np.abs(scores) < 3) > 0.97


def test_a_wandering_pitch_has_the_uncertainty_of_its_mean():
    """White frequency noise, whose mean is known: the truth lies within 2u in some 95 of 100."""
    inside = []
    for seed in range(60):
        rng = np.random.default_rng([32, seed])
        rate, n = 16000.0, 32000
        wander = np.repeat(rng.normal(0, 0.5, n // 320), 320)
        turns = np.cumsum(220.0 + wander) / rate
        sound = sum(np.cos(2 * np.pi * k * turns) / k for k in range(1, 8)) + 1e-3 * rng.standard_normal(n)
        found, u = mean_pitch(follow(sound, rate, 220.5))
        inside.append(abs(found - 220.0) < 2 * u)
    assert np.mean(inside) > 0.85


@pytest.mark.parametrize("family", ["violin", "viola", "cello", "bass"])
def test_right_octave_whatever_the_partials(family):
    """Random partials (8 dB), every third note with its fundamental 30 dB below the third partial."""
    low, high = RANGES[family]
    for seed in range(40):
        rng = np.random.default_rng([33, seed])
        pitch = low * 1.06 * 2 ** rng.uniform(0, np.log2(high / low / 1.2))
        count = int(min(25, 10000 / pitch))
        db = rng.normal(0, 8, count) - 6 * np.log2(np.arange(1, count + 1))
        if seed % 3 == 0 and count > 3:
            db[0] = db[2] - 30
        sound, _ = harmonics(
            pitch, 10 ** (db / 20), rate=44100.0, duration=1.0, rng=rng, snr_db=rng.uniform(20, 40)
        )
        found, score = note_pitch(sound, 44100.0, lowest=low, highest=high)
        assert abs(1200 * np.log2(found / pitch)) < 30, (pitch, found, score, db.round())


def test_the_pitch_of_a_vibrato_is_its_middle():
    """Whole swings of 6 Hz, 60 cents wide: the mean in cents is the note."""
    rate = 48000.0
    time = np.arange(int(2 * rate)) / rate
    cents = 30 * np.sin(2 * np.pi * 6 * time)
    turns = np.cumsum(440 * 2 ** (cents / 1200)) / rate
    sound = sum(np.cos(2 * np.pi * k * turns) / k for k in range(1, 9))
    sound += 1e-3 * np.random.default_rng(1).standard_normal(time.size)
    found, _ = mean_pitch(follow(sound, rate, 441.0))
    assert abs(1200 * np.log2(found / 440)) < 1.0


def test_what_holds_no_note():
    assert np.isnan(note_pitch(np.zeros(100), 48000.0, lowest=185.0, highest=3600.0)[0])
    assert follow(np.ones(500), 48000.0, 200.0) is None
