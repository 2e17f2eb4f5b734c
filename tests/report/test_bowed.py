"""Words about bowed notes: what is claimed, what is not."""

from dataclasses import replace

import pytest

from resonance.changes.bowed import BowedBandChange, BowedComparison, WolfChange
from resonance.modes.mode import Mode
from resonance.reasons import Reason
from resonance.report.bowed import (
    bowed_blocks,
    bowed_section,
    comparison_blocks,
    sets_table,
    slide_blocks,
    suppressor_words,
)
from resonance.report.text import blocks_text
from resonance.sets.bowedset import BowedSet
from resonance.sets.setup import Fittings, Setup
from resonance.spectra.beats import Vibrato, Wolf
from resonance.spectra.bowed import BowedNote
from resonance.spectra.slide import SlideCurve

WOLF = Wolf(5.2, 0.05, 0.61, 0.02, 0.6, 0.02, split=True, severity=3)
NOTE = BowedNote(175.0, 0.02, "F3", 3.9, 0.5, 2.5, level_db=-20.0, level_a_db=-25.0, level_u_db=0.2)


def said(blocks):
    return " ".join(blocks_text(blocks, width=2000).split())


def bowed(*notes, **how):
    return BowedSet("rec1", None, notes, family="cello", bands=(200.0,), **how)


def test_a_wolf_its_mode_and_what_couples():
    mode = Mode(178.0, 0.02, frequency_u=0.4, kind="body", label="B1-")
    words = said(bowed_blocks(bowed(replace(NOTE, wolf=WOLF), severity=2), [mode]))
    assert "F3, 175.00 ± 0.04 Hz: beats 5.20 ± 0.10 Hz, 61 ± 4 % deep" in words
    assert "odd partials beat, even ones do not; strong by measure" in words
    assert "nearest body resonance 178.0 ± 0.8 Hz (B1−), the note is −29 ± 8 cents from it" in words
    assert "By ear: bothersome" in words
    assert "0.39 %" in words  # (pi 0.02)^2
    assert "from memory" in words


def test_no_wolf_is_bounded_and_what_could_not_tell_says_nothing():
    assert "No beating of 14 % or more" in said(bowed_blocks(bowed(NOTE)))
    short = replace(NOTE, reasons=(Reason("short_note", {"duration": 0.3}),))
    words = said(bowed_blocks(bowed(short)))
    assert "No beating" not in words
    assert "hold it for two seconds" in words


def test_vibrato_and_pitch_carry_their_uncertainty():
    words = said(bowed_blocks(bowed(replace(NOTE, vibrato=Vibrato(5.5, 0.1, 24.0, 2.0)))))
    assert "5.50 ± 0.20 Hz, 24 ± 4 cents wide" in words
    assert "+3.9 ± 0.4" in words


def test_suppressor_place_against_result():
    setup = Setup(fittings=Fittings(suppressor_string="G", suppressor_mm=62.0, suppressor_g=5.5))
    assert suppressor_words(bowed(setup=setup)) == "on G, 62 mm from the bridge, 5.5 g"
    table = sets_table([bowed(replace(NOTE, wolf=WOLF), setup=setup), bowed(NOTE)])
    assert "on G, 62 mm from the bridge, 5.5 g" in table.rows[0]
    assert "none heard" in table.rows[1]


@pytest.mark.parametrize(("verdict", "word"), [("moved", "changed"), ("differs", "differs")])
def test_a_comparison(verdict, word):
    bands = (
        BowedBandChange(2511.9, 4.0, 1.0, (2.0, 6.0), verdict),
        BowedBandChange(3162.3, 0.1, 1.0, (-2.0, 2.2), "no change seen"),
    )
    wolf = WolfChange("F3", 175.0, 175.1, 0.6, 0.25, 0.03, "weaker")
    words = said(comparison_blocks(BowedComparison("rec1", "rec2", bands, (wolf,), 8, True)))
    assert f"1 of 2 third octaves {word}" in words
    assert "weaker; depth of beating 60 % → 25 % ± 6 %" in words
    assert "room, bow and way of playing" in words


def test_what_cannot_be_compared_is_said_first():
    found = BowedComparison("rec1", "rec2", comparable=False, reasons=(Reason("player_differs"),))
    words = said(comparison_blocks(found))
    assert "cannot be compared" in words
    assert "someone else played" in words.lower()


def test_nothing_seen_is_bounded():
    bands = (BowedBandChange(1000.0, 0.2, 1.0, (-2.4, 2.8), "no change seen"),)
    words = said(comparison_blocks(BowedComparison("rec1", "rec2", bands, (), 8, True)))
    assert "could have gone unseen" in words
    assert "may still differ" in words


def test_empty_things():
    assert bowed_section(()).blocks == ()
    assert "No held note was found" in said(bowed_blocks(bowed()))
    assert "slide up one string" in said(
        slide_blocks(SlideCurve(reasons=(Reason("slide_not_followed"),)), ())
    )
