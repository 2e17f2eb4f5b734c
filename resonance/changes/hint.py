"""Which way the post might go towards a target: a hint, given only where the moves so far bear it.

Tried are moves on a grid of 0.05 mm, at most 0.5 mm, no more than 0.25 mm beyond where the post has been,
and along a way only where slopes are known that way. The best is told only when, over the draws of the
post's response and with the maker's hand off by the uncertainty of a place, it ends nearer the target (root
of the sum of squares over the modes) than staying does, with a chance of 95 % or more.
"""

from dataclasses import dataclass

import numpy as np

from resonance.changes.post import SEED, PostResponse
from resonance.sound.recording import FloatArray

GRID_MM = 0.05
LARGEST_MM = 0.5
BEYOND_MM = 0.25
SURE_ENOUGH = 0.95


@dataclass(frozen=True)
class Hint:
    """A move that would probably bring the instrument nearer its target.

    Parameters
    ----------
    along_mm, across_mm : float   + away from the bridge, + in
    chance : float   that it ends nearer
    away_cents, left_cents : float   distance to the target now, and expected after
    left_interval_cents : (float, float)   95 %
    n_moves : int   moves it rests on
    place_u_mm : float   how surely a post can be placed
    """

    along_mm: float
    across_mm: float
    chance: float
    away_cents: float
    left_cents: float
    left_interval_cents: tuple[float, float]
    n_moves: int
    place_u_mm: float


def suggest_move(
    response: PostResponse,
    wanted_cents: FloatArray,
    wanted_u_cents: FloatArray,
    *,
    rng: np.random.Generator | None = None,
) -> Hint | None:
    """Give the move likeliest to bring the modes nearer a target, None where none is sure enough.

    Parameters
    ----------
    response : PostResponse
    wanted_cents, wanted_u_cents : arrays (n,)   from now to the target for each of its tracks; NaN: not known
    rng : Generator or None   None gives the same answer every time
    """
    known = np.isfinite(wanted_cents) & np.isfinite(wanted_u_cents) & response.estimable.any(axis=1)
    if not known.any():
        return None
    rng = rng or np.random.default_rng(SEED)
    draws = response.draws[:, known]
    wanted = wanted_cents[known] + wanted_u_cents[known] * rng.standard_normal(draws.shape[:2])
    slip = response.place_u_mm * rng.standard_normal((len(draws), 2))
    now = np.sqrt((wanted**2).sum(axis=1))
    best: tuple[float, tuple[float, float], FloatArray] | None = None
    for way in _moves(response):
        left = np.sqrt(((wanted - effect(draws, np.array(way) + slip)) ** 2).sum(axis=1))
        if np.mean(left < now) >= SURE_ENOUGH and (best is None or left.mean() < best[0]):
            best = float(left.mean()), way, left
    if best is None:
        return None
    _, way, left = best
    low, high = np.quantile(left, [0.025, 0.975])
    return Hint(
        *way,
        chance=float(np.mean(left < now)),
        away_cents=float(np.sqrt((wanted_cents[known] ** 2).sum())),
        left_cents=float(np.median(left)),
        left_interval_cents=(float(low), float(high)),
        n_moves=response.n_moves,
        place_u_mm=response.place_u_mm,
    )


def effect(draws: FloatArray, move_mm: FloatArray) -> FloatArray:
    """What a move does to each mode in each draw, cents.

    Parameters
    ----------
    draws : array (n_draws, n, 5)   as in `PostResponse`
    move_mm : array (n_draws, 2)
    """
    x, y = move_mm[:, 0], move_mm[:, 1]
    terms = np.column_stack([x, y, 0.5 * x * x, 0.5 * y * y, x * y])
    return np.asarray(np.einsum("sk,snk->sn", terms, draws))


def _within(place: FloatArray, low: FloatArray, high: FloatArray) -> bool:
    return bool(np.all((low <= place) & (place <= high)))


def _moves(response: PostResponse) -> list[tuple[float, float]]:
    """Moves worth trying, the smaller first."""
    here = response.places_mm[-1]
    low, high = response.places_mm.min(axis=0) - BEYOND_MM, response.places_mm.max(axis=0) + BEYOND_MM
    steps = np.round(np.arange(-LARGEST_MM, LARGEST_MM + GRID_MM / 2, GRID_MM), 2)
    ways = [steps if response.estimable[:, axis].any() else np.zeros(1) for axis in (0, 1)]
    found = [
        (float(x), float(y))
        for x in ways[0]
        for y in ways[1]
        if 0.0 < np.hypot(x, y) <= LARGEST_MM and _within(here + np.array([x, y]), low, high)
    ]
    return sorted(found, key=lambda way: np.hypot(*way))
