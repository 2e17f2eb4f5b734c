"""Real struck bars and a drum, recorded by others, against ISO 16, bar practice and plain signal methods.

The damping has no published value; here `half_power` and `log_envelope` find it by two textbook methods
that share nothing with the package, and the joint fit has to agree with both.
"""

from functools import cache

import numpy as np
import pytest
import scipy

from resonance.modes.estimate import find_modes
from resonance.sound.files import read_recording
from resonance.sound.recording import Take
from resonance.taps.find import find_taps
from resonance.units import cents, note_frequency

pytestmark = pytest.mark.outside


def line(samples, rate, near):
    """Frequency (Hz) of the strongest line within 10 % of `near`: maximum of a finely sampled spectrum."""
    size = 1 << 20
    spectrum = np.abs(np.fft.rfft(samples, size))
    frequency = np.fft.rfftfreq(size, 1 / rate)
    inside = np.abs(frequency / near - 1) < 0.1
    return frequency[inside][np.argmax(spectrum[inside])]


def half_power(samples, rate, near):
    """Damping ratio from the width of the line where its power is half: (f2 - f1) / 2 f0."""
    size = 1 << 22
    power = np.abs(np.fft.rfft(samples, size)) ** 2
    frequency = np.fft.rfftfreq(size, 1 / rate)
    top = np.argmin(np.abs(frequency - line(samples, rate, near)))
    top += np.argmax(power[top - 50 : top + 50]) - 50
    below = power < power[top] / 2
    right = top + np.argmax(below[top:])
    left = top - np.argmax(below[top::-1])
    return (frequency[right] - frequency[left]) / 2 / frequency[top]


def log_envelope(samples, rate, near):
    """Damping ratio from the straight part (-4 to -24 dB) of the log envelope of one line."""
    frequency = line(samples, rate, near)
    low, high = frequency * 0.93, frequency * 1.07
    band = scipy.signal.butter(2, (low, high), "bandpass", fs=rate, output="sos")
    envelope = np.abs(scipy.signal.hilbert(scipy.signal.sosfiltfilt(band, samples)))
    top = int(np.argmax(envelope))
    level = 20 * np.log10(envelope[top:] / envelope[top])
    first, last = np.argmax(level < -4), np.argmax(level < -24)
    time = np.arange(first, last) / rate
    slope = np.polyfit(time, level[first:last], 1)[0]
    return -slope / (20 * np.log10(np.e)) / (2 * np.pi * frequency)


@cache
def modes_of(path, band):
    """The sound of a file with one blow, and what the package finds in it, the strongest mode first."""
    recording = read_recording(path)
    taps = find_taps(recording)
    assert len(taps) == 1
    result = find_modes([Take(recording)], taps, band=band, family="other")
    assert result.modes, result.reasons
    return recording, sorted(result.modes, key=lambda mode: -mode.snr_db)


# Recording, what to look at (Hz), where to look, and the damping (%) that an earlier look gave by decay and
# by half power. (Figures measured on these very files with a Hann spectrum, a band-pass and a straight line.)
STRUCK = {
    "xylophone C5": (527.0, (300.0, 900.0), (0.0869, 0.0890)),
    "xylophone C6": (1055.8, (700.0, 1500.0), (0.0887, 0.0895)),
    "tabla": (314.7, (200.0, 700.0), (0.1693, 0.1711)),
}


@pytest.mark.parametrize("name", STRUCK)
def test_damping_agrees_with_two_plain_methods(sample, name):
    near, band, earlier = STRUCK[name]
    recording, (mode, *_) = modes_of(sample(name), band)
    sound, rate = recording.samples[:, 0], recording.sample_rate
    plain = [log_envelope(sound, rate, near), half_power(sound, rate, near)]
    assert plain == pytest.approx([0.01 * value for value in earlier], rel=0.02)
    assert min(plain) * 0.98 < mode.damping < max(plain) * 1.02
    assert mode.frequency == pytest.approx(line(sound, rate, near), abs=0.2)


@pytest.mark.parametrize(("name", "note"), [("xylophone C5", "C5"), ("xylophone C6", "C6")])
def test_bars_sound_the_note_on_their_label(sample, name, note):
    # ISO 16:1975 (A4 = 440 Hz), equal temperament. The package says its samples are only partly
    # pitch-corrected; a fifth of a semitone is what such a bar may be off.
    _, (mode, *_) = modes_of(sample(name), STRUCK[name][1])
    assert abs(cents(mode.frequency, note_frequency(note))) < 20


def test_xylophone_bar_is_tuned_to_a_twelfth(sample):
    # Makers hollow xylophone bars until the second mode stands a twelfth (1:3) above the first (Fletcher
    # and Rossing, The Physics of Musical Instruments, ch. 19, from memory); a plain bar would give 2.757.
    # A Hann spectrum of this file shows the second line at 3.019.
    _, (first, *_) = modes_of(sample("xylophone C6"), STRUCK["xylophone C6"][1])
    _, (second, *_) = modes_of(sample("xylophone C6"), (2600.0, 3600.0))
    assert second.frequency / first.frequency == pytest.approx(3.019, abs=0.003)
    assert second.frequency / first.frequency == pytest.approx(3, rel=0.01)
