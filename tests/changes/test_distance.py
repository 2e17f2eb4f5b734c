"""Distance to a target, against tap sets whose distance is known by construction."""

from math import isnan

import numpy as np
import pytest

from resonance.changes.comparison import Repeatability, Scatter
from resonance.changes.distance import distances, wanted_cents

from .making import FREQUENCIES, a_mode, a_set, moved, readings

YARD = Repeatability(Scatter(3.0, 20.0, "slackened and retuned", "this job"))


def tracked(shift, names=FREQUENCIES):
    return tuple(a_mode(moved(f, shift), u=0.05, track=f"m{k}") for k, f in enumerate(names))


def test_a_distance_mode_by_mode():
    target, other = a_set("a", tracked(0.0)), a_set("b", tracked(12.0)[:4])
    own, found = distances([target, other], target, YARD)
    assert (own.rms_cents, own.rms_u_cents) == (0.0, 0.0)
    assert found.tracks == ("m0", "m1", "m2", "m3")
    assert found.cents == pytest.approx([12.0] * 4)
    assert found.rms_cents == pytest.approx(np.sqrt(12.0**2 - np.mean(found.cents_u**2)))


def test_putting_back_alone_is_no_distance():
    rng = np.random.default_rng(2)
    far = [
        distances(
            [a_set("b", readings(rng, FREQUENCIES, scatter=3.0))],
            a_set("a", readings(rng, FREQUENCIES, scatter=3.0)),
            YARD,
        )[0]
        for _ in range(150)
    ]
    plain = np.mean([np.sqrt(np.mean(d.cents**2)) for d in far])
    assert np.median([d.rms_cents for d in far]) < 0.5 * plain
    assert np.mean([d.rms_cents <= 2.0 * d.rms_u_cents for d in far]) > 0.9


def test_nothing_in_common():
    (found,) = distances([a_set("b", ())], a_set("a", tracked(0.0)), YARD)
    assert found.tracks == ()
    assert isnan(found.rms_cents)


def test_what_is_wanted_runs_from_now_to_the_target():
    way, u = wanted_cents(a_set("b", tracked(5.0)), a_set("a", tracked(-3.0)), ("m1", "elsewhere"), YARD)
    assert way[0] == pytest.approx(-8.0)
    assert u[0] >= 3.0 * np.sqrt(2.0)
    assert np.isnan([way[1], u[1]]).all()
