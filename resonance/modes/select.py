"""Which modes the taps show: error level, adding what the residual asks for, dropping what does not pay.

A mode must lower the whitened sum of squares by more than noise alone would at the best of all places in
the band: the chi-square price of its 2 K + 2 numbers (K taps) at a chance of `CHANCE`. The error of a bin
is noise plus a share epsilon of the decay's own power, set per sub-band so that the typical residual is as
large as it should be. Every mode may drift a little from tap to tap: what such a drift of known modes
explains counts neither for a new mode nor for a twin.

Adding and dropping judge by one and the same number, the gain of a mode's amplitudes beside the others and
their drift, so that what was added stays unless something better comes; the list ends where the residual
asks for no more. Nothing fainter than `FAINTEST_DB` is sought: below it a real body's small departures from
a sum of exponentials would be called modes without end.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from resonance.modes.decays import Group
from resonance.modes.fit import (
    Projection,
    State,
    cholesky,
    evaluate,
    joint_hessian,
    line_powers,
    normal_equations,
    real_columns,
    refine,
    solve,
    transform,
)
from resonance.sound.recording import ComplexArray, FloatArray

CHANCE = 1e-9
SUB_BAND = 160.0  # Hz, width over which one error level holds
SMOOTH = 12.0  # Hz, width over which the decay's own power is smoothed
FIRST_ERROR = 3e-4  # share of the decay's power taken as error before the residual tells
CANDIDATE_DAMPING = (0.0004, 0.0015, 0.005, 0.012, 0.028)
REACH_BINS = 24  # bins either side over which a candidate's line is matched
ADD_AT_ONCE = 8
FAINTEST_DB = -42.0  # a residual line this far below the strongest body mode is not sought
BEYOND = 60.0  # Hz outside the bins where a mode may still stand, which describes what leaks in
LARGEST_RATIO = 0.25  # of damping; above it nothing rings
ADDINGS = 24  # a guard: lists settle in fewer
DROPPINGS = 8
ROUGHLY = 0.05  # of a mode's price: what a step must gain while the list is not settled


@dataclass(frozen=True, eq=False)
class Fit:
    """A fit: poles, projections, the weights it was made with, and whether the list of modes came to rest."""

    state: State
    root_weights: tuple[FloatArray, ...]
    tap_weights: tuple[FloatArray, ...]
    settled: bool = True


def price(n_taps: int) -> float:
    """Chi-square that a mode's numbers must gain to be believed."""
    import scipy

    return float(scipy.stats.chi2.isf(CHANCE, 2 * n_taps + 2))


def select_modes(
    groups: Sequence[Group], poles: ComplexArray, *, growing: bool = True, body_damping: float = 0.0
) -> Fit:
    """Settle the list of modes: refine, weigh, drop, add, until nothing changes.

    Parameters
    ----------
    poles : array (n,)   first guess
    growing : bool   False keeps to the given list (but still drops what does not pay)
    body_damping : float   damping ratio from which a mode counts among those that `FAINTEST_DB` is reckoned
        from, so that a ringing string does not hide the body
    """
    tap_weights: tuple[FloatArray, ...] = tuple(np.ones(len(g.taps)) for g in groups)
    roots = tuple(row_weights(np.maximum(g.noise + FIRST_ERROR * decay_power(g), g.floor)) for g in groups)
    state = refine(groups, evaluate(groups, poles, roots, tap_weights), roots, tap_weights, steps=2)
    cost = price(sum(len(g.taps) for g in groups))
    lines = [candidate_lines(group) for group in groups] if growing else []
    settled = False
    for _ in range(ADDINGS if growing else 1):
        state, roots, tap_weights, settled = _pruned(groups, state, roots, tap_weights, cost)
        if not growing:
            break
        new = candidates(groups, state, roots, tap_weights, cost, lines=lines, body_damping=body_damping)
        if not new.size:
            break
        state = evaluate(groups, np.append(state.poles, new), roots, tap_weights)
        state = refine(groups, state, roots, tap_weights, steps=3, tolerance=ROUGHLY * cost)
        settled = False
    state = refine(groups, state, roots, tap_weights, steps=12, tolerance=0.003)
    return Fit(state, roots, tap_weights, settled)


