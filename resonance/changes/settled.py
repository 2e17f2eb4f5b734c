"""Is it settled? Rate, verdict, date, movement to come, time constant: read off the mixture.

The rate is settling's own: of A e(t), of the small settling after steps, and of the late slope; weather and
scatter are left out. "settled" needs a chance of 95 % that the rate lies within the threshold, and of 75 %
under the wide priors of settling and late slope alone, lest the prior say it where few sets do; "not yet" of
5 % at most.

Reason codes
------------
rate_not_known : {'low', 'high', 'threshold'}   cents a week; the interval reaches beyond the threshold
no_end_in_sight : {'threshold'}                 with more than 5 % chance it goes on for years
time_constant_not_known : {'span'}              days; the sets do not tell how fast it settles
"""

from dataclasses import dataclass
from math import nan

import numpy as np

from resonance.changes.course import CANNOT_TELL, NOT_YET, SETTLED
from resonance.changes.mixture import (
    Fits,
    Normals,
    Posterior,
    below,
    coefficient,
    functional,
    moments,
    quantiles,
)
from resonance.changes.relaxation import fit_relaxation
from resonance.changes.settling import (
    RESTARTS,
    TAU_SPREAD,
    TIME_CONSTANTS,
    Grid,
    settling_shapes,
    settling_slopes,
    step_shapes,
    step_slopes,
)
from resonance.changes.terms import N_LAWS, Terms
from resonance.sound.recording import FloatArray

WEEK, FOUR_WEEKS = 7.0, 28.0
SURE = 0.95
SURE_IF_DOUBTED = 0.75
LIKELY = 0.5  # below, it drifts: nobody knows until when
HORIZON_DAYS = 1500.0
# Creep slows (logarithmic or exponentials, from memory); how fast a late slope dies away is assumed.
LATE_FADES_DAYS, MAY_GO_ON = 60.0, 0.15
N_DRAWS = 1000
DRAW_SEED = 7  # the draws are fixed numbers, the same for every mode
# A time constant is told only where settling is plain and the data narrow it well below the prior
SHARPER_THAN_PRIOR = 0.55
PLAIN_MOVEMENT = 4.0  # |A| over its standard deviation
MOST_LOG_LAW = 0.1
FEWEST_FOR_CONSTANT = 10


@dataclass(frozen=True)
class Settling:
    """What settling does at the last set and after; cents, weeks, days. `day` is NaN where none is told."""

    rate: tuple[float, float, float]
    verdict: str
    day: float
    four_weeks: tuple[float, float]
    time_constant: float | None
    time_constant_interval: tuple[float, float] | None
    likely_settled: float


def settling_of(
    posterior: Posterior,
    fits: Fits,
    terms: Terms,
    grid: Grid,
    made: FloatArray,
    days: FloatArray,
    threshold: float,
) -> Settling:
    """Judge how far one mode has settled.

    Parameters
    ----------
    posterior : Posterior;  fits : Fits;  terms : Terms;  grid : Grid
    made : array (n_groups,), days   when each step was made
    days : array (n,)   of the sets
    threshold : float, cents a week
    """
    last = float(days.max())
    rate = rate_of(posterior, terms, grid, made, last)
    low, middle, high = (float(x) for x in quantiles(rate, (0.025, 0.5, 0.975)))
    inside = float(below(rate, threshold) - below(rate, -threshold))
    doubted = _doubted(posterior, terms, grid, made, last, threshold)
    verdict = CANNOT_TELL
    if inside >= SURE and doubted >= SURE_IF_DOUBTED:
        verdict = SETTLED
    elif inside <= 1.0 - SURE:
        verdict = NOT_YET
    constant, interval = time_constant(posterior, fits, terms, grid, days)
    return Settling(
        rate=(low, middle, high),
        verdict=verdict,
        day=settled_day(posterior, terms, grid, made, last, threshold) if inside >= LIKELY else nan,
        four_weeks=expected(posterior, terms, grid, made, last),
        time_constant=constant,
        time_constant_interval=interval,
        likely_settled=inside,
    )


def _doubted(
    posterior: Posterior, terms: Terms, grid: Grid, made: FloatArray, last: float, threshold: float
) -> float:
    """Chance of a rate within the threshold under the wide priors alone: what the data say by themselves."""
    wide = np.flatnonzero(posterior.points[2] == grid.scales.index((1.0, 1.0)))
    if wide.size == 0:
        return 1.0
    r, d, v = posterior.points
    alone = Posterior(
        posterior.weight[wide] / posterior.weight[wide].sum(),
        (r[wide], d[wide], v[wide]),
        posterior.mean[wide],
        posterior.covariance[wide],
    )
    rate = rate_of(alone, terms, grid, made, last)
    return float(below(rate, threshold) - below(rate, -threshold))


def _law_and_restart(posterior: Posterior, grid: Grid) -> tuple[np.ndarray, np.ndarray]:
    law, restart, _ = np.unravel_index(posterior.points[1], (N_LAWS, len(RESTARTS), len(grid.lags)))
    return law, restart


def _since(made: FloatArray, day: float) -> tuple[FloatArray, FloatArray]:
    return day - made[None, :], np.ones((1, made.size))


def rate_of(posterior: Posterior, terms: Terms, grid: Grid, made: FloatArray, day: float) -> Normals:
    """Distribution of the rate at a day, cents a week."""
    law, restart = _law_and_restart(posterior, grid)
    rows = np.zeros_like(posterior.mean)
    rows[:, terms.settling] = WEEK * settling_slopes(np.array([day]))[0][law]
    rows[:, terms.steps] = WEEK * step_slopes(*_since(made, day))[restart, 0]
    if terms.late is not None:
        rows[:, terms.late] = WEEK
    return functional(posterior, rows)


