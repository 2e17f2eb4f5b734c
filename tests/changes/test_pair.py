"""Pairing against known truth: made-up sets, and published peaks of two plates of one wedge of spruce."""

from dataclasses import replace
from itertools import permutations
from math import inf, isnan, log

import numpy as np
import pytest
import scipy

from resonance.changes.pair import AMBIGUOUS_BELOW, level_signature, pair_modes, weighted_median
from resonance.modes.mode import Level

from .making import FREQUENCIES, a_mode, levels_at, moved

# Peak lists of two book-matched spruce plates, Hz on a 0.5 Hz grid: public research data of Badiane and
# others on spruce tonewood plates (their list of measured peaks). Row k of one is row k of the other.
PLATE_LEFT = (51.5, 76.0, 127.5, 163.0, 190.5, 208.5, 255.5, 277.5, 403.5, 455.5, 554.5, 593.5, 670.5)
PLATE_RIGHT = (51.5, 75.0, 127.0, 159.0, 189.0, 207.0, 255.0, 272.5, 405.0, 449.0, 545.0, 594.0, 671.5)


def indices(pairing):
    return [(pair.before, pair.after) for pair in pairing.pairs]


def modes_at(frequencies, **more):
    return tuple(a_mode(f, **more) for f in frequencies)


def test_book_matched_plates_pair_row_by_row():
    pairing = pair_modes(modes_at(PLATE_LEFT, damping=0.006), modes_at(PLATE_RIGHT, damping=0.006))
    assert indices(pairing) == [(k, k) for k in range(13)]
    assert not pairing.only_before
    assert not pairing.only_after
    shifts = np.array(PLATE_RIGHT) - np.array(PLATE_LEFT)
    assert shifts[:4] == pytest.approx([0.0, -1.0, -0.5, -4.0])


def test_plates_pair_with_lines_missing_and_lines_too_many():
    left = modes_at(np.delete(PLATE_LEFT, [2, 9]), damping=0.006)
    right = modes_at([*PLATE_RIGHT[:6], 231.0, *PLATE_RIGHT[6:], 800.0], damping=0.006)
    pairing = pair_modes(left, right)
    found = {(left[p.before].frequency, right[p.after].frequency) for p in pairing.pairs}
    truth = {pair for k, pair in enumerate(zip(PLATE_LEFT, PLATE_RIGHT, strict=True)) if k not in (2, 9)}
    assert found == truth
    lone = sorted(right[alone.index].frequency for alone in pairing.only_after)
    assert lone == [127.0, 231.0, 449.0, 800.0]


def test_equal_lists_pair_exactly_and_without_doubt():
    modes = modes_at(FREQUENCIES)
    pairing = pair_modes(modes, modes)
    assert indices(pairing) == [(k, k) for k in range(len(modes))]
    assert pairing.common_cents == pytest.approx(0.0, abs=1e-9)
    assert not any(pair.ambiguous for pair in pairing.pairs)


def test_pairing_does_not_depend_on_the_order_of_the_lists(rng):
    before = modes_at(FREQUENCIES)
    after = modes_at([moved(f, c) for f, c in zip(FREQUENCIES, rng.normal(0, 20, 10), strict=True)])
    mixed = rng.permutation(10)
    plain = {(p.before, p.after) for p in pair_modes(before, after).pairs}
    shuffled = pair_modes(before, [after[k] for k in mixed])
    assert {(p.before, int(mixed[p.after])) for p in shuffled.pairs} == plain


def test_seen_from_the_other_side_the_pairs_are_the_same(rng):
    before = modes_at(FREQUENCIES)
    after = modes_at([moved(f, c) for f, c in zip(FREQUENCIES[2:], rng.normal(0, 20, 8), strict=True)])
    there, back = pair_modes(before, after), pair_modes(after, before)
    assert sorted(indices(there)) == sorted((j, i) for i, j in indices(back))
    assert there.common_cents == pytest.approx(-back.common_cents)


