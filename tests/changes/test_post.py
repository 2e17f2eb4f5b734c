"""What the post does, against jobs whose slopes are known by construction."""

from dataclasses import replace
from math import nan

import numpy as np
import pytest

from resonance.changes.comparison import Repeatability, Scatter
from resonance.changes.course import History, Step
from resonance.changes.hint import effect, suggest_move
from resonance.changes.post import draw_responses, post_response
from resonance.sets.setup import Adjustment, Post, Setup

from .making import FREQUENCIES, a_mode, a_set, moved

KNOWN = Scatter(2.0, 20.0, "slackened and retuned", "this job")
YARD = Repeatability(KNOWN, n_repeats=6, kinds=(KNOWN,))
ALONG = np.array([-40.0, -20.0, 0.0, 20.0, 40.0, -60.0])  # cents/mm, one a mode
ACROSS = np.array([10.0, -30.0, 20.0, 0.0, -10.0, 30.0])
MOVES = ((0.5, 0.0), (0.0, 0.5), (-0.5, 0.0), (0.0, -0.5), (0.5, 0.0), (0.0, 0.5))


def a_job(moves=MOVES, *, place_u_mm=0.02, **more):
    """One tap set after each move, without scatter; the post read as surely as said."""
    setup = Setup(post=Post(position_u_mm=place_u_mm))
    at = np.zeros(2)
    sets, adjustments = [], []
    for k, move in enumerate([(0.0, 0.0), *moves]):
        at = at + np.nan_to_num(np.array(move))
        shift = ALONG * at[0] + ACROSS * at[1]
        modes = tuple(
            a_mode(moved(f, c), u=0.05, track=f"m{i}")
            for i, (f, c) in enumerate(zip(FREQUENCIES, shift, strict=False))
        )
        after = tuple(f"adj{j + 1}" for j in range(k))
        sets.append(a_set(f"set{k + 1}", modes, hours=24.0 * k, after=after, setup=setup))
        if k:
            adjustments.append(Adjustment(f"adj{k}", None, "soundpost", *move, **more))
    return sets, adjustments


def codes(response):
    return [reason.code for reason in response.reasons]


def test_slopes_are_found():
    response = post_response(*a_job(), repeatability=YARD)
    assert response.n_moves == 6
    assert response.estimable.all()
    off = response.cents_per_mm - np.column_stack([ALONG, ACROSS])
    assert np.all(np.abs(off) < 2.5 * response.cents_per_mm_u)
    assert np.all(response.intervals[:, :, 0] < response.intervals[:, :, 1])
    assert not response.reasons


@pytest.mark.parametrize("n", [0, 1, 2])
def test_from_one_or_two_moves_nothing_is_said(n):
    response = post_response(*a_job(MOVES[:n]), repeatability=YARD)
    assert (response.n_moves, codes(response)) == (n, ["few_moves"])
    assert response.tracks == ()
    assert suggest_move(response, np.zeros(0), np.zeros(0)) is None


def test_a_way_the_post_was_not_moved_is_not_known():
    response = post_response(*a_job([(0.5, 0.0), (-0.25, 0.0), (0.3, 0.1)]), repeatability=YARD)
    assert np.isfinite(response.cents_per_mm[:, 0]).all()
    assert np.isnan(response.cents_per_mm[:, 1]).all()
    assert not response.estimable[:, 1].any()
    reason = next(r for r in response.reasons if r.code == "not_moved_that_way")
    assert reason.values == {"way": "across", "n": 0, "needed": 2}


def test_an_uncertain_place_widens_the_answer():
    sure, unsure = (post_response(*a_job(place_u_mm=u), repeatability=YARD) for u in (0.02, 0.3))
    assert np.all(unsure.cents_per_mm_u > sure.cents_per_mm_u)
    steep = np.abs(np.column_stack([ALONG, ACROSS])) >= 30.0
    assert np.median(unsure.cents_per_mm_u[steep] / sure.cents_per_mm_u[steep]) > 1.5


def test_moves_of_another_end_without_distance_or_without_a_set_are_left_out_and_said():
    sets, adjustments = a_job()
    other = [replace(adjustments[0], end="top"), *adjustments[1:]]
    response = post_response(sets, other, repeatability=YARD)
    assert response.n_moves == 5
    assert next(r.values for r in response.reasons if r.code == "ends_differ") == {"n": 1, "end": "both"}
    bare = [replace(adjustments[0], along_mm=nan, across_mm=nan), *adjustments[1:]]
    assert "move_without_distance" in codes(post_response(sets, bare, repeatability=YARD))
    missing = post_response([s for s in sets if s.id != "set3"], adjustments, repeatability=YARD)
    assert missing.n_moves == 4  # the second and third move have no set between them
    assert next(r.values["n"] for r in missing.reasons if r.code == "move_not_read") == 2
    assert len(missing.places_mm) == 7


def test_a_new_post_is_no_move():
    sets, adjustments = a_job()
    fresh = [replace(adjustments[0], new_chapter=True), *adjustments[1:]]
    assert post_response(sets, fresh, repeatability=YARD).n_moves == 5


def test_steps_of_histories_are_taken_as_they_are():
    sets, adjustments = a_job()
    histories = [
        History(
            f"m{i}",
            steps=tuple(
                Step(a.id, c := float(ALONG[i] * a.along_mm + ACROSS[i] * a.across_mm), (c - 4.0, c + 4.0))
                for a in adjustments
            ),
        )
        for i in range(3)
    ]
    response = post_response(sets, adjustments, histories=histories, chapter="adj0")
    assert response.tracks == ("m0", "m1", "m2")
    assert response.chapter == "adj0"
    assert response.cents_per_mm[0, 0] == pytest.approx(-40.0, abs=2.5 * response.cents_per_mm_u[0, 0])


