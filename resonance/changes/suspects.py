"""Sets and single readings that do not fit the others: counted less, and named.

The scatter of one set is taken five times as large; where the evidence of all modes together gains more than
a factor of ten after a prior of one set in twenty, the set is suspect. For points of the grid that carry the
weight, the gain has a closed form: with V the covariance of the readings under all that is unknown,
k = (V^-1)_ii and r = (V^-1 y)_i, adding delta to V_ii changes the log evidence by

    -1/2 ln(1 + delta k) + 1/2 delta r^2 / (1 + delta k)          (Sherman and Morrison; determinant lemma)

A set is never dropped; at most a quarter of them can be suspect, and none in a chapter of fewer than six.
"""

from collections.abc import Sequence
from math import log

import numpy as np

from resonance.changes.mixture import Fits, Posterior, levels
from resonance.changes.settling import Grid
from resonance.changes.terms import SUSPECT_FACTOR, Track
from resonance.sound.recording import FloatArray

FEWEST_SETS = 6
PRIOR_SET, PRIOR_READING = 0.05, 0.01
GAIN = log(10.0)
POINTS = 24


def most_suspects(n_sets: int) -> int:
    """How many sets may be called suspect: a quarter, less one half, and none under six sets."""
    return (n_sets - 2) // 4 if n_sets >= FEWEST_SETS else 0


def suspect_set(
    fits: Sequence[Fits],
    posteriors: Sequence[Posterior],
    tracks: Sequence[Track],
    grid: Grid,
    n_sets: int,
    already: Sequence[int],
) -> int | None:
    """The set that fits worst, where it is bad enough to be suspect; None where none is."""
    total = np.zeros(n_sets)
    for fit, posterior, track in zip(fits, posteriors, tracks, strict=True):
        np.add.at(total, track.index, gains(fit, posterior, grid))
    total[list(already)] = -np.inf
    worst = int(np.argmax(total))
    return worst if total[worst] > GAIN - log(PRIOR_SET / (1.0 - PRIOR_SET)) else None


def suspect_reading(fit: Fits, posterior: Posterior, grid: Grid, already: Sequence[int]) -> int | None:
    """The reading of one mode (its position) that fits worst, where it is bad enough."""
    own = gains(fit, posterior, grid)
    own[list(already)] = -np.inf
    worst = int(np.argmax(own))
    return worst if own[worst] > GAIN - log(PRIOR_READING / (1.0 - PRIOR_READING)) else None


def gains(fits: Fits, posterior: Posterior, grid: Grid) -> FloatArray:
    """Gain in log evidence from widening each reading of one mode; array (n,)."""
    top = np.argsort(posterior.weight)[::-1][:POINTS]
    weight = posterior.weight[top] / posterior.weight[top].sum()
    r, d = posterior.points[0][top], posterior.points[1][top]
    inverse = fits.inverse[r]
    columns = fits.basis.T[fits.designs[d]]  # (k, p, n)
    ones = np.ones((len(top), 1, fits.y.size))
    weighted = columns @ inverse
    one = ones @ inverse
    level_variance = fits.level_variance[r][:, None, None]
    level, row = levels(fits, posterior, top)
    # Variance of c + x b given the data: of b, of c given b, and both together.
    seen = weighted - row[:, :, None] * one
    covariance = posterior.covariance[top]
    spread = np.swapaxes(seen, 1, 2) @ covariance @ seen + np.swapaxes(one, 1, 2) * level_variance @ one
    precision = np.diagonal(inverse - spread, axis1=1, axis2=2)
    fitted = level[:, None] + np.einsum("kp,kpn->kn", posterior.mean[top], columns)
    residual = (inverse @ (fits.y - fitted)[:, :, None])[:, :, 0]
    scatter = grid.scatters[r // len(grid.noises)] ** 2
    delta = (SUSPECT_FACTOR**2 - 1.0) * scatter[:, None]
    widened = 1.0 + delta * precision
    gain = -0.5 * np.log(widened) + 0.5 * delta * residual**2 / widened
    return np.asarray(np.log(weight @ np.exp(np.minimum(gain, 300.0))))
