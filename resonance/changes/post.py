"""What moving the post does on this instrument: cents for each millimetre, along and across.

The moves of one chapter are fitted together. A mode's step at move k is E(x_k) - E(x_k-1), with

    E(x) = g . (x - x_now) + curvature,     g ~ .6 N(0, 20^2) + .4 N(0, 60^2) cents/mm on each axis,

curvature sd 22 cents/mm^2 for each of the three second-order terms, 45 cents/mm^3 and 60 cents/mm^4 for the
third and fourth along either axis (so that moves far from here tell less of the slope here), and a rest of 3
cents and 6 cents/mm of the move (no two moves are alike) beside the step's own uncertainty. So g is the slope
where the post stands now.

Where the post stood is not known either: each place is read through the f-hole to about 0.2 mm, so that a
quarter-millimetre move may have been half of that or twice. The true places are drawn with the answers
(errors in variables), g and the curvature integrated out (`resonance.changes.tempered`); all modes share the
places, so that many modes tell where the post went.

A slope is claimed along a direction only from three moves on, two of them 0.15 mm or more that way, and only
if its standard uncertainty is 15 cents/mm or less, or its interval leaves zero out. From one or two moves
nothing is said. Widths and limits come from trials on simulated jobs; none is published.

Reason codes
------------
few_moves : {'n', 'needed'}         fewer moves than a slope needs
move_without_distance : {'n'}       moves left out: no distance was noted
move_not_read : {'n'}               moves left out: no tap set on both sides, or other work between
ends_differ : {'n', 'end'}          moves of another end of the post left out
not_moved_that_way : {'way', 'n', 'needed'}   too few moves along or across
slope_uncertain : {'way', 'needed_cents'}     moved that way, but no slope is known well enough
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import isfinite, nan

import numpy as np
import scipy

from resonance.changes.comparison import Repeatability
from resonance.changes.course import History
from resonance.changes.pair import frequency_u_cents, is_body
from resonance.changes.repeatability import ASSUMED, RETUNED, scatter_for
from resonance.changes.tempered import draw_tempered
from resonance.reasons import Reason
from resonance.sets.setup import Adjustment
from resonance.sets.tapset import TapSet
from resonance.sound.recording import FloatArray
from resonance.units import cents

FEWEST_MOVES = 3
FEWEST_THAT_WAY = 2
LEAST_MOVE_MM = 0.15
LARGEST_U = 15.0  # cents/mm
SLOPES = ((0.6, 20.0), (0.4, 60.0))  # weight, sd cents/mm
CURVATURE_SD, THIRD_SD, FOURTH_SD = 22.0, 45.0, 60.0  # cents/mm^2, cents/mm^3, cents/mm^4
TOLD = 5  # terms that are told: slopes along and across, curvature along, across and mixed
REST_CENTS, REST_PER_MM = 3.0, 6.0
PLACE_U_MM = 0.2
UNREAD = 1e6  # cents^2, in place of a step that was not read
DRAWS = 600
SEED = 7  # the same answer every time
WAYS = ("along", "across")
POST_PARTS = ("soundpost", "bridge")


@dataclass(frozen=True)
class Move:
    """One move of the post relative to the bridge.

    Parameters
    ----------
    adjustment : str   its id
    along_mm, across_mm : float   as noted
    used : bool   False where it could not be read
    """

    adjustment: str
    along_mm: float = nan
    across_mm: float = nan
    used: bool = True


def _none() -> FloatArray:
    return np.zeros((0, 2))


@dataclass(frozen=True, eq=False)
class PostResponse:
    """What the post does on this instrument.

    Parameters
    ----------
    tracks : tuple of str (n,)
    cents_per_mm : array (n, 2), cents/mm   away from the bridge, in; NaN where the moves tell nothing
    intervals : array (n, 2, 2)   95 %, low and high
    estimable : array (n, 2) of bool   known well enough to be told
    n_moves : int   moves that were read
    chapter : str   id of the adjustment that began it, '' for the first
    reasons : tuple of Reason
    cents_per_mm_u : array (n, 2)
    labels : tuple of str or None (n,)
    frequency : array (n,), Hz   last reading
    moves : tuple of Move   all of the chapter
    places_mm : array (n_all_moves + 1, 2)   where the post stood, as noted, from its first place on
    place_u_mm : float
    draws : array (n_draws, n, 5)   slopes along and across, curvature along, across and mixed
    """

    tracks: tuple[str, ...] = ()
    cents_per_mm: FloatArray = field(default_factory=_none)
    intervals: FloatArray = field(default_factory=lambda: np.zeros((0, 2, 2)))
    estimable: FloatArray = field(default_factory=lambda: np.zeros((0, 2), bool))
    n_moves: int = 0
    chapter: str = ""
    reasons: tuple[Reason, ...] = ()
    cents_per_mm_u: FloatArray = field(default_factory=_none)
    labels: tuple[str | None, ...] = ()
    frequency: FloatArray = field(default_factory=lambda: np.zeros(0))
    moves: tuple[Move, ...] = ()
    places_mm: FloatArray = field(default_factory=lambda: np.zeros((1, 2)))
    place_u_mm: float = PLACE_U_MM
    draws: FloatArray = field(default_factory=lambda: np.zeros((0, 0, 5)))

    def __post_init__(self) -> None:
        """Give empty arrays their shape back, which a written record does not hold."""
        for name, shape in (
            ("cents_per_mm", (-1, 2)),
            ("cents_per_mm_u", (-1, 2)),
            ("estimable", (-1, 2)),
            ("intervals", (-1, 2, 2)),
        ):
            object.__setattr__(self, name, np.reshape(getattr(self, name), shape))


def post_response(
    sets: Sequence[TapSet],
    adjustments: Sequence[Adjustment],
    *,
    repeatability: Repeatability | None = None,
    histories: Sequence[History] | None = None,
    chapter: str = "",
    rng: np.random.Generator | None = None,
) -> PostResponse:
    """Fit what the post does over one chapter.

    Parameters
    ----------
    sets : sequence of TapSet   of one chapter, in order, their modes with tracks
    adjustments : sequence of Adjustment   of that chapter, in order
    repeatability : Repeatability or None   for steps read off the sets on either side of a move
    histories : sequence of History or None   of that chapter: their steps are used, settling and weather out,
        with what the steps of one mode have in common (in three
        kinds of simulated jobs, 60 each, no surely better and no worse than from the steps one by one)
    chapter : str   id of the adjustment that began it
    rng : Generator or None   None gives the same answer every time

    Returns
    -------
    PostResponse   without slopes, and with the reason, under three moves
    """
    moves, reasons = _moves(adjustments)
    tracks = _tracks(sets)
    if histories is not None:
        steps, variance = _from_histories(histories, moves, tracks)
    else:
        steps, variance = _from_sets(
            sets, adjustments, moves, tracks, repeatability or Repeatability(ASSUMED)
        )
    read = np.array(np.isfinite(steps).any(axis=0), bool).reshape(-1)
    told = [Move(m.adjustment, m.along_mm, m.across_mm, bool(r)) for m, r in zip(moves, read, strict=True)]
    missing = len(moves) - int(read.sum())
    reasons += [Reason("move_not_read", {"n": missing})] if missing else []
    displacement = np.array([(m.along_mm, m.across_mm) for m in moves]).reshape(-1, 2)
    blank = PostResponse(
        n_moves=int(read.sum()),
        chapter=chapter,
        moves=tuple(told),
        places_mm=np.vstack([np.zeros((1, 2)), np.cumsum(displacement, axis=0)]),
        place_u_mm=_place_u(sets),
    )
    if blank.n_moves < FEWEST_MOVES:
        reasons.append(Reason("few_moves", {"n": blank.n_moves, "needed": FEWEST_MOVES}))
        return replace(blank, reasons=tuple(reasons))
    kept = np.isfinite(steps).sum(axis=1) >= FEWEST_MOVES
    names = [name for name, keep in zip(tracks, kept, strict=True) if keep]
    draws = draw_responses(
        displacement,
        steps[kept],
        variance[kept],
        place_u_mm=blank.place_u_mm,
        rng=rng or np.random.default_rng(SEED),
    )
    return _told(blank, sets, names, draws, displacement[read], reasons)


def draw_responses(
    displacement_mm: FloatArray,
    steps_cents: FloatArray,
    variance: FloatArray,
    *,
    place_u_mm: float,
    rng: np.random.Generator,
) -> FloatArray:
    """Draw slopes and curvature of all modes, with the places the post may truly have stood at.

    Parameters
    ----------
    displacement_mm : array (n_moves, 2)   as noted
    steps_cents : array (n_modes, n_moves)   NaN where not read
    variance : array (n_modes, n_moves, n_moves), cents^2   of the steps
    place_u_mm : float   standard uncertainty of each place
    rng : Generator

    Returns
    -------
    array (DRAWS, n_modes, 5)   slopes along and across, curvature along, across and mixed
    """
    noted = np.vstack([np.zeros((1, 2)), np.cumsum(displacement_mm, axis=0)])
    size = np.hypot(*displacement_mm.T)
    rest = np.diag(REST_CENTS**2 + (REST_PER_MM * size) ** 2)
    read = np.isfinite(steps_cents)
    known = np.where(read, steps_cents, 0.0)
    noise = np.where(read[:, :, None] & read[:, None, :], variance + rest, 0.0)
    noise += np.eye(len(size)) * np.where(read, 0.0, UNREAD)[:, None, :]

    def places_of(errors: FloatArray) -> FloatArray:
        return noted + place_u_mm * errors.reshape(-1, *noted.shape)

    errors = draw_tempered(
        lambda each: _likelihood(places_of(each), known, noise)[0], noted.size, n=DRAWS, rng=rng
    )
    return _draw_given(places_of(errors), known, noise, rng)


def _design(places_mm: FloatArray) -> FloatArray:
    """Differences of the terms of E about the last place, from move to move.

    Parameters
    ----------
    places_mm : array (n, n_moves + 1, 2)

    Returns
    -------
    array (n, n_moves, 9)   x, y, x^2 / 2, y^2 / 2, x y, and x^3 / 6, y^3 / 6, x^4 / 24, y^4 / 24
    """
    x, y = np.moveaxis(places_mm - places_mm[:, -1:], -1, 0)
    terms = [x, y, x**2 / 2.0, y**2 / 2.0, x * y, x**3 / 6.0, y**3 / 6.0, x**4 / 24.0, y**4 / 24.0]
    return np.diff(np.stack(terms, axis=-1), axis=1)


def _prior(slope_sd: float) -> FloatArray:
    """Prior variances of the terms' coefficients."""
    higher = [CURVATURE_SD] * 3 + [THIRD_SD] * 2 + [FOURTH_SD] * 2
    return np.array([slope_sd, slope_sd, *higher]) ** 2