def _pruned(
    groups: Sequence[Group],
    state: State,
    roots: tuple[FloatArray, ...],
    tap_weights: tuple[FloatArray, ...],
    cost: float,
) -> tuple[State, tuple[FloatArray, ...], tuple[FloatArray, ...], bool]:
    """Weigh and drop until every mode pays; the last value tells whether it came to that."""
    for _ in range(DROPPINGS):
        roots, tap_weights = error_weights(groups, state, roots, tap_weights)
        state = evaluate(groups, state.poles, roots, tap_weights)
        kept = paying(groups, state, tap_weights, cost)
        if not kept.all():
            state = evaluate(groups, state.poles[kept], roots, tap_weights)
        state = refine(groups, state, roots, tap_weights, steps=3, tolerance=ROUGHLY * cost)
        if kept.all():
            return state, roots, tap_weights, True
    return state, roots, tap_weights, False


def row_weights(variance: FloatArray) -> FloatArray:
    """Root weights (n_bins,) under which the real and the imaginary part of a bin have variance 1 each.

    Parameters
    ----------
    variance : array (n_bins,)   expected squared size of the complex error
    """
    return np.asarray(np.sqrt(2.0 / variance))


def decay_power(group: Group) -> FloatArray:
    """Mean power of the group's decays, smoothed over a few hertz."""
    import scipy

    power = np.mean(np.abs(group.spectra) ** 2, axis=0)
    width = max(3, int(SMOOTH * group.duration) | 1)
    return np.asarray(scipy.ndimage.uniform_filter1d(power, width, mode="nearest"))


def bin_power(residuals: FloatArray, root_weight: FloatArray) -> FloatArray:
    """Power per tap and bin (n_taps, n_bins) of whitened residuals (n_taps, 2 n_bins), whitening undone."""
    half = root_weight.size
    return np.asarray((residuals[:, :half] ** 2 + residuals[:, half:] ** 2) / root_weight**2)


def residual_power(projection: Projection, root_weight: FloatArray) -> FloatArray:
    """Error power per tap and bin (n_taps, n_bins), unwhitened, corrected for what the fit absorbed."""
    half = root_weight.size
    free = np.maximum(2.0 - projection.leverage[:half] - projection.leverage[half:], 0.25)
    return np.asarray(bin_power(projection.residuals, root_weight) * 2.0 / free)


def error_weights(
    groups: Sequence[Group],
    state: State,
    roots: Sequence[FloatArray],
    tap_weights: Sequence[FloatArray],
) -> tuple[tuple[FloatArray, ...], tuple[FloatArray, ...]]:
    """New bin weights (root) and tap weights from the residuals of the present fit."""
    new_roots, new_weights = [], []
    for group, projection, root, weights in zip(groups, state.projections, roots, tap_weights, strict=True):
        power = residual_power(projection, root)
        level = np.mean(weights[:, None] * power, axis=0)
        variance = error_variance(group, level)
        new_roots.append(row_weights(variance))
        new_weights.append(1.0 / np.clip(np.median(power / variance, axis=1) / np.log(2.0), 0.03, 30.0))
    return tuple(new_roots), tuple(new_weights)


