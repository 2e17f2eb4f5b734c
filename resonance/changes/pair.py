"""Which mode of one tap set is which mode of another.

A linear assignment in which every mode may also stay alone. A pair costs

    (d - c)^2 / (w^2 + se^2)  +  2 ln (w / 40)  +  (delta ln Q)^2 / (0.25^2 + se^2)  +  level signature

with d the interval in cents, w how far modes move by themselves (40 cents unless said), c a shift common to
all body modes, se the standard uncertainties of the readings. A term that cannot be had counts as its
expected value. Two modes left alone together cost the 0.999 quantile of chi-square plus 2, half each. The
common shift serves the pairing only: it is returned and never taken off a reading.

Frequency alone cannot see two modes cross. Where both sets have levels at the same two or more places (tap
place, microphone place), the way a mode's level changes from place to place is its signature. From one place
the level itself tells something: a strong mode is not a weak one of the other set. On made-up sets with 6 %
of the modes missed and 15 % false ones, each level changed by the work (sd 3 dB):

    levels at one place     not used   used         (false modes as strong as true ones / 15 dB weaker)
    paired rightly            .95      .97 / .98
    right but ambiguous       .28      .20 / .14
    both of a crossing        .51      .69 / .77

Body modes, air modes and unsure ones pair among themselves; strings, hum and room only with their kind. The
same name given by the maker on both sides ties a pair, different ones forbid it; then the same track ties.
A pair (or a mode left alone) is ambiguous when the best assignment without it costs less than 6 more, or when
another common shift does nearly as well with another pairing.

The widths 40 cents and 0.25 and the numbers 2 and 6 come from trials on simulated jobs; the widths for levels
(3 dB from place to place, 5 dB for all places together) and for the common shift (60 cents) are assumed.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isfinite, log, nan

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from resonance.changes.places import plain_name
from resonance.modes.mode import Mode
from resonance.sound.recording import FloatArray
from resonance.units import cents

SHIFT_SD_CENTS = 40.0
LOG_Q_SD = 0.25
PLACE_SD_DB = 3.0
LEVEL_SD_DB = 5.0
LEVEL_FLOOR_DB = -36.0  # below this a level says only "hardly there"
TERM_CAP = 9.0  # of one level term: near a node of the mode a level may jump
GATE_CHANCE = 0.999
GATE_EXTRA = 2.0
AMBIGUOUS_BELOW = 6.0
COMMON_SD_CENTS = 60.0
COMMON_REACH_CENTS = 210.0
COMMON_STEP_CENTS = 15.0
FEWEST_FOR_COMMON = 4
NEVER = 1e7  # cost of what is forbidden

IntArray = NDArray[np.intp]
BODY_KINDS = ("body", "air", "unsure")


@dataclass(frozen=True)
class Pair:
    """One mode seen in both sets.

    Parameters
    ----------
    before, after : int   indices into the two lists
    cost : float   of the pair, common shift taken out; NaN where the pair was tied
    margin : float   how much more the best other assignment costs
    ambiguous : bool   margin below 6
    tied_by : 'maker', 'track' or ''
    """

    before: int
    after: int
    cost: float = nan
    margin: float = inf
    ambiguous: bool = False
    tied_by: str = ""


@dataclass(frozen=True)
class Alone:
    """One mode seen in one set only; `margin` and `ambiguous` as in `Pair`."""

    index: int
    margin: float = inf
    ambiguous: bool = False


@dataclass(frozen=True)
class Pairing:
    """Pairs by rising frequency before, modes left alone on either side, and the common shift.

    `common_cents` is NaN with fewer than four pairs of body modes: then it cannot be told from the shift of
    one mode, and none is taken out.
    """

    pairs: tuple[Pair, ...] = ()
    only_before: tuple[Alone, ...] = ()
    only_after: tuple[Alone, ...] = ()
    common_cents: float = nan


@dataclass(frozen=True, eq=False)
class _Costs:
    """What pairs cost: `interval` in cents, its `variance`, other terms, ties, what may not be; and staying
    alone.
    """

    interval: FloatArray
    variance: FloatArray
    others: FloatArray
    allowed: NDArray[np.bool_]
    body: NDArray[np.bool_]
    ties: tuple[tuple[int, int, str], ...]
    alone: tuple[FloatArray, FloatArray]


def pair_modes(
    before: Sequence[Mode],
    after: Sequence[Mode],
    *,
    shift_sd_cents: ArrayLike = SHIFT_SD_CENTS,
    alone_before: ArrayLike = 1.0,
    alone_after: ArrayLike = 1.0,
) -> Pairing:
    """Pair the modes of two sets.

    Parameters
    ----------
    before, after : sequences of Mode   frequencies above 0
    shift_sd_cents : cents, a number or an array that broadcasts to (n_before, n_after)   standard deviation
        of a mode's own movement: 40 where the instrument was worked on; a repeat set, in which nothing can
        have crossed, may take less and is then told with far less doubt

    Returns
    -------
    Pairing

    Raises
    ------
    ValueError   when a frequency is not a positive number
    """
    for mode in (*before, *after):
        if not (isfinite(mode.frequency) and mode.frequency > 0.0):
            raise ValueError(
                f"a mode at {mode.frequency} Hz cannot be paired; frequencies must be above 0 Hz"
            )
    if not before or not after:
        return Pairing((), _all_alone(len(before)), _all_alone(len(after)))
    alone = [
        np.broadcast_to(np.asarray(share, float), len(side))
        for share, side in ((alone_before, before), (alone_after, after))
    ]
    costs = _costs(before, after, np.asarray(shift_sd_cents, float), (alone[0], alone[1]))
    common, rivals = _common_shift(costs)
    shift = common if isfinite(common) else 0.0
    matrix = _matrix(costs, shift)
    columns, total = _solve(matrix)
    tied = {(i, j): by for i, j, by in costs.ties}
    best = total + _shift_price(shift)
    pairs, lone_before, lone_after = [], [], []
    n_before, n_after = len(before), len(after)
    for row, column in enumerate(columns):
        if row >= n_before and column >= n_after:
            continue
        if (row, column) in tied:
            pairs.append(Pair(row, int(column), tied_by=tied[row, int(column)]))
            continue
        margin = _margin(matrix, row, int(column), total)
        rival = min((cost for cost, chosen in rivals if chosen[row] != column), default=inf)
        margin = min(margin, max(0.0, rival - best))
        ambiguous = margin < AMBIGUOUS_BELOW
        if row < n_before and column < n_after:
            cost = float(matrix[row, column])
            pairs.append(Pair(row, int(column), cost, margin, ambiguous))
        elif row < n_before:
            lone_before.append(Alone(row, margin, ambiguous))
        else:
            lone_after.append(Alone(int(column), margin, ambiguous))
    pairs.sort(key=lambda pair: before[pair.before].frequency)
    return Pairing(tuple(pairs), tuple(lone_before), tuple(lone_after), common)


def is_body(mode: Mode) -> bool:
    """Whether a mode is judged as the instrument's own: body, air or unsure, not string, hum or room."""
    return mode.kind in BODY_KINDS