@pytest.mark.parametrize("common", [-130.0, -60.0, 0.0, 45.0, 130.0])
def test_a_common_shift_is_found_taken_out_and_returned(rng, common):
    # A dry winter room: 65 to 150 cents on wood modes, all together; two of ten moved by the work besides.
    extra = np.zeros(10)
    extra[[3, 6]] = 30.0, -25.0
    shifts = common + extra + rng.normal(0, 3, 10)
    before = modes_at(FREQUENCIES)
    after = modes_at([moved(f, c) for f, c in zip(FREQUENCIES, shifts, strict=True)])
    pairing = pair_modes(before, after)
    assert indices(pairing) == [(k, k) for k in range(10)]
    assert pairing.common_cents == pytest.approx(common, abs=4.0)


@pytest.mark.parametrize("common", [-140.0, 140.0])
def test_a_common_shift_larger_than_the_modes_distances_is_found(common):
    # Above 600 Hz modes lie 60 to 160 cents apart: each is nearer to its neighbour than to itself.
    rng = np.random.default_rng(17)
    frequencies = 600.0 * 2.0 ** (np.cumsum(rng.uniform(60.0, 160.0, 14)) / 1200.0)
    quality = np.exp(rng.normal(np.log(45.0), 0.35, 14))
    shifts = common + rng.normal(0.0, 4.0, 14)
    before = [a_mode(f, damping=0.5 / q) for f, q in zip(frequencies, quality, strict=True)]
    after = [a_mode(moved(m.frequency, c), damping=m.damping) for m, c in zip(before, shifts, strict=True)]
    pairing = pair_modes(before, after)
    assert indices(pairing) == [(k, k) for k in range(14)]
    assert pairing.common_cents == pytest.approx(common, abs=4.0)


def test_a_common_shift_is_not_told_from_three_modes():
    pairing = pair_modes(modes_at(FREQUENCIES[:3]), modes_at(FREQUENCIES[:3]))
    assert isnan(pairing.common_cents)
    assert len(pairing.pairs) == 3


def cost_of(before, after, choice, gate):
    """Cost of one assignment from the published formula; `choice[i]` is the partner or None."""
    total = 0.5 * gate * (len(before) - sum(j is not None for j in choice))
    total += 0.5 * gate * (len(after) - sum(j is not None for j in choice))
    for mode, j in zip(before, choice, strict=True):
        if j is not None:
            other = after[j]
            d = 1200.0 * np.log2(other.frequency / mode.frequency)
            se = [1200.0 / log(2.0) * m.frequency_u / m.frequency for m in (mode, other)]
            q = [m.damping_u / m.damping for m in (mode, other)]
            total += d**2 / (40.0**2 + se[0] ** 2 + se[1] ** 2)
            total += log(other.damping / mode.damping) ** 2 / (0.25**2 + q[0] ** 2 + q[1] ** 2)
    return total


@pytest.mark.parametrize("seed", range(25))
def test_pairs_and_margins_against_all_assignments(seed):
    # Three modes a side: every assignment can be written down (no common shift is taken out of so few).
    rng = np.random.default_rng(seed)
    at = np.array([440.0, 460.0, 480.0])
    damping = 0.011 * np.exp(0.3 * rng.standard_normal((2, 3)))
    before = [a_mode(f, damping=z) for f, z in zip(at, damping[0], strict=True)]
    shifted = moved(at, 60.0 * rng.standard_normal(3))
    after = [a_mode(f, damping=z) for f, z in zip(shifted, damping[1], strict=True)]
    gate = scipy.stats.chi2.ppf(0.999, 2) + 2.0
    choices = {c for c in permutations([0, 1, 2, None, None, None], 3)}
    costs = {choice: cost_of(before, after, choice, gate) for choice in choices}
    best = min(costs, key=costs.get)
    pairing = pair_modes(before, after)
    found = {pair.before: pair for pair in pairing.pairs}
    assert tuple(found[i].after if i in found else None for i in range(3)) == best
    for i, pair in found.items():
        margin = min(cost for choice, cost in costs.items() if choice[i] != pair.after) - costs[best]
        assert pair.margin == pytest.approx(margin, abs=1e-6)
        assert pair.ambiguous == (margin < AMBIGUOUS_BELOW)
    for alone in pairing.only_before:
        margin = min(cost for choice, cost in costs.items() if choice[alone.index] is not None) - costs[best]
        assert alone.margin == pytest.approx(margin, abs=1e-6)


