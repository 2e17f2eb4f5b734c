"""Notes found in a made-up scale, named, and their levels; truth is what the scale was made of."""

import sys
from pathlib import Path

import numpy as np
import pytest

from resonance.sound.recording import Recording, Take
from resonance.spectra.bowed import find_notes, steady_part
from resonance.spectra.stretches import detection_curve, held_stretches

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks" / "bowed"))
from sounds import steady_note

RATE = 24000.0


def played(pitches, *, gap=0.35, levels=None, hold=1.2, seed=1, noise=2e-4, **how):
    """Notes one after another: sound, and where each begins and ends."""
    rng = np.random.default_rng(seed)
    pieces, where, at = [np.zeros(int(0.5 * RATE))], [], 0.5
    for k, pitch in enumerate(pitches):
        note = steady_note(pitch, rng=rng, duration=hold, rate=RATE, body=False, tremor_db=0.2, **how)
        n = note.size
        edge = np.minimum(np.arange(n) / (0.05 * RATE), (n - np.arange(n)) / (0.08 * RATE)).clip(0, 1)
        note *= 0.1 / note.std() * 10 ** ((levels[k] if levels else 0.0) / 20)
        pieces += [note * edge, np.zeros(int(gap * RATE))]
        where.append((at, at + hold))
        at += hold + gap
    sound = np.concatenate(pieces)
    return sound + noise * rng.standard_normal(sound.size), where


def take_of(sound):
    return Take(Recording(sound[:, None], RATE))


def test_a_scale_is_found_named_and_measured():
    pitches = [440 * 2 ** (k / 12) for k in range(-14, -2)]
    sound, where = played(pitches)
    notes = find_notes([take_of(sound)], family="violin")
    assert [n.name for n in notes] == "G3 G♯3 A3 A♯3 B3 C4 C♯4 D4 D♯4 E4 F4 F♯4".split()
    for note, pitch, (start, end) in zip(notes, pitches, where, strict=True):
        assert abs(note.pitch - pitch) < max(3 * note.pitch_u, 1e-3 * pitch)
        assert abs(1200 * np.log2(note.pitch / pitch)) < 2.0
        assert note.start == pytest.approx(start, abs=0.1)
        assert note.end == pytest.approx(end, abs=0.1)
        assert start < note.steady[0] < note.steady[1] < end
        assert note.wolf is None
        assert note.vibrato is None
        assert note.level_db == pytest.approx(-20.0, abs=0.6)  # made with an rms of 0.1
        partials = {p.number: p.db for p in note.partials}
        assert partials[1] - partials[2] == pytest.approx(6.02, abs=0.5)  # made to fall as 1/n
        assert all(p.db_u < 1.0 for p in note.partials[:4])


def test_slurred_notes_and_repeated_strokes_are_parted():
    up, _ = played([220.0, 246.94, 277.18], gap=0.0)
    assert [n.name for n in find_notes([take_of(up)])] == ["A3", "B3", "C♯4"]
    twice, _ = played([220.0, 220.0], gap=0.2)
    assert [n.name for n in find_notes([take_of(twice)])] == ["A3", "A3"]


def test_a_deep_wolf_stays_one_note():
    sound, _ = played([176.0], hold=3.0, beat_rate=3.5, depth=0.95, pattern="all")
    notes = find_notes([take_of(sound)], family="cello")
    assert [n.name for n in notes] == ["F3"]
    assert notes[0].wolf is not None
    assert notes[0].wolf.severity == 3


def test_the_pitch_it_is_held_against():
    sound, _ = played([442.0])
    (at_440,) = find_notes([take_of(sound)])
    (at_442,) = find_notes([take_of(sound)], pitch_a4=442.0)
    assert at_440.pitch == at_442.pitch
    assert at_440.cents == pytest.approx(7.85, abs=2.0)  # 1200 log2(442/440)
    assert at_442.cents == pytest.approx(0.0, abs=2.0)


def test_levels_weighted():
    """A low note loses by A-weighting what Table 3 says at its partials; 6 dB louder shows as 6 dB."""
    sound, _ = played([220.0, 220.0], levels=[0.0, -6.0])
    loud, soft = find_notes([take_of(sound)])
    assert loud.level_db - soft.level_db == pytest.approx(6.0, abs=0.4)
    assert loud.level_a_db < loud.level_db - 3.0
    assert np.nanmax(loud.bands_db) < loud.level_db


def test_silence_noise_and_a_knock_hold_no_note():
    rng = np.random.default_rng(2)
    noise = 0.01 * rng.standard_normal(int(3 * RATE))
    assert find_notes([take_of(noise)]) == ()
    assert find_notes([take_of(np.zeros(int(RATE)))]) == ()
    assert find_notes([take_of(np.zeros(100))]) == ()
    knock = noise * 0.01
    knock[24000:26000] += np.exp(-np.arange(2000) / 200.0) * np.sin(np.arange(2000) * 0.1)
    assert find_notes([take_of(knock)]) == ()


def test_a_short_note_says_so():
    sound, _ = played([330.0, 440.0], hold=0.45)
    notes = find_notes([take_of(sound)])
    assert [n.name for n in notes] == ["E4", "A4"]
    assert all("short_note" in [r.code for r in n.reasons] for n in notes)


def test_takes_are_told_apart():
    first, second = played([220.0])[0], played([440.0])[0]
    notes = find_notes([take_of(first), take_of(second)])
    assert [(n.take, n.name) for n in notes] == [(0, "A3"), (1, "A4")]


def test_onset_and_release_are_left_out():
    rng = np.random.default_rng(1)
    sound = np.concatenate([np.linspace(0, 1, 12000), np.ones(36000), np.exp(-np.arange(12000) / 2000)])
    start, end = steady_part(sound * rng.standard_normal(60000), RATE, (0.0, 2.5))
    assert 0.3 < start < 0.7
    assert 1.7 < end < 2.05


def test_the_curve_of_an_empty_recording():
    curve = detection_curve(np.zeros(10), RATE, lowest=185.0, highest=3600.0)
    assert held_stretches(curve) == []


def test_a_note_below_the_family_is_told_as_what_it_is():
    """C2 and G2 of a cello, taken for a violin's: not the third partial in their place."""
    sound, _ = played([65.41, 98.0, 220.0], hold=2.0)
    notes = find_notes([take_of(sound)], family="violin")
    assert [n.name for n in notes] == ["C2", "G2", "A3"]
    assert [[r.code for r in n.reasons] for n in notes] == [["below_family"], ["below_family"], []]
