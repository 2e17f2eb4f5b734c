"""Least squares of one relaxation curve, y = c + A (1 - exp(-k t)), without any prior.

The rate is first looked for on a logarithmic grid, level and amplitude solved for at each (variable
projection, Golub & Pereyra 1973, from memory), then all are refined by Gauss-Newton steps, halved where they
do not help. A start chosen by hand may end at a wrong answer (BoxBOD from (1, 1) does); a grid does not.
"""

from dataclasses import dataclass
from math import inf, nan, sqrt

import numpy as np

from resonance.sound.recording import FloatArray

GRID_POINTS = 120
STEPS = 60
CONVERGED = 1e-13


@dataclass(frozen=True)
class Relaxation:
    """Fitted curve: values, standard uncertainties (infinite without freedom left), sum of squares."""

    level: float
    amplitude: float
    rate: float
    amplitude_u: float = nan
    rate_u: float = nan
    sum_of_squares: float = nan


def fit_relaxation(t: FloatArray, y: FloatArray, *, level: bool = True) -> Relaxation | None:
    """Fit a relaxation curve.

    Parameters
    ----------
    t, y : arrays (n,)   t not below 0
    level : bool   whether the level c is free; else it is 0

    Returns
    -------
    Relaxation, or None where the points do not hold one: too few times, or the best rate at the grid's edge
    """
    times = np.unique(t[t > 0.0])
    if times.size < 2 + level:
        return None
    rates = np.geomspace(0.02 / times[-1], 20.0 / times[0], GRID_POINTS)
    costs = [_projected(t, y, float(rate), level)[1] for rate in rates]
    best = int(np.argmin(costs))
    if best in (0, GRID_POINTS - 1):
        return None
    linear, cost = _projected(t, y, float(rates[best]), level)
    return _refined(t, y, np.append(linear, rates[best]), cost, level)


def _columns(t: FloatArray, rate: float, level: bool) -> FloatArray:
    curve = -np.expm1(-rate * t)
    return np.column_stack([np.ones_like(t), curve]) if level else curve[:, None]


def _projected(t: FloatArray, y: FloatArray, rate: float, level: bool) -> tuple[FloatArray, float]:
    """Level and amplitude at a rate, and the sum of squares that is left."""
    columns = _columns(t, rate, level)
    linear = np.asarray(np.linalg.lstsq(columns, y, rcond=None)[0], np.float64)
    residual = y - columns @ linear
    return linear, float(residual @ residual)


def _jacobian(t: FloatArray, values: FloatArray, level: bool) -> FloatArray:
    columns = _columns(t, values[-1], level)
    return np.column_stack([columns, values[-2] * t * np.exp(-values[-1] * t)])


def _refined(t: FloatArray, y: FloatArray, values: FloatArray, cost: float, level: bool) -> Relaxation | None:
    """Gauss-Newton from a start near the minimum."""
    for _ in range(STEPS):
        jacobian = _jacobian(t, values, level)
        residual = y - _columns(t, values[-1], level) @ values[:-1]
        scale = np.linalg.norm(jacobian, axis=0)
        step = np.linalg.lstsq(jacobian / scale, residual, rcond=None)[0] / scale
        step, cost = _halved(t, y, values, step, cost, level)
        values = values + step
        if np.max(np.abs(step) / np.maximum(np.abs(values), 1e-300)) < CONVERGED:
            break
    if not values[-1] > 0.0:
        return None
    residual = y - _columns(t, values[-1], level) @ values[:-1]
    cost = float(residual @ residual)
    freedom = t.size - values.size
    scale = np.linalg.norm(_jacobian(t, values, level), axis=0)
    inverse = np.linalg.pinv(_jacobian(t, values, level) / scale)
    sd = np.sqrt(np.sum(inverse**2, axis=1)) / scale
    u = sd * (sqrt(cost / freedom) if freedom > 0 else inf)
    return Relaxation(
        level=float(values[0]) if level else 0.0,
        amplitude=float(values[-2]),
        rate=float(values[-1]),
        amplitude_u=float(u[-2]),
        rate_u=float(u[-1]),
        sum_of_squares=cost,
    )


def _halved(
    t: FloatArray, y: FloatArray, values: FloatArray, step: FloatArray, cost: float, level: bool
) -> tuple[FloatArray, float]:
    """Shorten a step until it lowers the sum of squares; the full step where rounding hides a gain."""
    trial = step
    for _ in range(20):
        new = values + trial
        residual = y - _columns(t, new[-1], level) @ new[:-1]
        new_cost = float(residual @ residual)
        if new[-1] > 0.0 and new_cost <= cost * (1.0 + 1e-12):
            return trial, new_cost
        trial = 0.5 * trial
    return np.zeros_like(step), cost