def _likelihood(places_mm: FloatArray, steps: FloatArray, noise: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Log likelihood of places (n,), and by mode and slope width (n, n_modes, 2); slopes integrated out."""
    design = _design(places_mm)
    parts = []
    for weight, sd in SLOPES:
        total = noise + ((design * _prior(sd)) @ np.swapaxes(design, 1, 2))[:, None]
        lower = np.linalg.cholesky(total)
        z = np.linalg.solve(lower, np.broadcast_to(steps[:, :, None], (*total.shape[:3], 1)))[..., 0]
        logs = np.log(np.diagonal(lower, axis1=-2, axis2=-1)).sum(axis=-1)
        parts.append(np.log(weight) - logs - 0.5 * (z * z).sum(axis=-1))
    each = np.stack(parts, axis=-1)
    return scipy.special.logsumexp(each, axis=-1).sum(axis=-1), each


def _draw_given(
    places_mm: FloatArray, steps: FloatArray, noise: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """Draw slopes and curvature given places, the higher terms integrated out; (n, n_modes, TOLD)."""
    design = _design(places_mm)[:, None]
    parts = _likelihood(places_mm, steps, noise)[1]
    chance = np.exp(parts[..., 0] - scipy.special.logsumexp(parts, axis=-1))
    wide = rng.random(chance.shape) > chance
    prior = np.where(wide[..., None], _prior(SLOPES[1][1]), _prior(SLOPES[0][1]))
    gain = prior[..., :, None] * np.swapaxes(design, -1, -2)  # (n, n_modes, n_terms, n_moves)
    total = noise + design @ gain
    gain, prior = gain[..., :TOLD, :], prior[..., :TOLD]
    mean = gain @ np.linalg.solve(total, np.broadcast_to(steps[:, :, None], (*total.shape[:3], 1)))
    spread = prior[..., :, None] * np.eye(TOLD) - gain @ np.linalg.solve(total, np.swapaxes(gain, -1, -2))
    lower = np.linalg.cholesky(spread + 1e-6 * np.eye(TOLD))
    return np.asarray((mean + lower @ rng.standard_normal((*mean.shape[:3], 1)))[..., 0])


def _moves(adjustments: Sequence[Adjustment]) -> tuple[list[Move], list[Reason]]:
    """Moves with a distance, of the end that most of them name; why others are left out."""
    post = [a for a in adjustments if a.part in POST_PARTS and not a.new_chapter]
    noted = [a for a in post if isfinite(a.along_mm) or isfinite(a.across_mm)]
    bare = sum(a.part == "soundpost" for a in post) - sum(a.part == "soundpost" for a in noted)
    reasons = [Reason("move_without_distance", {"n": bare})] if bare else []
    ends = [a.end or "both" for a in noted]
    usual = max(dict.fromkeys(ends), key=ends.count, default="both")
    kept = [a for a, end in zip(noted, ends, strict=True) if end == usual]
    if len(kept) < len(noted):
        reasons.append(Reason("ends_differ", {"n": len(noted) - len(kept), "end": usual}))
    return [Move(a.id, _or_zero(a.along_mm), _or_zero(a.across_mm)) for a in kept], reasons


def _or_zero(value: float) -> float:
    return value if isfinite(value) else 0.0


def _tracks(sets: Sequence[TapSet]) -> list[str]:
    """Tracks of body modes that two tap sets or more show, by rising frequency of the last reading."""
    last: dict[str, float] = {}
    seen: dict[str, int] = {}
    for mode in (mode for tap_set in sets for mode in tap_set.modes if mode.track and is_body(mode)):
        last[mode.track or ""] = mode.frequency
        seen[mode.track or ""] = seen.get(mode.track or "", 0) + 1
    return sorted((name for name in last if seen[name] > 1), key=lambda name: last[name])


def _place_u(sets: Sequence[TapSet]) -> float:
    noted = [s.setup.post.position_u_mm for s in sets if s.setup.post.position_u_mm > 0.0]
    return noted[-1] if noted else PLACE_U_MM


def _from_histories(
    histories: Sequence[History], moves: Sequence[Move], tracks: Sequence[str]
) -> tuple[FloatArray, FloatArray]:
    """Steps (n_tracks, n_moves) and their covariance as the histories found them."""
    steps = np.full((len(tracks), len(moves)), nan)
    variance = np.zeros((len(tracks), len(moves), len(moves)))
    by_track = {history.track: history for history in histories}
    for row, track in enumerate(tracks):
        history = by_track.get(track)
        if history is None:
            continue
        ids, middle, covariance = _steps_of(history)
        found = [(k, ids.index(m.adjustment)) for k, m in enumerate(moves) if m.adjustment in ids]
        here, there = np.array(found, np.intp).reshape(-1, 2).T
        steps[row, here] = middle[there]
        variance[row][np.ix_(here, here)] = covariance[np.ix_(there, there)]
    return steps, variance


def _steps_of(history: History) -> tuple[list[str], FloatArray, FloatArray]:
    """Ids, cents and covariance of a history's steps: together where it has them so, else one by one."""
    if history.step_ids:
        return list(history.step_ids), history.step_cents, history.step_covariance
    told = [s for s in history.steps if np.isfinite((s.cents, *s.interval_cents)).all()]
    sd = np.array([(s.interval_cents[1] - s.interval_cents[0]) / (2.0 * 1.96) for s in told])
    return [s.adjustment for s in told], np.array([s.cents for s in told]), np.diag(sd**2)


def _from_sets(
    sets: Sequence[TapSet],
    adjustments: Sequence[Adjustment],
    moves: Sequence[Move],
    tracks: Sequence[str],
    repeatability: Repeatability,
) -> tuple[FloatArray, FloatArray]:
    """Steps read off the last tap set before and the first after each move that stands alone between them."""
    order = [a.id for a in adjustments]
    around = [_around(sets, order, move.adjustment) for move in moves]
    steps = np.full((len(tracks), len(moves)), nan)
    variance = np.zeros((len(tracks), len(moves), len(moves)))
    for row, track in enumerate(tracks):
        scatter = scatter_for(repeatability, kind=RETUNED, track=track).scatter_cents
        read = {i: m for i, s in enumerate(sets) for m in s.modes if m.track == track}
        own = {i: scatter**2 + _square(frequency_u_cents(m)) for i, m in read.items()}
        for k, pair in enumerate(around):
            if pair is None or pair[0] not in read or pair[1] not in read:
                continue
            steps[row, k] = float(cents(read[pair[1]].frequency, read[pair[0]].frequency))
            variance[row, k, k] = own[pair[0]] + own[pair[1]]
            earlier = around[k - 1] if k else None
            if earlier is not None and earlier[1] == pair[0] and isfinite(steps[row, k - 1]):
                variance[row, k, k - 1] = variance[row, k - 1, k] = -own[pair[0]]
    return steps, variance


def _around(sets: Sequence[TapSet], order: Sequence[str], adjustment: str) -> tuple[int, int] | None:
    """Places of the last tap set before and the first after; None where one is missing or more was done."""
    before = [i for i, s in enumerate(sets) if adjustment not in s.after]
    after = [i for i, s in enumerate(sets) if adjustment in s.after]
    if not before or not after:
        return None
    between = (set(sets[after[0]].after) - set(sets[before[-1]].after)) & set(order)
    return (before[-1], after[0]) if between == {adjustment} else None


def _square(u: float) -> float:
    return u * u if isfinite(u) else 0.0


def _told(
    blank: PostResponse,
    sets: Sequence[TapSet],
    names: Sequence[str],
    draws: FloatArray,
    displacement: FloatArray,
    reasons: list[Reason],
) -> PostResponse:
    """Say what the draws say, and what they do not."""
    ways = [int((np.abs(displacement[:, axis]) >= LEAST_MOVE_MM).sum()) for axis in (0, 1)]
    moved = np.array(ways) >= FEWEST_THAT_WAY
    slopes = draws[:, :, :2]
    low, high = np.quantile(slopes, [0.025, 0.975], axis=0)
    u = slopes.std(axis=0)
    estimable = moved & ((u <= LARGEST_U) | (low > 0.0) | (high < 0.0))
    for axis, way in enumerate(WAYS):
        if not moved[axis]:
            reasons.append(
                Reason("not_moved_that_way", {"way": way, "n": ways[axis], "needed": FEWEST_THAT_WAY})
            )
        elif not estimable[:, axis].any():
            reasons.append(Reason("slope_uncertain", {"way": way, "needed_cents": LARGEST_U}))
    last = {m.track: m for s in sets for m in s.modes}
    return replace(
        blank,
        tracks=tuple(names),
        labels=tuple(last[name].label for name in names),
        frequency=np.array([last[name].frequency for name in names]),
        cents_per_mm=np.where(moved, slopes.mean(axis=0), nan),
        cents_per_mm_u=np.where(moved, u, nan),
        intervals=np.where(moved[:, None], np.stack([low, high], axis=-1), nan),
        estimable=estimable,
        reasons=tuple(reasons),
        draws=draws,
    )
