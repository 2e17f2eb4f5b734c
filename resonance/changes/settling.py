"""How the modes of an instrument drift: the terms of the model, their priors, and the grid over the rest.

In cents, for one mode and one chapter,

    y = c + A e(t) + sum_k d_k [1 + rho (1 - exp(-(t - t_k) / tau2))] H_k + b_h h(t) + b_T T + b_m m
        + v (t - t_v)+ + walk + moisture + noise

    e(t) = (1 - exp(-t / tau)) / (1 - exp(-30 / tau))   or   ln(1 + t) / ln(31),   t in days
           so that A is the movement in thirty days
    H_k  = 1 for sets the maker put after adjustment k, whatever the dates say
    h    the humidity, lagging behind the air (a first-order lag of the readings, linear between them)
    walk a random walk, q cents per root day; moisture a smooth process (Matern 3/2) for what the humidity
         readings do not tell

For a given point of the grid (tau or the logarithmic law, rho and tau2, lag, scatter, q and moisture, width
of the priors of A and v) all else is linear and Gaussian. The widths come from trials on simulated jobs and
from these estimates: humidity -2 +- 2 cents a percent (from the moisture content's slope 0.164 % a percent,
Wood Handbook eq. 4-5, times a frequency change of 1 to 1.5 % for each percent of moisture along the grain,
from memory: -2.6 to -6 at full equilibrium, which a varnished box seldom reaches); air modes 0.9 +- 0.1
times 600 log2 T, T in kelvin. Settling of about 8 days (log-normal, 0.9) is assumed: no time constant is
published.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import log

import numpy as np
import scipy

from resonance.sound.recording import FloatArray

TIME_CONSTANTS = np.geomspace(1.0, 90.0, 8)
TAU_MIDDLE, TAU_SPREAD = 8.0, 0.9
LOG_LAW_SHARE = 0.2
UNIT_DAYS = 30.0
RESTARTS = ((0.0, 1.5, 0.4), (0.25, 1.5, 0.3), (0.25, 5.0, 0.3))  # rho, tau2 in days, prior
LAGS = ((1.0, 0.35), (3.0, 0.4), (7.0, 0.25))  # days, prior
MOISTURE_DAYS = 5.0
# q in cents per root day, moisture in cents, prior; with and without humidity noted
NOISES_NOTED = ((0.0, 0.0, 0.3), (1.2, 0.0, 0.25), (0.0, 3.0, 0.25), (1.2, 7.0, 0.2))
NOISES_UNKNOWN = ((0.0, 3.0, 0.25), (1.2, 5.0, 0.25), (0.8, 10.0, 0.3), (0.0, 25.0, 0.2))
SETTLING_SD, SETTLING_NARROW, SETTLING_NARROW_SHARE = 40.0, 0.25, 0.5
LATE_SD, LATE_NARROW, LATE_NARROW_SHARE = 6.0 / 7.0, 0.1, 0.5  # cents a day
STEP_SD = 25.0
HUMIDITY_PRIOR = (-2.0, 2.0)
AIR_HUMIDITY_PRIOR = (-1.0, 1.5)
TEMPERATURE_PRIOR = (0.0, 0.8)  # cents per kelvin, wood
AIR_PRIOR = (0.9, 0.1)  # of the full shift of the air
AIR_UNKNOWN_CENTS = 5.0  # two kelvin, where the air's temperature was not noted
N_SCATTERS = 6
SCATTER_REACH = 2.2
MODES_DIFFER = 0.2  # of ln s from mode to mode
TAU_KERNEL, SCATTER_KERNEL = 0.35, 0.35
LEAKS = {"law": 0.2, "restart": 0.3, "lag": 0.1, "noise": 0.3, "scales": 0.12}


@dataclass(frozen=True, eq=False)
class Grid:
    """The points of the mixture: six axes, each with its prior and how alike modes are along it.

    Parameters
    ----------
    scatters : array (S,), cents
    noises : tuple of (walk, moisture)
    lags : tuple of float, days; (0.0,) without humidity
    scales : tuple of (factor of A's width, factor of the late slope's width)
    priors : tuple of six arrays, by (scatter, noise, settling, restart, lag, scales), each summing to 1
    kernels : tuple of six matrices (to, from): chance of a mode's point where the job's point is given
    """

    scatters: FloatArray
    noises: tuple[tuple[float, float], ...]
    lags: tuple[float, ...]
    scales: tuple[tuple[float, float], ...]
    priors: tuple[FloatArray, ...]
    kernels: tuple[FloatArray, ...]

    @property
    def shape(self) -> tuple[int, ...]:
        """Number of points along each axis."""
        return tuple(prior.size for prior in self.priors)

    @property
    def log_prior(self) -> FloatArray:
        """Log prior of every point of the grid."""
        total = np.zeros(())
        for prior in self.priors:
            total = total[..., None] + np.log(prior)
        return total


def make_grid(
    *,
    scatter_cents: float,
    dof: float,
    humidity_noted: bool,
    late: bool,
    moisture_noted: bool = False,
    swing: float = 1.0,
) -> Grid:
    """Lay the grid for the modes of one chapter.

    Parameters
    ----------
    scatter_cents, dof : float   put-back scatter as known beforehand (scaled inverse chi-square)
    humidity_noted : bool   whether the humidity of nearly all sets is known
    late : bool   whether a late slope is fitted
    moisture_noted : bool   whether the weight tells the moisture: as good as noted humidity
    swing : float   how much more than usual the noted humidity changes from set to set, and so what happens
        unseen in between
    """
    scatters, scatter_prior = _scatters(scatter_cents, dof)
    noises = NOISES_NOTED if humidity_noted or moisture_noted else NOISES_UNKNOWN
    lags = LAGS if humidity_noted else ((0.0, 1.0),)
    slopes = ((1.0, 1.0 - LATE_NARROW_SHARE), (LATE_NARROW, LATE_NARROW_SHARE)) if late else ((1.0, 1.0),)
    widths = ((1.0, 1.0 - SETTLING_NARROW_SHARE), (SETTLING_NARROW, SETTLING_NARROW_SHARE))
    settling_prior, settling_kernel = _settling_axis()
    priors = (
        scatter_prior,
        np.array([share for _, _, share in noises]),
        settling_prior,
        np.array([share for _, _, share in RESTARTS]),
        np.array([share for _, share in lags]),
        np.array([a * b for _, a in widths for _, b in slopes]),
    )
    kernels = (
        _kernel(np.log(scatters), SCATTER_KERNEL, scatter_prior),
        _leak(priors[1], LEAKS["noise"]),
        settling_kernel,
        _leak(priors[3], LEAKS["restart"]),
        _leak(priors[4], LEAKS["lag"]),
        _leak(priors[5], LEAKS["scales"]),
    )
    return Grid(
        scatters=scatters,
        noises=tuple((walk, swing * moisture) for walk, moisture, _ in noises),
        lags=tuple(lag for lag, _ in lags),
        scales=tuple((a, b) for a, _ in widths for b, _ in slopes),
        priors=priors,
        kernels=kernels,
    )


def _scatters(scatter_cents: float, dof: float) -> tuple[FloatArray, FloatArray]:
    """Points of the scatter, evenly spread in its logarithm, and the prior there."""
    spread = 0.5 * float(np.sqrt(scipy.special.polygamma(1, 0.5 * dof)))
    spread = float(np.hypot(spread, MODES_DIFFER))
    steps = np.linspace(-SCATTER_REACH, SCATTER_REACH, N_SCATTERS)
    middle = 0.5 * (log(0.5 * dof) - float(scipy.special.digamma(0.5 * dof)))
    prior = np.exp(-0.5 * steps**2)
    return scatter_cents * np.exp(middle + spread * steps), prior / prior.sum()


def _settling_axis() -> tuple[FloatArray, FloatArray]:
    """Prior and kernel of the settling's law: time constants, then the logarithmic law."""
    logs = np.log(TIME_CONSTANTS)
    curve = np.exp(-0.5 * ((logs - log(TAU_MIDDLE)) / TAU_SPREAD) ** 2)
    curve /= curve.sum()
    prior = np.append((1.0 - LOG_LAW_SHARE) * curve, LOG_LAW_SHARE)
    kernel = np.zeros((prior.size, prior.size))
    kernel[:-1, :-1] = _kernel(logs, TAU_KERNEL, curve)
    kernel[-1, -1] = 1.0
    return prior, (1.0 - LEAKS["law"]) * kernel + LEAKS["law"] * prior[:, None]