def is_doubtful(mode: Mode) -> bool:
    """Whether it is not known that a mode is the instrument's own: unsure, and the maker has not named it."""
    return mode.kind == "unsure" and not (mode.label and mode.labelled_by == "maker")


def frequency_u_cents(mode: Mode) -> float:
    """Give the standard uncertainty of a mode's frequency in cents, NaN when not known."""
    return 1200.0 / log(2.0) * mode.frequency_u / mode.frequency


def weighted_median(values: FloatArray, weights: FloatArray) -> float:
    """Value with half of the weight on either side; the middle of two where the weight splits evenly.

    Parameters
    ----------
    values, weights : arrays (n,), n at least 1, weights above 0
    """
    order = np.argsort(values)
    ranked, total = values[order], np.cumsum(weights[order])
    half = 0.5 * total[-1]
    low = int(np.searchsorted(total, half * (1.0 - 1e-12)))
    high = int(np.searchsorted(total, half * (1.0 + 1e-12)))
    return float(0.5 * (ranked[low] + ranked[min(high, ranked.size - 1)]))


def level_signature(before: Mode, after: Mode) -> tuple[float, int]:
    """Cost of two modes' levels being unlike, and its degrees of freedom.

    The levels at the places both have differ by one change for all places (sd 5 dB) and a rest from place to
    place (sd 3 dB), both with the levels' own uncertainty; each term is capped.

    Returns
    -------
    (cost, k) : k the number of common places; (0, 0) without any
    """
    cost, n_common = _signatures([before], [after])
    return float(cost[0, 0]), int(n_common[0, 0])