def test_steps_told_together_are_taken_with_what_they_have_in_common():
    # The moves go there and back, and each pair of steps errs by the same 12 cents, the other way round: that
    # is not to be told from a slope, and leaves it less certain than errors of the same size each by itself.
    moves = ((0.4, 0.0), (-0.4, 0.0)) * 3
    sets, adjustments = a_job(moves)
    ids = tuple(a.id for a in adjustments)
    middle = ALONG[1] * np.array([m[0] for m in moves]) + 12.0 * np.array([1.0, -1.0] * 3)
    leaning = np.kron(np.eye(3), 144.0 * np.array([[1.0, -1.0], [-1.0, 1.0]])) + np.eye(6)
    widths = []
    for covariance in (leaning, np.diag(np.diag(leaning))):
        told = History("m1", step_ids=ids, step_cents=middle, step_covariance=covariance)
        response = post_response(sets, adjustments, histories=[told])
        assert response.tracks == ("m1",)
        widths.append(float(response.cents_per_mm_u[0, 0]))
    assert widths[0] > 1.2 * widths[1]


def test_the_answer_is_the_same_every_time():
    one, other = (post_response(*a_job(), repeatability=YARD) for _ in range(2))
    assert np.array_equal(one.draws, other.draws)


def test_with_known_places_and_no_curvature_in_sight_it_is_the_ridge_regression():
    """Moves of one size about one place and back: curvature then cannot be told, and shrinks to nothing.

    Closed form: posterior mean of a slope under each of the two normal priors, weighed by the likelihood.
    """
    moves = np.array([(0.4, 0.0), (-0.4, 0.0)] * 4)
    steps = np.array([16.0, -16.0] * 4)
    noise = 4.0
    draws = draw_responses(
        moves, steps[None], noise * np.eye(8)[None], place_u_mm=1e-4, rng=np.random.default_rng(3)
    )
    design, rest = moves[:, 0], noise + 3.0**2 + (6.0 * 0.4) ** 2
    # its place now is the first one: x^2 / 2, x^3 / 6 and x^4 / 24 of 0.4
    second, third, fourth = (t * np.array([1.0, -1.0] * 4) for t in (0.4**2 / 2, 0.4**3 / 6, 0.4**4 / 24))
    bent = 22.0**2 * np.outer(second, second)
    bent += 45.0**2 * np.outer(third, third) + 60.0**2 * np.outer(fourth, fourth)
    found, weight = [], []
    for share, sd in ((0.6, 20.0), (0.4, 60.0)):
        total = rest * np.eye(8) + sd**2 * np.outer(design, design) + bent
        solved = np.linalg.solve(total, steps)
        found.append(sd**2 * design @ solved)
        weight.append(share * np.exp(-0.5 * steps @ solved - 0.5 * np.linalg.slogdet(total)[1]))
    expected = np.dot(found, weight) / np.sum(weight)
    slope = draws[:, 0, 0]
    assert slope.mean() == pytest.approx(expected, abs=4.0 * slope.std() / np.sqrt(len(slope)))


def test_moves_far_away_tell_less_of_the_slope_here():
    # A mode that follows 20 cos(1.5 x) cents, and a post that came from 2 mm away: here, at 0, the curve is
    # level, but no parabola through all of its way is.
    way = np.array([-2.0, -1.5, -1.0, -1.5, -2.0, -1.5, -1.0, -0.5, 0.0])
    moves = np.column_stack([np.diff(way), np.zeros(8)])
    steps = np.diff(20.0 * np.cos(1.5 * way))
    draws = draw_responses(moves, steps[None], np.eye(8)[None], place_u_mm=1e-4, rng=np.random.default_rng(3))
    low, high = np.quantile(draws[:, 0, 0], [0.025, 0.975])
    assert low < 0.0 < high


def test_a_hint_leads_towards_the_target_and_stays_small():
    response = post_response(*a_job(), repeatability=YARD)
    wanted = ALONG * 0.3 + ACROSS * -0.2
    hint = suggest_move(response, wanted, np.full(6, 2.0))
    assert hint is not None
    assert np.hypot(hint.along_mm - 0.3, hint.across_mm + 0.2) < 0.2
    assert np.hypot(hint.along_mm, hint.across_mm) <= 0.5
    assert hint.chance >= 0.95
    assert hint.n_moves == 6
    far = suggest_move(response, 10.0 * ALONG, np.full(6, 2.0))
    assert far is None or np.hypot(far.along_mm, far.across_mm) <= 0.5 + 1e-9


def test_no_hint_where_the_post_is_well_already_or_its_answer_is_not_known():
    response = post_response(*a_job(), repeatability=YARD)
    assert suggest_move(response, np.zeros(6), np.full(6, 5.0)) is None
    assert suggest_move(response, np.full(6, nan), np.full(6, 5.0)) is None
    blind = replace(response, estimable=np.zeros((6, 2), bool))
    assert suggest_move(blind, ALONG * 0.3, np.full(6, 2.0)) is None


def test_no_hint_goes_far_beyond_where_the_post_has_been():
    response = post_response(*a_job(), repeatability=YARD)
    here = response.places_mm[-1]
    hint = suggest_move(response, ALONG * 0.5 + ACROSS * 0.5, np.full(6, 2.0))
    if hint is not None:
        there = here + np.array([hint.along_mm, hint.across_mm])
        assert np.all(there <= response.places_mm.max(axis=0) + 0.25 + 1e-9)


def test_effect_in_closed_form():
    draws = np.array([[[10.0, -20.0, 4.0, 8.0, 2.0]]])
    assert effect(draws, np.array([[0.5, 0.25]]))[0, 0] == pytest.approx(5.0 - 5.0 + 0.5 + 0.25 + 0.25)
