"""What a mode is worth: the fall of the weighted sum of squares by it, the other modes free to drift.

Every mode may drift a little from tap to tap: what such a drift of known modes explains counts neither for a
new mode nor for a twin.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from resonance.modes.decays import Group
from resonance.modes.fit import (
    Projection,
    State,
    cholesky,
    joint_hessian,
    normal_equations,
    real_columns,
    solve,
    transform,
)
from resonance.sound.recording import FloatArray


@dataclass(frozen=True, eq=False)
class Drifting:
    """One group's fit with every mode free to drift from tap to tap (to first order).

    Parameters
    ----------
    columns : array (2 n_bins, n_columns + 2 n_modes)   of unit norm, the d/ds columns last
    factor : array   lower Cholesky factor of their Gram matrix
    solution : array (n_taps, n_columns + 2 n_modes)   coefficients
    residuals : array (n_taps, 2 n_bins)   whitened, what drift would explain taken off as well
    """

    columns: FloatArray
    factor: FloatArray
    solution: FloatArray
    residuals: FloatArray


def drifting(projection: Projection) -> Drifting:
    """Let the modes drift: what a drift of known modes explains is no new mode, nor does it feed a twin."""
    size = np.sqrt(np.diag(projection.slope_gram)) + 1e-300
    across = projection.across / size
    gram = np.block([[projection.gram, across], [across.T, projection.slope_gram / np.outer(size, size)]])
    columns = np.concatenate([projection.design, projection.slopes / size], axis=1)
    factor = cholesky(gram)
    further = solve(factor, columns.T @ projection.residuals.T).T
    solution = further.copy()
    solution[:, : projection.solution.shape[1]] += projection.solution
    return Drifting(columns, factor, solution, projection.residuals - further @ columns.T)


def mode_gains(state: State, tap_weights: Sequence[FloatArray]) -> FloatArray:
    """Fall of the weighted sum of squares by each mode's amplitudes, the others free to drift (n_modes,).

    Its own drift is left out of the model, as it is for a mode that asks to join (`exact_gain`).
    """
    n = state.poles.size
    gains = np.zeros(n)
    for projection, weights in zip(state.projections, tap_weights, strict=True):
        free = drifting(projection)
        size = len(free.factor)
        inverse = solve(free.factor, np.eye(size))
        amplitudes = np.arange(2 * n).reshape(n, 2)
        own = np.concatenate([amplitudes, amplitudes + size - 2 * n], axis=1)  # its drift columns come last
        gram = np.linalg.inv(inverse[own[:, :, None], own[:, None, :]])  # of what other modes cannot make
        inner = np.einsum("mij,kmj->kmi", gram, free.solution[:, own])[..., :2]
        solved = np.linalg.solve(gram[None, :, :2, :2], inner[..., None])[..., 0]
        gains += np.sum(weights[:, None] * np.sum(inner * solved, axis=-1), axis=0)
    return gains


def exact_gain(
    groups: Sequence[Group],
    free: Sequence[Drifting],
    roots: Sequence[FloatArray],
    tap_weights: Sequence[FloatArray],
    pole: complex,
) -> float:
    """Fall of the weighted sum of squares when the pole joins, the others refitted and drifting."""
    gain = 0.0
    for group, drift, root, weights in zip(groups, free, roots, tap_weights, strict=True):
        one = np.array([pole])
        columns = real_columns(transform(one, group)[0], transform(one.conj(), group)[0])
        columns = columns * np.concatenate([root, root])[:, None]
        across = drift.columns.T @ columns
        gram = columns.T @ columns - across.T @ solve(drift.factor, across)
        inner = drift.residuals @ columns
        gain += float(np.sum(weights * np.sum(inner * np.linalg.solve(gram, inner.T).T, axis=1)))
    return gain


def pole_covariance(state: State, tap_weights: Sequence[FloatArray]) -> FloatArray:
    """Covariance of (ln alpha, omega) of all modes from the curvature of the joint fit."""
    size = 2 * state.poles.size
    hessian = np.zeros((size, size))
    for projection, weights in zip(state.projections, tap_weights, strict=True):
        gram, factors, _ = normal_equations(projection, state.poles, weights)
        hessian += joint_hessian(gram, factors)
    root = np.sqrt(np.maximum(np.diag(hessian), 1e-30))
    return np.asarray(np.linalg.pinv(hessian / np.outer(root, root), hermitian=True) / np.outer(root, root))