def _kernel(points: FloatArray, width: float, prior: FloatArray) -> FloatArray:
    kernel = prior[:, None] * np.exp(-0.5 * ((points[:, None] - points[None, :]) / width) ** 2)
    return np.asarray(kernel / kernel.sum(0))


def _leak(prior: FloatArray, leak: float) -> FloatArray:
    return (1.0 - leak) * np.eye(prior.size) + leak * prior[:, None]


def settling_shapes(days: FloatArray) -> FloatArray:
    """e(t) for each law; array (n, n_laws). `days` since the chapter began, not below 0."""
    t = np.asarray(days, float)[..., None]
    curves = -np.expm1(-t / TIME_CONSTANTS) / -np.expm1(-UNIT_DAYS / TIME_CONSTANTS)
    return np.concatenate([curves, np.log1p(t) / log(1.0 + UNIT_DAYS)], axis=-1)


def settling_slopes(days: FloatArray) -> FloatArray:
    """de/dt for each law, per day; array (n, n_laws)."""
    t = np.asarray(days, float)[..., None]
    curves = np.exp(-t / TIME_CONSTANTS) / TIME_CONSTANTS / -np.expm1(-UNIT_DAYS / TIME_CONSTANTS)
    return np.concatenate([curves, 1.0 / (1.0 + t) / log(1.0 + UNIT_DAYS)], axis=-1)


