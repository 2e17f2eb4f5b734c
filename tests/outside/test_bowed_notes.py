"""Bowed violin notes recorded by others: the right octave over all of them, and pitch against a comb.

The package says of its samples "some pitch-correction where necessary"; the name of a file is the note. The
comb below is written apart from the package: the median over ten partials of peak / number in a Hann spectrum
of the whole stretch; they scatter by 4 to 6 cents here. A wide vibrato splits those peaks, so notes held with
little of one are compared.
"""

import numpy as np
import pytest

from resonance.sound.files import read_recording
from resonance.sound.recording import Take
from resonance.spectra.bowed import find_notes
from resonance.units import cents, note_frequency

pytestmark = pytest.mark.outside
NOTES = "G3 A3 C4 E4 G4 A4 C5 E5 G5 A5 C6 E6 G6 A6 C7".split()


def comb(sound, rate, near, partials=10):
    """Pitch (Hz): median over the partials of the peak within 2 % of each place, divided by its number."""
    size = 1 << int(np.ceil(np.log2(sound.size)) + 3)
    power = np.abs(np.fft.rfft(sound * np.hanning(sound.size), size))
    found = []
    for k in range(1, partials + 1):
        low, high = (int(k * near * side * size / rate) for side in (0.98, 1.02))
        found.append((low + int(np.argmax(power[low:high]))) * rate / size / k)
    return float(np.median(found))


@pytest.mark.parametrize("name", NOTES)
def test_the_note_of_the_file_in_its_octave(sample, name):
    notes = find_notes([Take(read_recording(sample(f"violin {name}")))], family="violin")
    assert len(notes) == 1
    assert notes[0].name == name
    assert abs(cents(notes[0].pitch, note_frequency(name))) < 25  # a quarter of a tone would be another note


@pytest.mark.parametrize(("name", "printed"), [("G3", 195.92), ("A4", 442.86)])
def test_pitch_within_a_cent_of_a_comb(sample, name, printed):
    # 195.92 and 442.86 Hz: ten partials of the first five seconds, by an earlier look at these very files,
    # their scatter over the partials 3.8 and 6.2 cents
    whole = read_recording(sample(f"violin {name}"))
    first = whole.samples[: int(5 * whole.sample_rate)]
    (note,) = find_notes([Take(type(whole)(first, whole.sample_rate))], family="violin")
    start, end = (int(t * whole.sample_rate) for t in note.steady)
    beside = comb(first[start:end, 0], whole.sample_rate, note.pitch)
    assert abs(cents(note.pitch, beside)) < 1.0
    assert abs(cents(note.pitch, printed)) < 1.0


def test_a_fundamental_25_decibels_down_is_the_note_still(sample):
    (note,) = find_notes([Take(read_recording(sample("violin G3")))], family="violin")
    levels = {partial.number: partial.db for partial in note.partials}
    assert levels[3] - levels[1] > 22.0
    assert note.name == "G3"
