"""Joint fit of shared poles to all taps: separable least squares in the frequency domain.

A decay of n samples at rate fs is y_k[j] = sum_m R_km exp(s_m j / fs) + its conjugate, plus what rings
outside the band. A mains line is a mode that does not die away. At a bin omega the DFT of the finite record
is, exactly,

    y_k(omega) = sum_m [R_km D(s_m) + R*_km D(s*_m)],
    D(s) = (1 - exp(s n / fs)) / (1 - exp((s - i omega) / fs)),

so nothing is lost to leakage or to a mode that has not died away. Modes outside the band appear in it as a
smooth tail, for which every tap has a low polynomial. Given the poles, the R_km and the tails are linear
and are projected out (variable projection: Golub and Pereyra 1973, SIAM J. Numer. Anal. 10, 413; Kaufman
1975, BIT 15, 49, from memory). The projected derivatives are the same for every tap of a group, so a step
costs the same for eight taps as for eighty. theta = (ln alpha_m, omega_m) for s_m = -alpha_m + i omega_m.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from resonance.modes.decays import Group
from resonance.sound.recording import ComplexArray, FloatArray

POLYNOMIAL = 3  # complex coefficients of the smooth tail, and one falling as 1/f
RIDGE = 1e-13  # of a column's own square
LARGEST_STEP = (0.7, 1.0)  # of ln alpha, and of omega in units of alpha + 2 pi 0.3


@dataclass(frozen=True, eq=False)
class Projection:
    """One group at one set of poles, weighted and split into real rows over imaginary ones.

    Parameters
    ----------
    design : array (2 n_bins, n_columns)   the linear part, each column of unit norm; two per mode come first
    scale : array (n_columns,)   norms of the columns
    gram : array (n_columns, n_columns)   design' design
    factor : array (n_columns, n_columns)   its lower Cholesky factor
    slopes : array (2 n_bins, 2 n_modes)   d/ds columns, pairs per mode, not projected
    solution : array (n_taps, n_columns)   coefficients of the columns of unit norm
    residuals : array (n_taps, 2 n_bins)   whitened, tap weights not applied
    """

    design: FloatArray
    scale: FloatArray
    gram: FloatArray
    factor: FloatArray
    slopes: FloatArray
    solution: FloatArray
    residuals: FloatArray

    @cached_property
    def amplitudes(self) -> ComplexArray:
        """R_km (n_taps, n_modes)."""
        half = (self.solution / self.scale)[:, : self.slopes.shape[1]]
        return np.asarray(half[:, 0::2] + 1j * half[:, 1::2])

    @cached_property
    def across(self) -> FloatArray:
        """Inner products of design and slopes (n_columns, 2 n_modes)."""
        return np.asarray(self.design.T @ self.slopes)

    @cached_property
    def slope_gram(self) -> FloatArray:
        """Gram matrix of the slopes (2 n_modes, 2 n_modes)."""
        return np.asarray(self.slopes.T @ self.slopes)

    @cached_property
    def projected_gram(self) -> FloatArray:
        """Gram matrix of the slopes with their part in the design taken off (2 n_modes, 2 n_modes)."""
        import scipy

        inside = scipy.linalg.solve_triangular(self.factor, self.across, lower=True, check_finite=False)
        return np.asarray(self.slope_gram - inside.T @ inside)

    @cached_property
    def leverage(self) -> FloatArray:
        """How much of each row the linear part can follow (2 n_bins,)."""
        import scipy

        basis = scipy.linalg.solve_triangular(self.factor, self.design.T, lower=True, check_finite=False)
        return np.asarray(np.einsum("ij,ij->j", basis, basis))


def transform(poles: ComplexArray, group: Group) -> tuple[ComplexArray, ComplexArray]:
    """D(s) and dD/ds at the group's bins, each (n_bins, n_poles); exact for the finite record."""
    rate, n = group.sample_rate, group.n
    turn = np.exp(-2j * np.pi * group.frequencies / rate)
    ratio = turn[:, None] * np.exp(poles / rate)[None, :]
    gap = 1.0 - ratio
    end = np.exp(poles * n / rate)[None, :]
    inverse = 1.0 / gap
    value = (1.0 - end) * inverse
    slope = (value * ratio / rate - (n / rate) * end) * inverse
    return value, slope


def real_columns(first: ComplexArray, second: ComplexArray) -> FloatArray:
    """Interleave the real-linear columns of c A + c* B over (Re c, Im c); real rows over imaginary ones."""
    n, m = first.shape
    together, apart = first + second, first - second
    columns = np.empty((2 * n, 2 * m))
    columns[:n, 0::2], columns[n:, 0::2] = together.real, together.imag
    columns[:n, 1::2], columns[n:, 1::2] = -apart.imag, apart.real
    return columns


