"""Resonances that the residual of a fit still shows: lines matched at every bin, the best asked exactly.

Nothing fainter than `FAINTEST_DB` is sought: below it a real body's small departures from a sum of
exponentials would be called modes without end.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from resonance.modes.decays import Group
from resonance.modes.fit import State, bin_power, line_powers
from resonance.modes.gains import Drifting, drifting, exact_gain
from resonance.sound.recording import ComplexArray, FloatArray

CANDIDATE_DAMPING = (0.0004, 0.0015, 0.005, 0.012, 0.028)
REACH_BINS = 24  # bins either side over which a candidate's line is matched
ADD_AT_ONCE = 8
FAINTEST_DB = -42.0  # a residual line this far below the strongest body mode is not sought


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
