"""What others would do with the same sets: four ways to a step and its 95 % interval.

All are given the put-back scatter that the model is given (with its degrees of freedom where the method has a
use for them), the noted humidity and temperature, and the maker's word on what lies before and after.
"""

import numpy as np
import scipy
from scipy import optimize

ASSUMED = (7.0, 4.0)


def scatter_of(job, part):
    from resonance.changes.repeatability import scatter_for, work_kind

    if job.yardstick is None:
        return ASSUMED
    found = scatter_for(job.yardstick, kind=work_kind([part]))
    return found.scatter_cents, found.dof


def readings(job, mode):
    """Days, cents, own standard uncertainty, step columns, weather columns of one mode."""
    frequency = np.array([s.modes[mode].frequency for s in job.sets])
    u = np.array([s.modes[mode].frequency_u for s in job.sets])
    cents = 1200.0 * np.log2(frequency / frequency[0])
    after = np.array([[float(a.id in s.after) for a in job.adjustments] for s in job.sets])
    climate = [(s.climate.temperature_c, s.climate.humidity_percent) for s in job.sets]
    weather = [np.array([c[i] for c in climate], float) for i in range(2) if climate[0][i] is not None]
    return job.days, cents, 1200.0 / np.log(2.0) * u / frequency, after, weather


def plain_difference(job, mode):
    """First set after less last set before; put-back scatter twice, Student's t."""
    _, y, u, after, _ = readings(job, mode)
    out = []
    for k, adjustment in enumerate(job.adjustments):
        before, since = np.flatnonzero(after[:, k] == 0.0)[-1], np.flatnonzero(after[:, k] == 1.0)[0]
        s, dof = scatter_of(job, adjustment.part)
        half = scipy.stats.t.ppf(0.975, dof) * np.sqrt(2.0 * s * s + u[before] ** 2 + u[since] ** 2)
        step = y[since] - y[before]
        out.append((step, step - half, step + half))
    return out


def least_squares(job, mode):
    """Weighted nonlinear least squares: level, exponential settling, steps, humidity where noted."""
    days, y, u, after, weather = readings(job, mode)
    s = np.array([scatter_of(job, "fitting")[0]] * len(y))
    w = 1.0 / np.sqrt(s**2 + u**2)
    columns = [np.ones_like(y), *after.T, *(x - x[0] for x in weather[-1:])]
    n_free = len(y) - len(columns) - 2
    if n_free < 1:
        return None

    def design(log_tau):
        return np.column_stack([*columns, np.exp(-days / np.exp(log_tau))]) * w[:, None]

    def rest(log_tau):
        x = design(log_tau)
        return w * y - x @ np.linalg.lstsq(x, w * y, rcond=None)[0]

    best = min(
        (
            optimize.least_squares(lambda p: rest(p[0]), [start], bounds=([-0.7], [5.0]))
            for start in (0.5, 2.0, 3.5)
        ),
        key=lambda found: found.cost,
    )
    log_tau = float(best.x[0])
    x = design(log_tau)
    beta = np.linalg.lstsq(x, w * y, rcond=None)[0]
    tau = np.exp(log_tau)
    slope = beta[-1] * np.exp(-days / tau) * days / tau * w
    full = np.column_stack([x, slope])
    variance = max(1.0, 2.0 * best.cost / n_free)
    covariance = np.linalg.pinv(full.T @ full) * variance
    t = scipy.stats.t.ppf(0.975, n_free)
    out = []
    for k in range(after.shape[1]):
        half = t * np.sqrt(covariance[1 + k, 1 + k])
        out.append((beta[1 + k], beta[1 + k] - half, beta[1 + k] + half))
    return out


def aicc_average(job, mode):
    """Average over drift shapes by AICc (Burnham and Anderson 2002, 4.3), known variances."""
    days, y, u, after, weather = readings(job, mode)
    s = scatter_of(job, "fitting")[0]
    w = 1.0 / np.sqrt(s * s + u * u)
    shapes = [[], [days], *[[np.exp(-days / tau)] for tau in (2.0, 8.0, 30.0)], [np.log1p(days)]]
    options = [[], weather[-1:]] if weather else [[]]
    found = []
    for shape in shapes:
        for climate in options:
            x = (
                np.column_stack([np.ones_like(y), *after.T, *shape, *(c - c[0] for c in climate)])
                * w[:, None]
            )
            n, p = x.shape
            if n - p - 1 < 1:
                continue
            beta, *_ = np.linalg.lstsq(x, w * y, rcond=None)
            rss = float(np.sum((w * y - x @ beta) ** 2))
            covariance = np.linalg.pinv(x.T @ x)
            found.append((rss + 2.0 * p + 2.0 * p * (p + 1) / (n - p - 1), beta, np.diag(covariance)))
    if not found:
        return None
    criterion = np.array([f[0] for f in found])
    weight = np.exp(-0.5 * (criterion - criterion.min()))
    weight /= weight.sum()
    out = []
    for k in range(after.shape[1]):
        each = np.array([f[1][1 + k] for f in found])
        middle = float(weight @ each)
        sd = float(weight @ np.sqrt(np.array([f[2][1 + k] for f in found]) + (each - middle) ** 2))
        out.append((middle, middle - 1.96 * sd, middle + 1.96 * sd))
    return out


def local_level(job, mode):
    """Local level with step and humidity regressors, by statsmodels' Kalman filter; walk by likelihood."""
    from statsmodels.tsa.statespace.kalman_filter import KalmanFilter

    days, y, u, after, weather = readings(job, mode)
    s = scatter_of(job, "fitting")[0]
    regressors = np.column_stack([after, *(c - c[0] for c in weather[-1:])])
    n, k = regressors.shape
    gaps = np.diff(days, append=days[-1])
    model = KalmanFilter(k_endog=1, k_states=1 + k, k_posdef=1)
    model.bind(y[None, :].copy())
    model["design"] = np.concatenate([np.ones((1, n)), regressors.T])[None, :, :]
    model["obs_cov"] = (s * s + u * u)[None, None, :]
    model["transition"] = np.eye(1 + k)
    selection = np.zeros((1 + k, 1))
    selection[0, 0] = 1.0
    model["selection"] = selection
    prior = np.diag([1e6, *[100.0**2] * after.shape[1], *[5.0**2] * (k - after.shape[1])])
    model.initialize_known(np.zeros(1 + k), prior)

    def run(log_q):
        model["state_cov"] = (np.exp(2.0 * log_q) * gaps)[None, None, :]
        return model.filter()

    best = optimize.minimize_scalar(lambda q: -float(run(q).llf), bounds=(-4.0, 2.5), method="bounded",
                                    options={"xatol": 0.1})  # fmt: skip
    result = run(best.x)
    state, covariance = result.filtered_state[:, -1], result.filtered_state_cov[:, :, -1]
    out = []
    for i in range(after.shape[1]):
        half = 1.96 * np.sqrt(covariance[1 + i, 1 + i])
        out.append((state[1 + i], state[1 + i] - half, state[1 + i] + half))
    return out


PEERS = {
    "plain difference": plain_difference,
    "least squares": least_squares,
    "AICc average": aicc_average,
    "local level": local_level,
}