def tail_columns(group: Group) -> ComplexArray:
    """Columns for what rings outside the band: powers of f, and one over f."""
    f = group.frequencies
    x = (f - f.mean()) / max(float(np.ptp(f)), 1.0) * 2.0
    smooth = [x**p for p in range(POLYNOMIAL)] + [f[0] / f]
    return np.stack(smooth, axis=1).astype(complex)


def project(group: Group, poles: ComplexArray, root_weight: FloatArray) -> Projection:
    """Eliminate the linear part of one group at the given poles.

    By the normal equations, which are twice as quick as an orthogonal basis: columns of unit norm leave
    twelve digits for what two close modes lose. Modes that coincide are held by `RIDGE`.

    Parameters
    ----------
    root_weight : array (n_bins,)   1 / standard deviation of the real part of the error at each bin
    """
    weight = np.concatenate([root_weight, root_weight])[:, None]
    value, slope = transform(poles, group)
    mirror, mirror_slope = transform(poles.conj(), group)
    tail = tail_columns(group)
    columns = [real_columns(value, mirror), real_columns(tail, np.zeros_like(tail))]
    design = np.concatenate(columns, axis=1) * weight
    scale = np.sqrt(np.einsum("ij,ij->j", design, design))
    design /= scale
    gram = design.T @ design
    factor = cholesky(gram)
    data = whitened(group, root_weight)
    solution = solve(factor, design.T @ data.T).T
    residuals = data - solution @ design.T
    slopes = real_columns(slope, mirror_slope)
    slopes *= weight
    return Projection(design, scale, gram, factor, slopes, solution, residuals)


def bin_power(residuals: FloatArray, root_weight: FloatArray) -> FloatArray:
    """Power per tap and bin (n_taps, n_bins) of whitened residuals (n_taps, 2 n_bins), whitening undone."""
    half = root_weight.size
    return np.asarray((residuals[:, :half] ** 2 + residuals[:, half:] ** 2) / root_weight**2)


def whitened(group: Group, root_weight: FloatArray) -> FloatArray:
    """Spectra of the taps over the error's standard deviation (n_taps, 2 n_bins), real before imaginary."""
    scaled = group.spectra * root_weight
    return np.concatenate([scaled.real, scaled.imag], axis=1)


def cholesky(gram: FloatArray) -> FloatArray:
    """Lower Cholesky factor of a Gram matrix of unit columns, held by `RIDGE` where columns coincide."""
    import scipy

    held = gram + RIDGE * np.eye(len(gram))
    return np.asarray(scipy.linalg.cholesky(held, lower=True, check_finite=False))


def solve(factor: FloatArray, right: FloatArray) -> FloatArray:
    """Solve the normal equations, given their lower Cholesky factor."""
    import scipy

    return np.asarray(scipy.linalg.cho_solve((factor, True), right, check_finite=False))


def line_powers(group: Group, projection: Projection, poles: ComplexArray) -> FloatArray:
    """Power of each mode's line at its own frequency, as in `Group.spectra`, mean over taps (n_modes,)."""
    height = -np.expm1(poles.real * group.duration) * group.sample_rate / -poles.real
    return np.asarray(np.mean(np.abs(projection.amplitudes) ** 2, axis=0) * height**2)


def chain(poles: ComplexArray, amplitudes: ComplexArray) -> FloatArray:
    """Jacobian factors (n_taps, n_modes, 2, 2): the d/ds as (Re c, Im c), for each of (ln alpha, omega)."""
    by_alpha = poles.real * amplitudes  # d s / d ln alpha = -alpha = Re s
    by_omega = 1j * amplitudes
    first = np.stack([by_alpha.real, by_alpha.imag], axis=-1)
    second = np.stack([by_omega.real, by_omega.imag], axis=-1)
    return np.stack([first, second], axis=-1)