def expected(
    posterior: Posterior, terms: Terms, grid: Grid, made: FloatArray, last: float
) -> tuple[float, float]:
    """Movement in the four weeks after the last set, the weather as it is; 95 %, cents."""
    law, restart = _law_and_restart(posterior, grid)
    rows = np.zeros_like(posterior.mean)
    shapes = settling_shapes(np.array([last, last + FOUR_WEEKS]))
    rows[:, terms.settling] = (shapes[1] - shapes[0])[law]
    now, then = (step_shapes(*_since(made, day)) for day in (last, last + FOUR_WEEKS))
    rows[:, terms.steps] = (then - now)[restart, 0]
    if terms.late is not None:
        rows[:, terms.late] = FOUR_WEEKS
    walk = np.array([q for q, _ in grid.noises])[posterior.points[0] % len(grid.noises)]
    low, high = quantiles(functional(posterior, rows, extra_variance=walk**2 * FOUR_WEEKS), (0.025, 0.975))
    return float(low), float(high)


def settled_day(
    posterior: Posterior, terms: Terms, grid: Grid, made: FloatArray, last: float, threshold: float
) -> float:
    """Day after which, with 95 % chance, the rate stays within the threshold; NaN beyond four years.

    A late slope is taken to die away from the last set on, over about two months; where one above the
    threshold is likely enough that the drift may not slow down at all, or too few sets tell, no day is told.
    """
    rng = np.random.default_rng(DRAW_SEED)
    edges = np.cumsum(posterior.weight)
    chosen = np.minimum(np.searchsorted(edges, (np.arange(N_DRAWS) + 0.5) / N_DRAWS), edges.size - 1)
    used = [*range(terms.steps.stop), terms.settling, *([] if terms.late is None else [terms.late])]
    covariance = posterior.covariance[:, used][:, :, used]
    roots = np.linalg.cholesky(covariance + 1e-12 * np.eye(len(used)))
    normal = rng.standard_normal((N_DRAWS, len(used)))
    draws = posterior.mean[chosen][:, used] + (roots[chosen] @ normal[:, :, None])[:, :, 0]
    law, restart = (axis[chosen] for axis in _law_and_restart(posterior, grid))
    days = last + np.concatenate([[0.0], np.geomspace(0.5, HORIZON_DAYS, 80)])
    n_steps = made.size
    rate = draws[:, n_steps : n_steps + 1] * settling_slopes(days)[:, law].T
    slopes = step_slopes(days[:, None] - made[None, :], np.ones((days.size, made.size)))
    for r in range(len(RESTARTS)):
        rate[restart == r] += draws[restart == r, :n_steps] @ slopes[r].T
    if terms.late is None or np.mean(np.abs(WEEK * draws[:, -1]) > threshold) > MAY_GO_ON:
        return nan
    rate += draws[:, -1:] * np.exp(-(days - last) / LATE_FADES_DAYS)
    moving = np.abs(WEEK * rate) > threshold
    final = np.where(moving.any(1), moving.shape[1] - 1 - np.argmax(moving[:, ::-1], axis=1), -1)
    reach = int(np.sort(final)[int(np.ceil(SURE * N_DRAWS)) - 1])
    if reach >= days.size - 1:
        return nan
    return float(days[reach + 1])


def time_constant(
    posterior: Posterior, fits: Fits, terms: Terms, grid: Grid, days: FloatArray
) -> tuple[float | None, tuple[float, float] | None]:
    """Time constant in days with its interval, only where the data carry one.

    Settling must be plain, the logarithmic law unlikely, the mixture much narrower than the prior, and a
    curve fitted without any prior to ten sets or more must find one too, not above the span of the sets.

    Parameters
    ----------
    days : array (n,)   of the sets, from the chapter's origin
    """
    law, _ = _law_and_restart(posterior, grid)
    curve = law < TIME_CONSTANTS.size
    weight = posterior.weight * curve
    mean, sd = moments(coefficient(posterior, terms.settling))
    if weight.sum() < 1.0 - MOST_LOG_LAW or abs(mean) < PLAIN_MOVEMENT * sd:
        return None, None
    mass = np.bincount(law[curve], weight[curve], TIME_CONSTANTS.size) / weight.sum()
    logs = np.log(TIME_CONSTANTS)
    middle = float(mass @ logs)
    spread = float(np.sqrt(mass @ (logs - middle) ** 2 + (logs[1] - logs[0]) ** 2 / 12.0))
    plain = fit_relaxation(days - days.min(), _settling_alone(posterior, fits, terms))
    span = float(np.ptp(days))
    if np.unique(days).size < FEWEST_FOR_CONSTANT or plain is None or 1.0 / plain.rate > span:
        return None, None
    if spread > SHARPER_THAN_PRIOR * TAU_SPREAD:
        return None, None
    interval = (float(np.exp(middle - 2.0 * spread)), float(np.exp(middle + 2.0 * spread)))
    return float(np.exp(middle)), interval


def _settling_alone(posterior: Posterior, fits: Fits, terms: Terms) -> FloatArray:
    """Readings less steps and weather, by the weightiest point."""
    best = int(np.argmax(posterior.weight))
    columns = fits.basis[:, fits.designs[posterior.points[1][best]]]
    return np.asarray(fits.y - columns[:, : terms.settling] @ posterior.mean[best][: terms.settling])