def test_one_mode_between_two_is_ambiguous():
    pairing = pair_modes(modes_at([440.0, 460.0]), modes_at([450.0]))
    assert [pair.ambiguous for pair in pairing.pairs] == [True]
    assert [alone.ambiguous for alone in pairing.only_before] == [True]


def test_a_far_mode_stays_alone():
    pairing = pair_modes(modes_at([440.0]), modes_at([700.0]))
    assert not pairing.pairs
    assert [alone.index for alone in pairing.only_before] == [0]
    assert not pairing.only_before[0].ambiguous


def crossing(levels):
    """Two modes 60 cents apart that pass one another; with their levels at the tap places."""
    first, second = moved(450.0, -30.0), moved(450.0, 30.0)
    before = [a_mode(first, levels=levels_at(levels[0])), a_mode(second, levels=levels_at(levels[1]))]
    after = [
        a_mode(first + 1.0, levels=levels_at(levels[1])),
        a_mode(second - 1.0, levels=levels_at(levels[0])),
    ]
    return before, after


def test_levels_at_two_places_show_a_crossing():
    before, after = crossing([(-6.0, -20.0), (-20.0, -6.0)])
    pairing = pair_modes(before, after)
    assert indices(pairing) == [(0, 1), (1, 0)]
    assert not any(pair.ambiguous for pair in pairing.pairs)


def test_from_one_place_a_crossing_is_called_ambiguous():
    before, after = crossing([(-6.0,), (-6.0,)])
    assert all(pair.ambiguous for pair in pair_modes(before, after).pairs)


def test_level_signature_needs_places_in_common():
    here = a_mode(450.0, levels=levels_at((-6.0, -12.0)))
    assert level_signature(here, here) == (0.0, 2)
    assert level_signature(here, a_mode(450.0, levels=levels_at((-6.0,)))) == (0.0, 1)
    assert level_signature(here, a_mode(450.0)) == (0.0, 0)
    elsewhere = a_mode(450.0, levels=(Level("other", "near", -6.0), Level("third", "near", -6.0)))
    assert level_signature(here, elsewhere) == (0.0, 0)


def test_level_signature_in_closed_form():
    before, after = (a_mode(450.0, levels=levels_at(v, u=0.0)) for v in ((-6.0, -12.0), (-4.0, -16.0)))
    # changes +2 and -4 dB: mean -1, rest +-3
    assert level_signature(before, after)[0] == pytest.approx(2 * 3**2 / 3**2 + 1 / 5**2)


def test_from_one_place_a_strong_mode_is_not_a_weak_one():
    strong, weak = levels_at((-4.0,)), levels_at((-24.0,))
    before = [a_mode(450.0, levels=strong)]
    after = [a_mode(449.0, levels=weak), a_mode(456.0, levels=strong)]
    assert [p.after for p in pair_modes(before, after).pairs] == [1]
    unknown = [replace(mode, levels=()) for mode in after]
    assert [p.after for p in pair_modes(before, unknown).pairs] == [0]


def test_the_same_level_everywhere_louder_costs_little():
    before, after = (a_mode(450.0, levels=levels_at(v)) for v in ((-6.0, -12.0), (-3.0, -9.0)))
    assert level_signature(before, after)[0] < 0.5