def normal_equations(
    projection: Projection, poles: ComplexArray, weights: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Per-tap normal equations of one group.

    Returns
    -------
    gram : array (2 n_modes, 2 n_modes)   of the projected derivative columns
    factors : array (n_taps, n_modes, 2, 2), weighted by the root of the tap weights
    gradients : array (n_taps, 2 n_modes)
    """
    gram = projection.projected_gram
    factors = chain(poles, projection.amplitudes)
    inner = (projection.residuals @ projection.slopes).reshape(len(weights), poles.size, 2)
    gradients = np.einsum("kmpi,kmp->kmi", factors, inner).reshape(len(weights), -1) * weights[:, None]
    return gram, factors * np.sqrt(weights)[:, None, None, None], gradients


def tap_hessian(gram: FloatArray, factors: FloatArray) -> FloatArray:
    """J'J of one tap: factors (n_modes, 2, 2) around the Gram matrix."""
    m = factors.shape[0]
    blocks = gram.reshape(m, 2, m, 2)
    product = np.einsum("mpi,mpnq,nqj->minj", factors, blocks, factors, optimize=True)
    return np.asarray(product.reshape(2 * m, 2 * m))


def joint_hessian(gram: FloatArray, factors: FloatArray) -> FloatArray:
    """J'J summed over the taps of a group."""
    k, m = factors.shape[:2]
    flat = factors.reshape(k, m * 4)
    summed = (flat.T @ flat).reshape(m, 2, 2, m, 2, 2)
    blocks = gram.reshape(m, 2, m, 2)
    product = np.einsum("mpinqj,mpnq->minj", summed, blocks, optimize=True)
    return np.asarray(product.reshape(2 * m, 2 * m))


@dataclass(frozen=True, eq=False)
class State:
    """Poles with the projections of every group, and the weighted sum of squares."""

    poles: ComplexArray
    projections: tuple[Projection, ...]
    cost: float


def evaluate(
    groups: Sequence[Group],
    poles: ComplexArray,
    root_weights: Sequence[FloatArray],
    tap_weights: Sequence[FloatArray],
) -> State:
    """Project every group at the given poles."""
    projections = tuple(project(g, poles, w) for g, w in zip(groups, root_weights, strict=True))
    cost = sum(
        float(np.sum(v * np.sum(p.residuals**2, axis=1)))
        for p, v in zip(projections, tap_weights, strict=True)
    )
    return State(poles, projections, cost)


def refine(
    groups: Sequence[Group],
    start: State,
    root_weights: Sequence[FloatArray],
    tap_weights: Sequence[FloatArray],
    *,
    steps: int,
    tolerance: float = 0.3,
) -> State:
    """Levenberg-Marquardt steps on the shared poles until little is to be gained or the steps run out.

    Parameters
    ----------
    start : State   evaluated with these weights
    steps : int   at most
    tolerance : float   fall of the weighted sum of squares that is not worth a step
    """
    state, damp = start, 1e-3
    for _ in range(steps):
        if state.poles.size == 0:
            break
        hessian, gradient = _joint(state, tap_weights)
        better, damp = _step(groups, state, hessian, gradient, damp, root_weights, tap_weights, tolerance)
        gain = state.cost - better.cost
        state = better
        if gain <= tolerance:
            break
    return state


def _joint(state: State, tap_weights: Sequence[FloatArray]) -> tuple[FloatArray, FloatArray]:
    size = 2 * state.poles.size
    hessian, gradient = np.zeros((size, size)), np.zeros(size)
    for projection, weights in zip(state.projections, tap_weights, strict=True):
        gram, factors, gradients = normal_equations(projection, state.poles, weights)
        hessian += joint_hessian(gram, factors)
        gradient += gradients.sum(axis=0)
    return hessian, gradient


def _step(
    groups: Sequence[Group],
    state: State,
    hessian: FloatArray,
    gradient: FloatArray,
    damp: float,
    root_weights: Sequence[FloatArray],
    tap_weights: Sequence[FloatArray],
    tolerance: float,
) -> tuple[State, float]:
    """One accepted step (more damping until the cost falls), or the state itself."""
    diagonal = np.maximum(np.diag(hessian), 1e-30)
    for _ in range(6):
        delta = np.asarray(np.linalg.solve(hessian + damp * np.diag(diagonal), gradient), float)
        if delta @ gradient < tolerance:
            return state, damp
        trial = evaluate(groups, moved(state.poles, delta.reshape(-1, 2)), root_weights, tap_weights)
        if trial.cost < state.cost:
            return trial, max(damp * 0.1, 1e-9)
        damp *= 10.0
    return state, damp


def moved(poles: ComplexArray, delta: FloatArray) -> ComplexArray:
    """Poles after a step of (ln alpha, omega), kept within bounds that a linear step can be trusted in."""
    alpha, omega = -poles.real, poles.imag
    log_step = np.clip(delta[:, 0], -LARGEST_STEP[0], LARGEST_STEP[0])
    reach = LARGEST_STEP[1] * (alpha + 2.0 * np.pi * 0.3)
    omega = omega + np.clip(delta[:, 1], -reach, reach)
    alpha = np.clip(alpha * np.exp(log_step), 1e-2, 0.3 * np.abs(omega))
    return np.asarray(-alpha + 1j * np.maximum(omega, 1.0))