def _signatures(before: Sequence[Mode], after: Sequence[Mode]) -> tuple[FloatArray, IntArray]:
    """Cost and number of common places of every pair; arrays (n_before, n_after)."""
    heard = [[_levels(mode) for mode in side] for side in (before, after)]
    places = sorted({place for side in heard for levels in side for place in levels})
    if not places:
        shape = len(before), len(after)
        return np.zeros(shape), np.zeros(shape, np.intp)
    unheard = (nan, nan)
    left, right = (
        np.array([[levels.get(place, unheard) for place in places] for levels in side]) for side in heard
    )
    change = right[None, :, :, 0] - left[:, None, :, 0]
    both = np.isfinite(change)
    n_common = both.sum(axis=2)
    own = np.where(both, left[:, None, :, 1] ** 2 + right[None, :, :, 1] ** 2, 0.0)
    divisor = np.maximum(n_common, 1)
    mean = np.where(both, change, 0.0).sum(axis=2) / divisor
    rest = np.where(both, (change - mean[:, :, None]) ** 2 / (PLACE_SD_DB**2 + own), 0.0)
    overall = mean**2 / (LEVEL_SD_DB**2 + own.sum(axis=2) / divisor**2)
    return np.minimum(rest, TERM_CAP).sum(axis=2) + np.minimum(overall, TERM_CAP), n_common


def _levels(mode: Mode) -> dict[tuple[str, str], tuple[float, float]]:
    return {
        (plain_name(level.tap_place), plain_name(level.microphone_place)): (
            max(level.db, LEVEL_FLOOR_DB),
            level.db_u if isfinite(level.db_u) else 0.0,
        )
        for level in mode.levels
        if isfinite(level.db)
    }


def _costs(
    before: Sequence[Mode],
    after: Sequence[Mode],
    shift_sd_cents: FloatArray,
    alone: tuple[FloatArray, FloatArray],
) -> _Costs:
    frequencies = [np.array([mode.frequency for mode in side]) for side in (before, after)]
    variances = [np.array([_square(frequency_u_cents(mode)) for mode in side]) for side in (before, after)]
    signature, n_common = _signatures(before, after)
    k = int(n_common.max())
    signature = signature + (k - n_common)
    damping = np.array([[_damping_cost(b, a) for a in after] for b in before])
    half_gate = float(scipy.special.gammaincinv((2.0 + k) / 2.0, GATE_CHANCE)) + 0.5 * GATE_EXTRA
    return _Costs(
        interval=cents(frequencies[1][None, :], frequencies[0][:, None]),
        variance=shift_sd_cents**2 + variances[0][:, None] + variances[1][None, :],
        others=damping + signature + 2.0 * np.log(shift_sd_cents / SHIFT_SD_CENTS),
        allowed=np.array(
            [[_group(b) == _group(a) and not _named_apart(b, a) for a in after] for b in before]
        ),
        body=np.array([[is_body(b) and is_body(a) for a in after] for b in before]),
        ties=_ties(before, after),
        alone=(half_gate * alone[0], half_gate * alone[1]),
    )


def _square(u: float) -> float:
    return u * u if isfinite(u) else 0.0


def _damping_cost(before: Mode, after: Mode) -> float:
    if not (before.damping > 0.0 and after.damping > 0.0):
        return 1.0
    own = _square(before.damping_u / before.damping) + _square(after.damping_u / after.damping)
    return log(after.damping / before.damping) ** 2 / (LOG_Q_SD**2 + own)


def _group(mode: Mode) -> str:
    return "body" if is_body(mode) else mode.kind


def _maker_label(mode: Mode) -> str | None:
    return mode.label if mode.label and mode.labelled_by == "maker" else None


def _named_apart(before: Mode, after: Mode) -> bool:
    names = _maker_label(before), _maker_label(after)
    return None not in names and names[0] != names[1]


