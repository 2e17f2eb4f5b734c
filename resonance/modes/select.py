"""Which modes the taps show: error level, adding what the residual asks for, dropping what does not pay.

A mode must lower the whitened sum of squares by more than noise alone would at the best of all places in
the band: the chi-square price of its 2 K + 2 numbers (K taps) at a chance of `CHANCE`. The error of a bin
is noise plus a share epsilon of the decay's own power, set per sub-band so that the typical residual is as
large as it should be.

Adding and dropping judge by one and the same number (`gains`), so that what was added stays unless something
better comes; the list ends where the residual asks for no more (`candidates`).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from resonance.modes.candidates import candidate_lines, candidates
from resonance.modes.decays import Group
from resonance.modes.fit import Projection, State, bin_power, evaluate, refine
from resonance.modes.gains import mode_gains, pole_covariance
from resonance.sound.recording import ComplexArray, FloatArray

CHANCE = 1e-9
SUB_BAND = 160.0  # Hz, width over which one error level holds
SMOOTH = 12.0  # Hz, width over which the decay's own power is smoothed
FIRST_ERROR = 3e-4  # share of the decay's power taken as error before the residual tells
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


def select_modes(groups: Sequence[Group], poles: ComplexArray, *, body_damping: float = 0.0) -> Fit:
    """Settle the list of modes: refine, weigh, drop, add, until nothing changes.

    Parameters
    ----------
    poles : array (n,)   first guess
    body_damping : float   damping ratio from which a mode counts among those that `FAINTEST_DB` is reckoned
        from, so that a ringing string does not hide the body
    """
    tap_weights: tuple[FloatArray, ...] = tuple(np.ones(len(g.taps)) for g in groups)
    roots = tuple(row_weights(np.maximum(g.noise + FIRST_ERROR * decay_power(g), g.floor)) for g in groups)
    state = refine(groups, evaluate(groups, poles, roots, tap_weights), roots, tap_weights, steps=2)
    cost = price(sum(len(g.taps) for g in groups))
    lines = [candidate_lines(group) for group in groups]
    settled = False
    for _ in range(ADDINGS):
        state, roots, tap_weights, settled = _pruned(groups, state, roots, tap_weights, cost)
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