def step_shapes(since: FloatArray, after: FloatArray) -> FloatArray:
    """Shape of each step with its own small settling; array (n_restarts, n, K).

    Parameters
    ----------
    since : array (n, K), days   from adjustment to set; below 0 counts as 0
    after : array (n, K)   1 for sets after the adjustment, else 0
    """
    t = np.maximum(since, 0.0)
    return np.stack([after * (1.0 - rho * np.expm1(-t / tau)) for rho, tau, _ in RESTARTS])


def step_slopes(since: FloatArray, after: FloatArray) -> FloatArray:
    """Time derivative of `step_shapes`, per day."""
    t = np.maximum(since, 0.0)
    return np.stack([after * (rho / tau) * np.exp(-t / tau) for rho, tau, _ in RESTARTS])


def lagged(days: FloatArray, readings: FloatArray, lags: Sequence[float], at: FloatArray) -> FloatArray:
    """Readings seen through a first-order lag: linear in between, level before the first and after the last.

    Parameters
    ----------
    days, readings : arrays (k,)   days rising; readings taken at one time are averaged
    lags : sequence of float, days
    at : array (n,), days

    Returns
    -------
    array (n, n_lags)
    """
    knots, where = np.unique(days, return_inverse=True)
    values = np.bincount(where, readings) / np.bincount(where)
    times = np.unique(np.concatenate([knots, at]))
    curve = np.interp(times, knots, values)
    out = np.empty((times.size, len(lags)))
    for column, lag in enumerate(lags):
        out[:, column] = _filtered(times, curve, lag)
    return out[np.searchsorted(times, at)]


def _filtered(times: FloatArray, curve: FloatArray, lag: float) -> FloatArray:
    """Exact first-order lag of a piecewise linear curve that was level before."""
    if lag <= 0.0:
        return curve
    state = np.empty_like(curve)
    state[0] = curve[0]
    for k in range(1, curve.size):
        step = times[k] - times[k - 1]
        slope = (curve[k] - curve[k - 1]) / step
        settled = curve[k] - slope * lag
        state[k] = settled + (state[k - 1] - curve[k - 1] + slope * lag) * np.exp(-step / lag)
    return state


def drift_covariance(first: FloatArray, second: FloatArray, grid: Grid) -> FloatArray:
    """Covariance of walk and moisture between two lists of days; array (n_noises, n, m), cents squared."""
    walk = np.minimum(first[:, None], second[None, :])
    apart = np.sqrt(3.0) * np.abs(first[:, None] - second[None, :]) / MOISTURE_DAYS
    moisture = (1.0 + apart) * np.exp(-apart)
    return np.stack([q * q * walk + a * a * moisture for q, a in grid.noises])


def drift_variance(days: FloatArray, grid: Grid) -> FloatArray:
    """Diagonal of `drift_covariance`; array (n_noises, n)."""
    return np.stack([q * q * days + a * a for q, a in grid.noises])
