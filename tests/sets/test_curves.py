"""Curves for pictures, against sound with known modes."""

from dataclasses import replace
from math import log10

import numpy as np
import pytest

from resonance.modes.mode import Mode
from resonance.reasons import Fault
from resonance.sets.curves import mode_decay, refused_spectra, set_spectrum
from resonance.sets.tapset import Analysis, TapSet
from resonance.sound.recording import Recording, Take
from resonance.sound.synthesis import Blow, BodyMode, tap_recording
from resonance.taps.tap import Tap

MODES = (BodyMode(300.0, 0.02), BodyMode(500.0, 0.01, 0.8, 2.0))
ONSETS = (0.5, 1.5, 2.5)


@pytest.fixture(scope="module")
def tap_set():
    recording = tap_recording(
        MODES,
        [Blow(onset) for onset in ONSETS],
        rng=np.random.default_rng(1),
        sample_rate=16_000.0,
        snr_db=40.0,
        noise_slope=0.0,
    )
    taps = tuple(Tap(onset, end=onset + 0.9) for onset in ONSETS)
    analysis = Analysis(band=(60.0, 1200.0), record=0.5)
    return TapSet("set1", None, (), takes=(Take(recording),), taps=taps, analysis=analysis)


def test_spectrum_has_its_maxima_at_the_modes(tap_set):
    frequencies, db = set_spectrum(tap_set)
    for mode in MODES:  # a lone mode's maximum lies at f sqrt(1 - 2 zeta^2) or nearer f: within 0.3 Hz here
        near = np.abs(frequencies - mode.frequency) < 20.0
        assert frequencies[near][np.argmax(db[near])] == pytest.approx(mode.frequency, abs=1.0)
    inside = (frequencies > 60.0) & (frequencies < 1200.0)
    assert db[inside].max() == 0.0


def test_every_tap_counts_alike(tap_set):
    (take,) = tap_set.takes
    samples = take.recording.samples.copy()
    samples[: int(1.4 * 16_000)] *= 100.0
    louder = replace(tap_set, takes=(Take(Recording(samples, 16_000.0)),))
    frequencies, db = set_spectrum(tap_set)
    inside = (frequencies > 200.0) & (frequencies < 600.0)
    np.testing.assert_allclose(set_spectrum(louder)[1][inside], db[inside], atol=0.5)  # dB: a line width


def test_refused_taps_stand_apart(tap_set):
    taps = (*tap_set.taps[:2], replace(tap_set.taps[2], kept=False, faults=(Fault("dull"),)))
    partly = replace(tap_set, taps=taps)
    (refused,) = refused_spectra(partly)
    assert refused.shape == set_spectrum(partly)[1].shape
    assert np.nanmax(refused) > -10.0
    assert refused_spectra(tap_set) == ()


def test_a_refused_tap_without_sound_is_nan_throughout(tap_set):
    gone = Tap(tap_set.takes[0].recording.duration - 1e-4, kept=False)
    (refused,) = refused_spectra(replace(tap_set, taps=(*tap_set.taps, gone)))
    assert np.all(np.isnan(refused))


def test_without_sound_there_is_nothing_to_draw(tap_set):
    empty = replace(tap_set, takes=(Take(Recording(np.zeros((0, 1)), 16_000.0)),))
    assert set_spectrum(empty)[0].size == 0
    assert refused_spectra(empty) == ()
    assert mode_decay(empty, Mode(300.0, 0.02)) is None


@pytest.mark.parametrize("true", MODES, ids=lambda mode: f"{mode.frequency:g} Hz")
def test_envelope_falls_at_the_rate_of_the_damping(tap_set, true):
    decay = mode_decay(tap_set, Mode(true.frequency, true.damping))
    rate = -20.0 * log10(np.e) * 2.0 * np.pi * true.frequency * true.damping  # dB/s: closed form, FACTS 4.8
    part = (decay.times > 0.03) & (decay.db > -25.0)
    slope = np.polyfit(decay.times[part], decay.db[part], 1)[0]
    assert slope == pytest.approx(rate, rel=0.05)
    assert len(decay.taps) == 3
    assert decay.db.max() == 0.0
    assert decay.noise_db < -25.0
    assert decay.clear == pytest.approx((decay.noise_db + 6.0) / rate, abs=0.05)  # where the line gets there


def test_force_channels_are_not_heard(tap_set):
    (take,) = tap_set.takes
    both = np.hstack(
        [take.recording.samples, np.random.default_rng(2).standard_normal(take.recording.samples.shape)]
    )
    with_force = replace(tap_set, takes=(Take(Recording(both, 16_000.0), channels=("sound", "force")),))
    np.testing.assert_allclose(set_spectrum(with_force)[1], set_spectrum(tap_set)[1])