def test_a_name_by_the_maker_ties_and_a_guess_does_not():
    near, far = a_mode(441.0), a_mode(520.0)
    before = [a_mode(440.0, label="B1-", labelled_by="maker")]
    tied = [near, replace(far, label="B1-", labelled_by="maker")]
    pair = pair_modes(before, tied).pairs[0]
    assert (pair.after, pair.tied_by, pair.ambiguous, pair.margin) == (1, "maker", False, inf)
    guessed = [near, replace(far, label="B1-", labelled_by="program")]
    assert pair_modes(before, guessed).pairs[0].after == 0


def test_different_names_by_the_maker_forbid_a_pair():
    before = [a_mode(440.0, label="B1-", labelled_by="maker")]
    after = [a_mode(440.5, label="A1", labelled_by="maker")]
    assert not pair_modes(before, after).pairs


def test_a_name_given_twice_on_one_side_ties_nothing():
    before = [a_mode(440.0, label="B1-", labelled_by="maker")]
    after = [a_mode(f, label="B1-", labelled_by="maker") for f in (441.0, 520.0)]
    assert [(p.after, p.tied_by) for p in pair_modes(before, after).pairs] == [(0, "")]


def test_a_track_ties_and_the_maker_overrules_it():
    before = [a_mode(440.0, track="m1", label="B1-", labelled_by="maker")]
    by_track = [a_mode(441.0), a_mode(520.0, track="m1")]
    assert [(p.after, p.tied_by) for p in pair_modes(before, by_track).pairs] == [(1, "track")]
    overruled = [a_mode(470.0, label="B1-", labelled_by="maker"), a_mode(441.0, track="m1")]
    assert [(p.after, p.tied_by) for p in pair_modes(before, overruled).pairs] == [(0, "maker")]


def test_strings_hum_and_room_pair_only_within_their_kind():
    kinds = ("body", "string", "hum", "room")
    before = [a_mode(440.0, kind=kind) for kind in kinds]
    after = [a_mode(440.5, kind=kind) for kind in reversed(kinds)]
    pairs = {(before[p.before].kind, after[p.after].kind) for p in pair_modes(before, after).pairs}
    assert pairs == {(kind, kind) for kind in kinds}
    assert len(pair_modes([a_mode(440.0, kind="air")], [a_mode(441.0, kind="unsure")]).pairs) == 1
    assert not pair_modes([a_mode(440.0, kind="body")], [a_mode(440.0, kind="string")]).pairs


def test_retuned_strings_are_no_common_shift():
    before = [*modes_at(FREQUENCIES[:4]), *modes_at([196.0, 294.0, 440.0, 660.0, 880.0], kind="string")]
    after = [
        *modes_at(FREQUENCIES[:4]),
        *modes_at([moved(f, -30) for f in (196.0, 294.0, 440.0, 660.0, 880.0)], kind="string"),
    ]
    assert pair_modes(before, after).common_cents == pytest.approx(0.0, abs=0.1)


def test_damping_not_known_neither_pairs_nor_parts():
    pairing = pair_modes(modes_at(FREQUENCIES, damping=np.nan), modes_at(FREQUENCIES))
    assert indices(pairing) == [(k, k) for k in range(10)]


def test_damping_decides_between_two_neighbours():
    before = [a_mode(450.0, damping=0.010)]
    after = [a_mode(446.0, damping=0.030), a_mode(456.0, damping=0.0102)]
    assert [p.after for p in pair_modes(before, after).pairs] == [1]


def test_empty_lists():
    assert pair_modes((), ()).pairs == ()
    pairing = pair_modes((), modes_at([440.0]))
    assert [alone.index for alone in pairing.only_after] == [0]


@pytest.mark.parametrize("bad", [0.0, -3.0, np.nan])
def test_a_frequency_that_is_none_is_refused(bad):
    with pytest.raises(ValueError, match="above 0 Hz"):
        pair_modes([a_mode(bad)], [a_mode(440.0)])


def test_weighted_median():
    assert weighted_median(np.array([3.0, 1.0, 2.0]), np.ones(3)) == 2.0
    assert weighted_median(np.array([1.0, 2.0, 3.0, 9.0]), np.ones(4)) == 2.5
    assert weighted_median(np.array([1.0, 2.0, 10.0]), np.array([1.0, 1.0, 5.0])) == 10.0


