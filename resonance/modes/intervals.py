"""Half widths of 95 % intervals, from standard uncertainties and their degrees of freedom.

An interval is always 95 %: value ± t u with the t quantile of the degrees of freedom (JCGM 100:2008, G.3).
Where the uncertainty is not known, neither is the half width: NaN, never 0.
"""

from math import inf, isfinite, isnan, nan, sqrt

import scipy

from resonance.modes.mode import Mode


def half_width(u: float, dof: float = inf) -> float:
    """Half width of a 95 % interval: t(0.975, dof) u.

    Parameters
    ----------
    u : float   standard uncertainty, above 0
    dof : float   degrees of freedom; NaN (not known) counts as many, t = 1.96

    Returns
    -------
    float, in the unit of `u`; NaN when `u` is not a positive number or `dof` not above 0
    """
    dof = inf if isnan(dof) else dof
    if not isfinite(u) or not u > 0.0 or not dof > 0.0:
        return nan
    quantile = scipy.special.ndtri(0.975) if dof == inf else scipy.special.stdtrit(dof, 0.975)
    return float(quantile) * u


def combined(u: float, dof: float, further_u: float) -> tuple[float, float]:
    """Combine an uncertainty with a further one of unknown degrees of freedom, counted as many.

    Returns
    -------
    (u, dof) : root of the sum of squares, and Welch-Satterthwaite degrees of freedom
        (JCGM 100:2008, eq. G.2b); `u` and `dof` unchanged when `further_u` is not a positive number
    """
    if not further_u > 0.0 or not isfinite(further_u):
        return u, dof
    total = sqrt(u * u + further_u * further_u)
    return total, dof * (total / u) ** 4 if u > 0.0 else inf


def half_bandwidth(mode: Mode) -> float:
    """Half of the half-power bandwidth in Hz, 0 where damping is not known."""
    return mode.damping * mode.frequency if isfinite(mode.damping) else 0.0


def frequency_half_width(mode: Mode) -> float:
    """Half width in Hz of a printed frequency: taps and model term (`Mode.model_u`) together."""
    return half_width(*combined(mode.frequency_u, mode.frequency_dof, mode.model_u))


def damping_half_width(mode: Mode) -> float:
    """Half width of a printed damping ratio: taps and model term (`Mode.damping_model_u`) together."""
    return half_width(*combined(mode.damping_u, mode.damping_dof, mode.damping_model_u))