def error_variance(group: Group, level: FloatArray) -> FloatArray:
    """Noise plus the share of the decay's power, per sub-band, that makes the median residual right.

    A median, so that a mode still missing from the list does not raise the error level that hides it.
    """
    power = decay_power(group)
    target = 1.0 - 1.0 / (3.0 * len(group.taps))  # median over mean of a gamma variable of this shape
    first = group.frequencies[0]
    block = ((group.frequencies - first) // SUB_BAND).astype(int)
    centres: list[float] = []
    shares: list[float] = []
    scales: list[float] = []
    for b in np.unique(block):
        inside = block == b
        if inside.sum() < 8 and centres:
            continue
        share, scale = _error_share(level[inside], group.noise[inside], power[inside], target)
        centres.append(float(group.frequencies[inside].mean()))
        shares.append(share)
        scales.append(scale)
    error = np.interp(group.frequencies, centres, shares) * power
    noise = np.interp(group.frequencies, centres, scales) * group.noise
    return np.maximum(noise + error, group.floor)


def _error_share(
    level: FloatArray, noise: FloatArray, power: FloatArray, target: float
) -> tuple[float, float]:
    """Share of the decay's power that is error, and the scale of the noise where it was overstated.

    The share at which half of the bins lie above `target` times their error, and half below.
    """
    ratio = float(np.median(level / noise)) / target
    if ratio <= 1.0:
        return 0.0, max(ratio, 0.02)
    return float(np.median((level / target - noise) / power)), 1.0


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


def pole_covariance(state: State, tap_weights: Sequence[FloatArray]) -> FloatArray:
    """Covariance of (ln alpha, omega) of all modes from the curvature of the joint fit."""
    size = 2 * state.poles.size
    hessian = np.zeros((size, size))
    for projection, weights in zip(state.projections, tap_weights, strict=True):
        gram, factors, _ = normal_equations(projection, state.poles, weights)
        hessian += joint_hessian(gram, factors)
    root = np.sqrt(np.maximum(np.diag(hessian), 1e-30))
    return np.asarray(np.linalg.pinv(hessian / np.outer(root, root), hermitian=True) / np.outer(root, root))


def paying(
    groups: Sequence[Group], state: State, tap_weights: Sequence[FloatArray], cost: float
) -> NDArray[np.bool_]:
    """Which modes stay: worth their price, placed to within their width, not far outside the fitted band.

    Of several failing neighbours only the least goes at a time, since the others may then pay.
    """
    poles = state.poles
    if poles.size == 0:
        return np.zeros(0, bool)
    worth = mode_gains(state, tap_weights) / cost
    frequency = np.abs(poles) / (2.0 * np.pi)
    deviation = np.sqrt(np.diag(pole_covariance(state, tap_weights))[1::2])
    longest = max(group.duration for group in groups)
    vague = deviation / np.maximum(-poles.real, 1.0 / longest)
    worth = np.minimum(worth, 1.0 / np.maximum(vague, 1e-12))
    lowest, highest = groups[0].frequencies[[0, -1]]
    outside = (frequency < max(lowest - BEYOND, 0.5 * lowest)) | (frequency > highest + BEYOND)
    worth[outside | (-poles.real > LARGEST_RATIO * np.abs(poles))] = 0.0
    width = 2.0 * np.abs(poles.real[:, None] + poles.real[None, :]) + 2 * np.pi
    near = np.abs(poles.imag[:, None] - poles.imag[None, :]) < width
    least = worth <= np.where(near, worth[None, :], np.inf).min(axis=1)
    return np.asarray(~((worth < 1.0) & (least | (worth < 0.2))))


def candidates(
    groups: Sequence[Group],
    state: State,
    roots: Sequence[FloatArray],
    tap_weights: Sequence[FloatArray],
    cost: float,
    *,
    lines: Sequence[ComplexArray] | None = None,
    body_damping: float = 0.0,
) -> ComplexArray:
    """Poles of resonances that the residual still shows, the best first, each worth its price.

    Parameters
    ----------
    lines : sequence of array   `candidate_lines` of each group, made here when None
    """
    free = [drifting(projection) for projection in state.projections]
    loud = loud_bins(groups, state, free, roots, body_damping)
    lines = [candidate_lines(group) for group in groups] if lines is None else lines
    frequency, damping, gain = _match(groups, free, roots, tap_weights, lines, loud)
    chosen: list[complex] = []
    tried = 0
    for i in np.argsort(gain)[::-1]:
        if gain[i] < 0.5 * cost or len(chosen) == ADD_AT_ONCE or tried == 3 * ADD_AT_ONCE:
            break
        size = 2.0 * np.pi * frequency[i]
        pole = complex(-damping[i] * size, size * np.sqrt(1.0 - damping[i] ** 2))
        if any(abs(pole.imag - c.imag) < 2.0 * (abs(pole.real) + abs(c.real)) + 12.0 for c in chosen):
            continue
        tried += 1
        if exact_gain(groups, free, roots, tap_weights, pole) > cost:
            chosen.append(pole)
    return np.array(chosen, complex)


def loud_bins(
    groups: Sequence[Group],
    state: State,
    free: Sequence[Drifting],
    roots: Sequence[FloatArray],
    body_damping: float,
) -> NDArray[np.bool_]:
    """Bins of the first group where the residual is not too faint beside the strongest mode (n_bins,)."""
    grid = groups[0].frequencies
    counted = -state.poles.real >= body_damping * np.abs(state.poles)
    loud = np.zeros(grid.size, bool)
    for group, projection, drift, root in zip(groups, state.projections, free, roots, strict=True):
        strongest = np.max(line_powers(group, projection, state.poles), initial=0.0, where=counted)
        left = np.mean(bin_power(drift.residuals, root), axis=0)
        loud |= np.interp(grid, group.frequencies, left) > strongest * 10.0 ** (FAINTEST_DB / 10.0)
    return loud


def _match(
    groups: Sequence[Group],
    free: Sequence[Drifting],
    roots: Sequence[FloatArray],
    tap_weights: Sequence[FloatArray],
    lines: Sequence[ComplexArray],
    loud: NDArray[np.bool_],
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Gain of a line of each damping at each bin of the first group, other modes not refitted."""
    grid = groups[0].frequencies
    total = np.zeros((len(CANDIDATE_DAMPING), grid.size))
    for group, drift, root, weights, line in zip(groups, free, roots, tap_weights, lines, strict=True):
        half = root.size
        residual = drift.residuals[:, :half] + 1j * drift.residuals[:, half:]
        for j, gain in enumerate(line_gains(residual, root, weights, line)):
            total[j] += np.interp(grid, group.frequencies, gain)
    total[:, ~loud] = 0.0
    best = np.argmax(total, axis=0)
    gain = total[best, np.arange(grid.size)]
    peak = np.r_[True, gain[1:] >= gain[:-1]] & np.r_[gain[:-1] > gain[1:], True]
    return grid[peak], np.array(CANDIDATE_DAMPING)[best][peak], gain[peak]


def candidate_lines(group: Group) -> ComplexArray:
    """Lines of each damping at each bin, over a few bins either side (n_bins, n_offsets, n_dampings)."""
    h = min(REACH_BINS, (group.frequencies.size - 1) // 2)
    size = 2.0 * np.pi * group.frequencies
    turn = np.exp(-1j * np.arange(-h, h + 1) * 2.0 * np.pi / group.n)
    lines = []
    for damping in CANDIDATE_DAMPING:
        ratio = np.exp(-damping * size / group.sample_rate)[:, None] * turn[None, :]
        lines.append(-np.expm1(-damping * size * group.duration)[:, None] / (1.0 - ratio))
    return np.stack(lines, axis=2)


def line_gains(
    residual: ComplexArray, root: FloatArray, weights: FloatArray, lines: ComplexArray
) -> FloatArray:
    """Weighted gain of one complex line at every bin, for each damping (n_dampings, n_bins).

    Parameters
    ----------
    residual : array (n_taps, n_bins), whitened
    lines : array (n_bins, n_offsets, n_dampings)   `candidate_lines`
    """
    offsets = lines.shape[1]
    h = offsets // 2
    window = np.lib.stride_tricks.sliding_window_view
    seen = window(np.pad(residual * root, ((0, 0), (h, h))), offsets, axis=1).transpose(1, 0, 2)
    inner = np.matmul(seen, lines.conj())
    norm = np.einsum("bj,bjd->bd", window(np.pad(root**2, h), offsets), np.abs(lines) ** 2)
    return np.asarray((np.einsum("k,bkd->bd", weights, np.abs(inner) ** 2) / norm).T)


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
