"""Level changes in closed form, and where they may not be told."""

from math import isnan, nan, sqrt

import numpy as np
import pytest

from resonance.changes.levels import PUT_BACK_DB, band_changes, level_change
from resonance.modes.mode import Level
from resonance.spectra.bands import BandLevel

from .making import a_mode, levels_at

TWO = ("near", "far")


def change(before, after, frequency=450.0, **more):
    return level_change(
        a_mode(frequency, levels=levels_at(before, **more)),
        a_mode(frequency, levels=levels_at(after, **more)),
    )


def test_one_place_below_600_hertz():
    db, u = change((-6.0,), (-4.0,), u=0.5)
    assert db == pytest.approx(2.0)
    assert u == pytest.approx(sqrt(2 * 0.5**2 + 2 * PUT_BACK_DB**2))


def test_mean_over_places_with_their_spread():
    db, u = change((-6.0, -10.0, -8.0), (-4.0, -7.0, -7.0), u=0.1)
    assert db == pytest.approx(2.0)  # changes 2, 3, 1 dB
    assert u == pytest.approx(sqrt(1.0 / 3.0 + 2 * PUT_BACK_DB**2))


def test_above_600_hertz_two_microphone_places_are_needed():
    # Wang and Burroughs 1999: omnidirectional below 600 Hz, increasingly complex above.
    assert isnan(change((-6.0, -10.0), (-4.0, -7.0), frequency=700.0)[0])
    assert change((-6.0,), (-4.0,), frequency=700.0, microphones=TWO)[0] == pytest.approx(2.0)


def test_only_the_same_named_places_compare():
    here = a_mode(450.0, levels=(Level("t0", "near", -6.0, 0.5),))
    assert isnan(level_change(here, a_mode(450.0, levels=(Level("t1", "near", -6.0, 0.5),)))[0])
    assert isnan(level_change(here, a_mode(450.0, levels=(Level("t0", "far", -6.0, 0.5),)))[0])
    assert level_change(here, a_mode(450.0, levels=(Level("T0 ", "Near", -5.0, 0.5),)))[0] == pytest.approx(
        1.0
    )
    unnamed = a_mode(450.0, levels=(Level("", "", -6.0, 0.5),))
    assert isnan(level_change(unnamed, unnamed)[0])


def test_a_level_of_unknown_uncertainty_gives_a_change_without():
    db, u = change((-6.0,), (-4.0,), u=nan)
    assert db == pytest.approx(2.0)
    assert isnan(u)


def bands(levels, *, microphones=("near",), u=0.3, rng=None, scatter=0.0):
    edges = [(1000.0 * k, 1000.0 * (k + 1)) for k in range(len(levels))]
    noise = (
        np.zeros((len(levels), len(microphones)))
        if rng is None
        else rng.normal(0, scatter, (len(levels), len(microphones)))
    )
    return tuple(
        BandLevel(low, high, "t0", m, db + noise[i, j], u)
        for i, ((low, high), db) in enumerate(zip(edges, levels, strict=True))
        for j, m in enumerate(microphones)
    )


def test_bands_from_one_microphone_place_are_not_comparable():
    found = band_changes(bands((-6.0, -9.0)), bands((-3.0, -9.0)), false_discovery=0.1)
    assert [b.verdict for b in found] == ["not comparable"] * 2
    assert all(isnan(b.change_db) for b in found)


def test_a_large_change_of_a_band_is_seen_and_a_small_one_is_not():
    before = bands((-6.0, -9.0, -12.0), microphones=TWO)
    after = bands((-6.0, 6.0, -11.0), microphones=TWO)
    found = band_changes(before, after, false_discovery=0.1)
    assert [b.verdict for b in found] == ["no change seen", "moved", "no change seen"]
    assert [b.change_db for b in found] == pytest.approx([0.0, 15.0, 1.0])
    assert [(b.low, b.high) for b in found] == [(0.0, 1000.0), (1000.0, 2000.0), (2000.0, 3000.0)]


def test_bands_that_only_one_set_has_are_left_out():
    found = band_changes(
        bands((-6.0, -9.0), microphones=TWO), bands((-6.0,), microphones=TWO), false_discovery=0.1
    )
    assert len(found) == 1


def test_nothing_done_is_seldom_called_in_the_bands(rng):
    # Put-back scatter of levels as assumed: the same for all places of a set, anew for each band and set.
    called = []
    for _ in range(200):
        sets = [
            bands(rng.normal(-10.0, PUT_BACK_DB, 8), microphones=TWO, rng=rng, scatter=0.4, u=0.4)
            for _ in range(2)
        ]
        called += [b.verdict == "moved" for b in band_changes(*sets, false_discovery=0.1)]
    assert np.mean(called) < 0.02
