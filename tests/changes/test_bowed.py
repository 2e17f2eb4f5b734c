"""Two bowed sets held together: what may be compared, and how often a change is called."""

from dataclasses import replace

import numpy as np
import pytest

from resonance.changes.bowed import ASSUMED_DB, compare_bowed, sitting_scatter
from resonance.sets.bowedset import BowedSet
from resonance.sets.tapset import Conditions
from resonance.sound.recording import Recording, Take
from resonance.spectra.beats import Wolf
from resonance.spectra.bowed import BowedNote
from resonance.spectra.octaves import third_octaves
from resonance.units import nearest_note

BANDS = third_octaves(200.0, 5000.0)
TAKE = Take(Recording(np.zeros((1, 1)), 48000.0), "", "in front")


def bowed(rng, *, sitting=0.0, change=None, stroke=1.0, id="rec1", n_notes=8, wolf=None, level=-20.0):
    """Eight notes, each twice; strokes scatter by `stroke` dB a band, the sitting by `sitting`."""
    shape = -10.0 - np.linspace(0, 20, BANDS.size) + sitting * rng.standard_normal(BANDS.size)
    shape = shape + (0.0 if change is None else change)
    notes = []
    for _ in range(2):
        for k in range(n_notes):
            pitch = 196.0 * 2 ** (k / 12)
            bands = level + shape + stroke * rng.standard_normal(BANDS.size)
            notes.append(
                BowedNote(pitch, 0.05, nearest_note(pitch)[0], level_db=level, bands_db=tuple(bands.tolist()))
            )
    if wolf:
        notes[3] = replace(notes[3], wolf=wolf)
    conditions = Conditions(tapper="Anna")
    return BowedSet(id, None, tuple(notes), (TAKE,), conditions=conditions, bands=tuple(BANDS.tolist()))


def repeats(rng, sitting, pairs=6):
    return [(bowed(rng, sitting=sitting), bowed(rng, sitting=sitting)) for _ in range(pairs)]


def test_scatter_between_sittings_is_learned_from_repeats():
    """Known: sitting 1 dB, strokes 1 dB over 16 strokes: sqrt(1 + 1/16)."""
    rng = np.random.default_rng(61)
    scatter, dof, source = sitting_scatter(repeats(rng, 1.0, pairs=30))
    assert scatter == pytest.approx(np.sqrt(1 + 1 / 16), rel=0.08)
    assert (dof, source) == (60.0, "this job")
    assert sitting_scatter([])[0] == ASSUMED_DB


def test_nothing_changed_is_rarely_called_and_a_hill_is():
    false = found = inside = total = 0
    hill = np.where((BANDS > 1900) & (BANDS < 3300), 5.0, 0.0)
    for seed in range(40):
        rng = np.random.default_rng([62, seed])
        known = repeats(rng, 0.8)
        same = compare_bowed(bowed(rng, sitting=0.8), bowed(rng, sitting=0.8, id="rec2"), repeats=known)
        false += any(band.verdict == "moved" for band in same.bands)
        inside += sum(band.interval_db[0] < 0 < band.interval_db[1] for band in same.bands)
        total += len(same.bands)
        after = bowed(rng, sitting=0.8, change=hill, id="rec2")
        moved = compare_bowed(bowed(rng, sitting=0.8), after, repeats=known)
        found += np.mean([b.verdict == "moved" for b, h in zip(moved.bands, hill, strict=True) if h])
    assert false <= 6  # 2 expected
    assert 0.92 < inside / total <= 1.0
    assert found / 40 > 0.8


def test_with_an_assumed_scatter_nothing_is_called_moved():
    rng = np.random.default_rng(63)
    change = np.where(BANDS > 2000, 15.0, 0.0)
    found = compare_bowed(bowed(rng), bowed(rng, change=change, id="rec2"))
    assert {band.verdict for band in found.bands} == {"differs", "no change seen"}
    assert "scatter_assumed" in [reason.code for reason in found.reasons]


@pytest.mark.parametrize(
    ("code", "changed"),
    [
        ("player_differs", {"conditions": Conditions(tapper="Bert")}),
        ("places_differ", {"takes": (replace(TAKE, microphone_place="at the side"),)}),
        ("methods_differ", {"method": 99}),
        ("few_common_notes", {"notes": ()}),
    ],
)
def test_what_cannot_be_compared_is_said(code, changed):
    rng = np.random.default_rng(64)
    found = compare_bowed(bowed(rng), replace(bowed(rng, id="rec2"), **changed))
    assert not found.comparable
    assert found.bands == ()
    assert code in [reason.code for reason in found.reasons]


def test_levels_far_apart_forbid_and_what_is_not_noted_limits():
    rng = np.random.default_rng(65)
    found = compare_bowed(bowed(rng), bowed(rng, level=-30.0, id="rec2"))
    assert [r.values["db"] for r in found.reasons if r.code == "levels_far_apart"] == [pytest.approx(10.0)]
    silent = replace(bowed(rng), conditions=Conditions(), takes=(replace(TAKE, microphone_place=""),))
    found = compare_bowed(silent, bowed(rng, id="rec2"))
    assert found.comparable
    assert {"player_not_noted", "microphone_place_not_noted"} <= {r.code for r in found.reasons}


def test_a_wolf_is_followed():
    rng = np.random.default_rng(66)
    deep, slight = Wolf(5.0, depth=0.6, depth_u=0.02), Wolf(5.0, depth=0.25, depth_u=0.02)
    before = bowed(rng, wolf=deep)
    (weaker,) = compare_bowed(before, bowed(rng, wolf=slight, id="rec2")).wolves
    assert (weaker.verdict, weaker.name) == ("weaker", "A♯3")
    assert weaker.depth_change_u == pytest.approx(0.02 * np.sqrt(2))
    (gone,) = compare_bowed(before, bowed(rng, id="rec2")).wolves
    assert gone.verdict == "gone"
    (new,) = compare_bowed(bowed(rng), bowed(rng, wolf=slight, id="rec2")).wolves
    assert new.verdict == "new"
    (unknown,) = compare_bowed(before, bowed(rng, n_notes=2, id="rec2")).wolves
    assert unknown.verdict == "cannot tell"
