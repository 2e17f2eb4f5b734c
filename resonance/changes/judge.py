"""Statistics of "moved or not": combined uncertainty, many verdicts at once, intervals, what could be seen.

An interval is always 95 %. All p values are two-sided.
"""

from collections.abc import Iterable
from math import inf, isfinite, isnan, nan, sqrt

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

POWER = 0.80
CONFIDENCE = 0.95


def combine(terms: Iterable[tuple[float, float]]) -> tuple[float, float]:
    """Standard uncertainty of a sum of independent parts, with its effective degrees of freedom.

    Parameters
    ----------
    terms : pairs (u, dof)   standard uncertainty and degrees of freedom of each part; NaN dof counts as many

    Returns
    -------
    (u, dof) : root of the sum of squares, and Welch-Satterthwaite's u^4 / sum(u_i^4 / dof_i) (JCGM 100:2008,
        eq. G.2b), infinite where no part limits it; both NaN when a part is not known
    """
    variance, limits = 0.0, 0.0
    for u, dof in terms:
        if not isfinite(u):
            return nan, nan
        variance += u * u
        if isfinite(dof):
            limits += u**4 / dof
    return sqrt(variance), variance**2 / limits if limits > 0.0 else inf


def t_quantile(probability: float, dof: float) -> float:
    """Quantile of Student's t; the normal one for infinite (or NaN) degrees of freedom."""
    if isnan(dof) or dof == inf:
        return float(scipy.special.ndtri(probability))
    return float(scipy.special.stdtrit(dof, probability))


def p_value(difference: float, u: float, dof: float) -> float:
    """Chance of a difference as large, either way, when nothing changed; NaN where u is not above 0."""
    if not (isfinite(difference) and u > 0.0):
        return nan
    z = -abs(difference) / u
    if isnan(dof) or dof == inf:
        return 2.0 * float(scipy.special.ndtr(z))
    return 2.0 * float(scipy.special.stdtr(dof, z))


def half_width(u: float, dof: float, *, confidence: float = CONFIDENCE) -> float:
    """Half width of an interval: t quantile times u."""
    return t_quantile(0.5 + 0.5 * confidence, dof) * u if isfinite(u) else nan


def call(p_values: ArrayLike, false_discovery: float) -> NDArray[np.bool_]:
    """Which of many p values to call, so that on average at most this share of the calls is false.

    Parameters
    ----------
    p_values : array (m,)   no NaN
    false_discovery : float   0 < q < 1

    Returns
    -------
    array (m,) of bool : the R smallest, R the largest k with p_(k) <= q k / m
        (Benjamini and Hochberg 1995, J. R. Statist. Soc. B 57, 289)
    """
    p = np.asarray(p_values, float)
    m = p.size
    if m == 0:
        return np.zeros(0, bool)
    order = np.argsort(p, kind="stable")
    passing = np.flatnonzero(p[order] <= false_discovery * np.arange(1, m + 1) / m)
    called = np.zeros(m, bool)
    if passing.size:
        called[order[: passing[-1] + 1]] = True
    return called


def thresholds(called: NDArray[np.bool_], false_discovery: float) -> NDArray[np.float64]:
    """Level each verdict was judged at: q R / m for the R called, q (R + 1) / m for one more to be called."""
    m, n_called = called.size, int(called.sum())
    return false_discovery * np.where(called, n_called, n_called + 1) / max(m, 1)


def confidence_of_called(n_called: int, n_judged: int) -> float:
    """Confidence for the intervals of called modes, so that 95 % of the intervals so selected hold the truth.

    1 - 0.05 R / m (Benjamini and Yekutieli 2005, J. Am. Statist. Assoc. 100, 71).
    """
    return 1.0 - (1.0 - CONFIDENCE) * n_called / n_judged


def detectable(u: float, dof: float, threshold: float, *, power: float = POWER) -> float:
    """Least true difference that would be called with a given chance.

    Parameters
    ----------
    u, dof : float   standard uncertainty of the difference, and its degrees of freedom
    threshold : float   level of the test, two-sided
    power : float   wanted chance

    Returns
    -------
    float, in the unit of `u`: (t(1 - threshold / 2) + t(power)) u; the far tail is left out. A shift k u is
        called when T > t(1 - threshold / 2) - k for a T of Student's distribution, whatever the true scatter:
        so the chance holds for the shift as stated. (The noncentral t states it in true scatters.)
    """
    if not (u > 0.0 and 0.0 < threshold < 1.0):
        return nan
    return (t_quantile(1.0 - 0.5 * threshold, dof) + t_quantile(power, dof)) * u