def _ties(before: Sequence[Mode], after: Sequence[Mode]) -> tuple[tuple[int, int, str], ...]:
    """Pairs the maker's names settle, then those that tracks settle among the rest; each name once a side."""
    found: list[tuple[int, int, str]] = []
    for by, name in (("maker", _maker_label), ("track", lambda mode: mode.track)):
        left, right = ({}, {})  # type: tuple[dict[str, list[int]], dict[str, list[int]]]
        for side, modes in ((left, before), (right, after)):
            for index, mode in enumerate(modes):
                key = name(mode)
                if key:
                    side.setdefault(key, []).append(index)
        for key in left.keys() & right.keys():
            (i, *more), (j, *others) = left[key], right[key]
            taken = any(i == tied[0] or j == tied[1] for tied in found)
            if not more and not others and not taken and (by == "maker" or _may_tie(before[i], after[j])):
                found.append((i, j, by))
    return tuple(found)


def _may_tie(before: Mode, after: Mode) -> bool:
    return _group(before) == _group(after) and not _named_apart(before, after)


def _matrix(costs: _Costs, shift: float) -> FloatArray:
    """Square matrix: pairs at the upper left, staying alone on the diagonals beside it, zeros at the rest."""
    n, m = costs.interval.shape
    moved = costs.interval - np.where(costs.body, shift, 0.0)
    pairs = np.where(costs.allowed, moved**2 / costs.variance + costs.others, NEVER)
    alone_before, alone_after = costs.alone[0].copy(), costs.alone[1].copy()
    for i, j, _ in costs.ties:
        pairs[i, :], pairs[:, j] = NEVER, NEVER
        alone_before[i], alone_after[j] = NEVER, NEVER
    for i, j, _ in costs.ties:
        pairs[i, j] = 0.0
    matrix = np.full((n + m, n + m), NEVER)
    matrix[:n, :m] = pairs
    matrix[np.arange(n), m + np.arange(n)] = alone_before
    matrix[n + np.arange(m), np.arange(m)] = alone_after
    matrix[n:, m:] = 0.0
    return matrix


def _solve(matrix: FloatArray) -> tuple[IntArray, float]:
    rows, columns = scipy.optimize.linear_sum_assignment(matrix)
    return columns, float(matrix[rows, columns].sum())


def _margin(matrix: FloatArray, row: int, column: int, total: float) -> float:
    """How much the best assignment without this choice costs more; infinite where there is none."""
    without = matrix.copy()
    without[row, column] = NEVER
    more = _solve(without)[1] - total
    return more if more < 0.5 * NEVER else inf


def _shift_price(shift: float) -> float:
    return (shift / COMMON_SD_CENTS) ** 2


def _common_shift(costs: _Costs) -> tuple[float, list[tuple[float, IntArray]]]:
    """Find the common shift whose best pairing costs least, then settle it on the pairs' weighted median.

    Returns
    -------
    (shift, rivals) : cents, NaN when too few pairs; every trial's cost with its assignment
    """
    n = costs.interval.shape[0]
    if n < FEWEST_FOR_COMMON or costs.interval.shape[1] < FEWEST_FOR_COMMON:
        return nan, []
    trials = np.arange(-COMMON_REACH_CENTS, COMMON_REACH_CENTS + 1.0, COMMON_STEP_CENTS)
    rivals: list[tuple[float, IntArray]] = []
    best = (inf, 0.0)
    for start in trials:
        columns, total = _solve(_matrix(costs, float(start)))
        price = total + _shift_price(float(start))
        rivals.append((price, columns))
        best = min(best, (price, float(start)))
    shift = best[1]
    for _ in range(10):
        columns, _ = _solve(_matrix(costs, shift))
        settled = _median_shift(costs, columns[:n])
        if not isfinite(settled) or abs(settled - shift) < 0.01:
            shift = settled
            break
        shift = settled
    return shift, rivals


def _median_shift(costs: _Costs, columns: IntArray) -> float:
    rows = np.flatnonzero(columns < costs.interval.shape[1])
    chosen = columns[rows]
    body = costs.body[rows, chosen]
    rows, chosen = rows[body], chosen[body]
    if rows.size < FEWEST_FOR_COMMON:
        return nan
    return weighted_median(costs.interval[rows, chosen], 1.0 / costs.variance[rows, chosen])


def _all_alone(count: int) -> tuple[Alone, ...]:
    return tuple(Alone(index) for index in range(count))
