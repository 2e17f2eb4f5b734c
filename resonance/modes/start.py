"""First guess of the poles: a shift-invariant subspace of the joint Hankel covariance, at many orders.

The decays are moved down by the middle of the band, filtered by a short FIR of which only the valid part is
kept and thinned: a sum of exponentials stays one. All taps share one covariance. Poles seen at many orders
are kept (ESPRIT: Roy and Kailath 1989, IEEE Trans. ASSP 37, 984, from memory).
"""

from collections.abc import Sequence

import numpy as np

from resonance.modes.decays import Group
from resonance.sound.recording import ComplexArray, FloatArray

TRANSITION = 300.0  # Hz between the pass band and the stop band
WINDOW = 220  # rows of the Hankel matrix at most
ORDERS = (20, 30, 40, 50, 60, 70)
SEEN = 0.4  # share of the orders in which a pole must appear


def start_poles(groups: Sequence[Group], band: tuple[float, float]) -> ComplexArray:
    """Poles s = -alpha + i omega (rad/s) with a frequency inside `band`, by rising frequency."""
    rate = groups[0].sample_rate
    thinned = [_thin(group, band) for group in groups if group.sample_rate == rate]
    step = thinned[0][1]
    covariance = _covariance([segments for segments, _, _ in thinned])
    rows = covariance.shape[0]
    orders = [n for n in ORDERS if n <= rows // 3] or [max(1, rows // 3)]
    centre = 2.0 * np.pi * 0.5 * (band[0] + band[1])
    found = [np.asarray(np.log(z) * rate / step + 1j * centre) for z in _poles_at_orders(covariance, orders)]
    return _cluster(found, band)


def _thin(group: Group, band: tuple[float, float]) -> tuple[ComplexArray, int, float]:
    """Segments moved down by the band's middle, low-passed (valid part only) and thinned."""
    import scipy

    rate = group.sample_rate
    half = 0.5 * (band[1] - band[0])
    step = max(1, int(rate / (2.2 * (half + TRANSITION))))
    time = np.arange(group.n) / rate
    moved = group.segments * np.exp(-2j * np.pi * 0.5 * (band[0] + band[1]) * time)
    if step == 1:
        return moved, 1, rate
    n_taps = int(np.ceil(3.3 * rate / TRANSITION)) | 1
    taps = scipy.signal.firwin(n_taps, half + 0.5 * TRANSITION, fs=rate)
    low = scipy.signal.oaconvolve(moved, taps[None, :], mode="valid", axes=1)
    return np.ascontiguousarray(low[:, ::step]), step, rate / step


def _covariance(stacks: list[ComplexArray]) -> ComplexArray:
    """Joint covariance of the Hankel matrices of all segments, each tap scaled to the same strength."""
    shortest = min(stack.shape[1] for stack in stacks)
    rows = int(min(WINDOW, max(4, shortest // 2)))
    return np.asarray(sum(hankel_covariance(_level(stack), rows) for stack in stacks))


def _level(stack: ComplexArray) -> ComplexArray:
    power = np.mean(np.abs(stack) ** 2, axis=1, keepdims=True)
    return np.asarray(stack / np.sqrt(np.where(power > 0.0, power, 1.0)))


def hankel_covariance(segments: ComplexArray, rows: int) -> ComplexArray:
    """Sum over the segments of H H^*, where H[i, t] = x[i + t] has `rows` rows and fits the segment.

    Along a diagonal, R[i + 1, j + 1] = R[i, j] + x[i + n] x*[j + n] - x[i] x*[j] with n columns in H, so that
    only the first row is summed in full.
    """
    columns = segments.shape[1] - rows + 1
    windows = np.lib.stride_tricks.sliding_window_view(segments.conj(), columns, axis=1)
    covariance = np.empty((rows, rows), complex)
    covariance[0] = np.einsum("kt,kjt->j", segments[:, :columns], windows)
    early, late = segments[:, : rows - 1], segments[:, columns : columns + rows - 1]
    growth = late.T @ late.conj() - early.T @ early.conj()
    for i in range(1, rows):
        covariance[i, i:] = covariance[i - 1, i - 1 : -1] + growth[i - 1, i - 1 :]
        covariance[i, :i] = covariance[:i, i].conj()
    return covariance


def _poles_at_orders(covariance: ComplexArray, orders: Sequence[int]) -> list[ComplexArray]:
    """Discrete poles at each order; the least-squares shift has a closed form from the last row."""
    import scipy

    rows = covariance.shape[0]
    top = max(orders)
    _, vectors = scipy.linalg.eigh(covariance, subset_by_index=(rows - top, rows - 1))
    signal = vectors[:, ::-1]
    shift = signal[:-1].conj().T @ signal[1:]
    last = signal[-1]
    found: list[ComplexArray] = []
    for n in orders:
        row = last[:n]
        left = float(1.0 - np.sum(np.abs(row) ** 2))
        correction = np.outer(row.conj(), row @ shift[:n, :n]) / max(left, 1e-9)
        found.append(np.asarray(np.linalg.eigvals(shift[:n, :n] + correction), complex))
    return found


def _cluster(found: list[ComplexArray], band: tuple[float, float]) -> ComplexArray:
    """Merge the poles of all orders; keep those seen in a share of them, at their median."""
    poles = np.concatenate(found)
    order = np.concatenate([np.full(p.size, i) for i, p in enumerate(found)])
    frequency, alpha = np.abs(poles) / (2 * np.pi), -poles.real
    good = (frequency > band[0]) & (frequency < band[1]) & (poles.imag > 0) & (alpha > 0.02)
    good &= alpha < 0.2 * np.abs(poles)
    poles, order, alpha = poles[good], order[good], alpha[good]
    kept: list[complex] = []
    free = np.ones(poles.size, bool)
    for i in np.argsort(alpha):
        if not free[i]:
            continue
        reach = 0.35 * alpha[i] + 2.0 * np.pi * 0.25
        near = free & (np.abs(poles.imag - poles[i].imag) < reach)
        near &= np.abs(np.log(alpha / alpha[i])) < 0.7
        if np.unique(order[near]).size >= SEEN * len(found):
            kept.append(complex(np.median(poles.real[near]), np.median(poles.imag[near])))
            free[near] = False
    return np.array(sorted(kept, key=lambda s: s.imag), complex)


def band_poles(frequencies: FloatArray, damping: FloatArray) -> ComplexArray:
    """Poles from frequencies |s| / 2 pi (Hz) and damping ratios."""
    size = 2.0 * np.pi * np.asarray(frequencies, float)
    return np.asarray(size * (-np.asarray(damping) + 1j * np.sqrt(1.0 - np.asarray(damping) ** 2)))
