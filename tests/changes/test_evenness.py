"""Weak and strong notes against the player's own variation; truth is what the levels were drawn from."""

from math import isnan

import numpy as np
import pytest

from resonance.changes.evenness import evenness, modes_under
from resonance.modes.mode import Mode
from resonance.spectra.bowed import BowedNote
from resonance.units import nearest_note


def scale(rng, *, player=0.7, weak=None, repeats=2, spread=0.0):
    """14 semitones from G3, so often; the note `weak` (its index) 5 dB softer."""
    notes = []
    own = spread * rng.standard_normal(14)
    for _ in range(repeats):
        for k in range(14):
            pitch = 196.0 * 2 ** (k / 12)
            level = -20.0 + own[k] - 5.0 * (k == weak) + player * rng.standard_normal()
            notes.append(
                BowedNote(pitch, 0.05, nearest_note(pitch)[0], string="G3", level_db=level, level_a_db=level)
            )
    return notes


def test_a_weak_note_is_called_and_others_are_not():
    called, false = 0, 0
    for seed in range(60):
        found = evenness(scale(np.random.default_rng([51, seed]), weak=6))
        by_name = {each.group.name: each for each in found.notes}
        called += by_name["C♯4"].verdict == "weak"
        false += sum(v.verdict in ("weak", "strong") for n, v in by_name.items() if n != "C♯4")
        assert by_name["C♯4"].off_db == pytest.approx(-5.0, abs=3.0)
    assert called >= 57
    assert false / (60 * 13) < 0.06


def test_an_even_scale_has_no_weak_note_in_95_of_100():
    false = 0
    for seed in range(100):
        found = evenness(scale(np.random.default_rng([52, seed])))
        false += any(each.verdict in ("weak", "strong") for each in found.notes)
    assert false <= 12  # 5 expected at a false discovery of 5 %, 12 is three deviations off


def test_the_players_part_is_taken_out_of_the_spread():
    spreads = [
        evenness(scale(np.random.default_rng([53, s]), spread=2.0, repeats=3)).spread_db for s in range(40)
    ]
    # a note against the median of six neighbours: 2 dB widened by the median's own sqrt(1 + 1.57 / 6)
    assert np.sqrt(np.mean(np.square(spreads))) == pytest.approx(2.0 * np.sqrt(1 + 1.57 / 6), rel=0.12)
    alone = [evenness(scale(np.random.default_rng([54, s]))).player_db for s in range(40)]
    assert np.sqrt(np.mean(np.square(alone))) == pytest.approx(0.7, rel=0.08)


def test_without_repeats_nothing_is_claimed():
    found = evenness(scale(np.random.default_rng(1), weak=6, repeats=1))
    assert {each.verdict for each in found.notes} == {"cannot tell"}
    assert [r.code for r in found.reasons] == ["not_repeated"]
    assert isnan(found.player_db)


def test_what_a_note_sits_on():
    modes = [
        Mode(277.0, 0.02, kind="air", label="A0"),
        Mode(550.0, 0.01, kind="body"),
        Mode(278.0, 0.001, kind="string"),
    ]
    assert modes_under(277.2, modes) == ((1, 277.0, "A0"), (2, 550.0, ""))
    assert modes_under(330.0, modes) == ()


def test_few_notes():
    assert evenness([]).notes == ()
    found = evenness(scale(np.random.default_rng(1))[:1])
    assert [r.code for r in found.notes[0].reasons] == ["few_neighbours"]
