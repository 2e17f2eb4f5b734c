"""Strings of a scale, notes gathered, the player's variation, what a wolf sits on."""

from math import isnan, nan

import numpy as np
import pytest

from resonance.modes.mode import Mode
from resonance.sets.bowedset import (
    analyse_bowed,
    average_bands,
    note_groups,
    on_strings,
    player_variation,
    strong_coupling,
    suppressor_of,
    wolf_notes,
)
from resonance.sets.setup import Fittings, Setup
from resonance.sound.recording import Recording
from resonance.spectra.beats import Wolf
from resonance.spectra.bowed import BowedNote
from resonance.units import nearest_note


def note(pitch, *, level=-20.0, string="", wolf=None, bands=()):
    return BowedNote(
        pitch,
        0.05,
        nearest_note(pitch)[0],
        level_db=level,
        level_a_db=level - 3.0,
        string=string,
        wolf=wolf,
        bands_db=bands,
    )


def semitones(first, count):
    return [note(440.0 * 2 ** ((first - 69 + k) / 12)) for k in range(count)]


def test_a_scale_on_each_string_names_the_strings():
    """14 semitones a string from G3 and D4 up (MIDI 55 and 62): the second run begins with a fall to D4."""
    placed = on_strings(semitones(55, 14) + semitones(62, 14), "violin")
    assert [n.string for n in placed] == ["G3"] * 14 + ["D4"] * 14


def test_a_scale_across_the_strings_stays_where_it_began_and_leaps_are_not_named():
    assert {n.string for n in on_strings(semitones(55, 20), "violin")} == {"G3"}
    leaps = [note(f) for f in (196.0, 659.3, 196.0, 440.0)]
    assert [n.string for n in on_strings(leaps, "violin")] == [""] * 4
    assert on_strings([], "violin") == []
    assert [n.string for n in on_strings(semitones(57, 5), "violin")] == [""] * 5  # begins on no open string


def test_notes_are_gathered_and_the_player_known_from_repeats():
    """Two notes twice, 1 and 2 dB apart: pooled variance (0.5 + 2) / 2 by hand."""
    notes = [note(196.0, level=-20.0), note(220.0, level=-25.0), note(196.5, level=-21.0)]
    notes += [note(220.0, level=-23.0), note(440.0)]
    groups = note_groups(notes)
    assert [(g.name, g.count) for g in groups] == [("G3", 2), ("A3", 2), ("A4", 1)]
    assert groups[0].level_db == pytest.approx(-20.5)
    assert groups[0].level_a_db == pytest.approx(-23.5)
    variation, dof = player_variation(groups)
    assert (variation, dof) == (pytest.approx(np.sqrt(1.25)), 2)
    assert isnan(player_variation(groups[2:])[0])


def test_a_wolf_finds_the_mode_it_sits_on():
    wolf = Wolf(5.0, depth=0.5)
    notes = [note(98.0), note(175.0, wolf=wolf), note(400.0, wolf=Wolf(4.0, depth=0.8))]
    modes = [
        Mode(178.0, 0.02, frequency_u=0.3, kind="body", label="B1-"),
        Mode(175.1, 0.0005, kind="string"),
        Mode(97.0, 0.02, kind="air"),
    ]
    strongest, second = wolf_notes(notes, modes)
    assert strongest.note == 2
    assert isnan(strongest.mode)
    assert (second.note, second.mode, second.label) == (1, 178.0, "B1-")
    assert second.apart_cents == pytest.approx(1200 * np.log2(175 / 178))
    assert second.coupled_share == pytest.approx((np.pi * 0.02) ** 2)  # pi^2 / 4 Q^2 at Q = 1 / 2 zeta
    assert second.apart_u_cents == pytest.approx(1731.2 * np.hypot(0.05 / 175, 0.3 / 178), rel=1e-6)


def test_coupling_threshold():
    # worked: pi^2 / (4 Q^2) M with Q 25 and 150 g is 0.592 g (Gough 1981, from memory)
    assert strong_coupling(0.60, 150.0, 25.0)
    assert not strong_coupling(0.58, 150.0, 25.0)
    assert not strong_coupling(0.60, 150.0, 25.0, partial=2)


def test_suppressor_as_noted():
    assert suppressor_of(Setup()) == {}
    fitted = Setup(fittings=Fittings(suppressor_string="G", suppressor_mm=62.0, suppressor_g=5.0))
    assert suppressor_of(fitted) == {"suppressor_string": "G", "suppressor_mm": 62.0, "suppressor_g": 5.0}


def test_the_average_does_not_follow_the_loudest_stroke():
    """One note 20 dB louder, same colour: the average stays; a band nobody could tell is NaN."""
    quiet = note(196.0, level=-30.0, bands=(-33.0, -40.0, nan))
    loud = note(220.0, level=-10.0, bands=(-13.0, -20.0, nan))
    assert average_bands([quiet, loud])[:2] == pytest.approx([-3.0, -10.0])
    assert isnan(average_bands([quiet, loud])[2])
    assert average_bands([]).size == 0


def test_silence_says_so_and_strings_must_fit():
    silence = Recording(np.random.default_rng(1).standard_normal((16000, 1)) * 1e-3, 16000.0)
    assert [r.code for r in analyse_bowed([silence]).reasons] == ["no_notes"]
    with pytest.raises(ValueError, match="2 strings for 1"):
        analyse_bowed([silence], strings=["G3", "D4"])
