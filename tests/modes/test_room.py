"""The room's share of a reading: made-up modes with known movements."""

from dataclasses import replace
from math import hypot, nan, sqrt

import pytest

from resonance.modes.mode import Level, Mode
from resonance.modes.room import BENT, drowned, flanked, late_slopes, room_index, with_model_terms


def mode(frequency, level_db=0.0, *, moved=0.0, damping=0.01, kind="body", **more):
    return Mode(
        frequency,
        damping,
        frequency_u=0.05,
        model_u=moved,
        damping_model_u=damping * moved / (damping * frequency) if damping == damping else nan,
        levels=(Level("", "", level_db, 0.5),),
        kind=kind,
        **more,
    )


FAR = [mode(f, moved=0.1 * 0.01 * f) for f in (200.0, 400.0, 800.0)]  # a tenth of their half bandwidths


def test_index_is_the_movement_in_half_bandwidths():
    assert room_index(FAR) == pytest.approx(0.1, rel=0.01)
    assert room_index([]) == 0.0
    assert room_index([mode(440.0, damping=nan), mode(100.0, kind="hum", moved=5.0)]) == 0.0


def test_a_crowded_list_means_a_stronger_room_and_two_places_a_weaker():
    crowd = [mode(400.0 + 8.0 * k, moved=0.4) for k in range(12)]  # a half bandwidth apart, or nearly
    apart = [mode(400.0 + 80.0 * k, moved=0.4) for k in range(12)]
    assert room_index(crowd) > 1.3 * room_index(apart)
    both = (Level("", "near", 0.0), Level("", "far", 0.0))
    assert room_index([replace(m, levels=both) for m in apart]) == pytest.approx(room_index(apart) / sqrt(2))


def test_one_wild_mode_does_not_make_a_room():
    still = [mode(f) for f in (200.0, 400.0, 800.0)]
    assert room_index([*still, mode(600.0, moved=4.0)]) == 0.0


def test_energy_around_a_faint_mode():
    faint, loud = (
        mode(400.0, -20.0),
        mode(408.08, 0.0),
    )  # apart by both half bandwidths: half the loud one counts
    assert drowned(faint, [faint, loud]) == pytest.approx(1.0 + 100.0 / 2.0, rel=0.01)
    assert drowned(loud, [faint, loud]) == pytest.approx(1.0, abs=0.01)


def test_a_mode_that_happened_not_to_move_takes_its_share_of_the_room():
    lucky = mode(600.0)
    terms = {m.frequency: m for m in with_model_terms([*FAR, lucky], 0.1)}
    assert terms[600.0].model_u == pytest.approx(1.1 * 0.1 * 6.0, rel=0.01)
    assert terms[600.0].damping_model_u == pytest.approx(0.01 * 1.3 * 1.1 * 0.1, rel=0.01)
    assert terms[600.0].limited_by == "room"
    assert terms[400.0].model_u == pytest.approx(hypot(0.5 * 0.4, 0.11 * 4.0), rel=0.01)


def test_without_a_room_nothing_is_added():
    (alone,) = with_model_terms([mode(400.0)], 0.0)
    assert alone.model_u == 0.0
    assert alone.damping_model_u == 0.0
    assert alone.limited_by == "noise"


def test_own_movement_counts_up_to_half_the_half_bandwidth():
    (wild,) = with_model_terms([mode(400.0, moved=40.0)], 0.0)
    assert wild.model_u == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("frequency", "level_db", "moved", "kind"),
    [
        (392.0, -24.0, 0.0, "unsure"),
        (392.0, -12.0, 0.0, "body"),
        (392.0, -12.0, 1.5, "unsure"),
        (370.0, -24.0, 0.0, "body"),
        (370.0, -12.0, 1.5, "body"),
    ],
)
def test_faint_in_the_band_of_a_loud_one(frequency, level_db, moved, kind):
    faint, loud = flanked([mode(frequency, level_db, moved=moved), mode(400.0)])
    assert (faint.kind, loud.kind) == (kind, "body")


def test_a_slower_decay_at_a_louder_modes_frequency_is_its_late_slope():
    loud, slope = mode(400.0), mode(400.6, -9.0, damping=0.003)
    found = late_slopes([loud, slope])
    assert [m.kind for m in found] == ["body", "unsure"]
    assert [(r.code, r.values["of"]) for r in found[1].reasons] == [("late_slope", 400.0)]
    for other in (mode(404.0, -9.0, damping=0.003), mode(400.6, -9.0, damping=0.009), mode(400.6, 9.0)):
        assert [m.kind for m in late_slopes([loud, other])] == ["body", "body"]
    assert [m.kind for m in late_slopes([loud, mode(400.6, -9.0, damping=nan, kind="string")])][1] == "string"


def test_a_decay_that_bends_widens_both_numbers_by_the_whole_movement():
    bending = replace(mode(400.0, moved=0.3), damping_model_u=0.01 * 0.1, reasons=(BENT,))
    (found,) = with_model_terms([bending], 0.0)
    both = 1.2 * hypot(0.3 / 4.0, 0.1)
    assert found.model_u == pytest.approx(4.0 * both)
    assert found.damping_model_u == pytest.approx(0.01 * both)
    (in_a_room,) = with_model_terms([bending], 0.2)  # there all modes move; the room's term is for that
    assert in_a_room.reasons == ()
    assert in_a_room.model_u < found.model_u + 0.9 * 0.2 * 4.0