def made_up_job(rng, places, *, crossing=False):
    """Fourteen modes read twice, 6 % missed, as many false, three of ten moved (sd 25 cents)."""
    n = 14
    frequency = 200.0 + np.cumsum(rng.gamma(2.5, 26.0, n))
    quality = np.exp(rng.normal(np.log(45.0), 0.35, n))
    level = rng.normal(-12.0, 6.0, (n, max(places, 1)))
    shift = np.where(rng.random(n) < 0.3, rng.normal(0.0, 25.0, n), 0.0)
    cross = int(rng.integers(3, n - 3))
    if crossing:
        gap = rng.uniform(30.0, 90.0)
        frequency[cross + 1] = moved(frequency[cross], gap)
        frequency = np.sort(frequency)
        past = 0.5 * (gap + rng.uniform(10.0, 30.0))
        shift[cross], shift[cross + 1] = past, -past

    def reading(frequencies, levels):
        modes = []
        for k in np.flatnonzero(rng.random(n) > 0.06):
            zeta = 0.5 / quality[k] * np.exp(0.12 * rng.standard_normal())
            at = moved(frequencies[k], 5.0 * rng.standard_normal())
            seen = levels_at(levels[k] + rng.normal(0, 1.5, max(places, 1)), u=0.7) if places else ()
            modes.append((int(k), a_mode(at, damping=zeta, levels=seen)))
        for _ in range(rng.poisson(0.06 * n)):
            seen = levels_at(rng.normal(-12.0, 6.0, max(places, 1)), u=0.7) if places else ()
            modes.append((-1, a_mode(rng.uniform(*frequency[[0, -1]]), levels=seen)))
        return sorted(modes, key=lambda item: item[1].frequency)

    return (
        reading(frequency, level),
        reading(moved(frequency, shift), level + rng.normal(0, 1.5, level.shape)),
        cross,
    )


def scores(places, n_jobs=120, **more):
    """Recall, share of wrong pairs, share of wrong pairs not flagged, jobs with both crossing modes right."""
    right = wanted = wrong = unflagged = pairs = 0
    crossed = []
    rng = np.random.default_rng(7)
    for _ in range(n_jobs):
        before, after, cross = made_up_job(rng, places, **more)
        truth = {k for k, _ in before if k >= 0} & {k for k, _ in after}
        wanted += len(truth)
        good = set()
        for pair in pair_modes([m for _, m in before], [m for _, m in after]).pairs:
            names = before[pair.before][0], after[pair.after][0]
            pairs += 1
            if names[0] == names[1] >= 0:
                right += 1
                good.add(names[0])
            else:
                wrong += 1
                unflagged += not pair.ambiguous
        if {cross, cross + 1} <= truth:
            crossed.append({cross, cross + 1} <= good)
    return right / wanted, wrong / pairs, unflagged / pairs, float(np.mean(crossed))


def test_recall_on_made_up_jobs():
    # Prototype figures to match: recall .973 by frequency alone, .989 with Q, .998 with levels as well (their
    # false and missed modes not known); wrong pairs .030, .014, .003.
    one, _, one_hidden, _ = scores(0)
    two, _, two_hidden, _ = scores(2)
    three, three_wrong, three_hidden, _ = scores(3)
    assert one > 0.97
    assert two > 0.98
    assert three > 0.99
    assert three_wrong < 0.02
    assert max(one_hidden, two_hidden, three_hidden) < 0.02


def test_crossings_on_made_up_jobs():
    # Prototype figures to match: both right in .45 of the jobs with Q, .95 with levels at 2 or 3 places.
    _, _, hidden, one = scores(0, crossing=True)
    _, _, hidden_two, two = scores(2, crossing=True)
    _, _, hidden_three, three = scores(3, crossing=True)
    assert one > 0.45
    assert two > 0.85
    assert three > 0.95
    assert max(hidden, hidden_two, hidden_three) < 0.02
