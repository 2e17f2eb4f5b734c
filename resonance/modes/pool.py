"""One random-effects statement over the taps for each number of each mode.

The joint fit gives, for every tap k, its pull g_k on the shared poles and its share H_k of the curvature
H = sum H_k. In the metric of the joint fit the tap's own deviation of a number a'theta and its variance are

    d_k = a' H^-1 g_k / l_k,   v_k = a' H^-1 a / l_k,   l_k = a' H^-1 H_k H^-1 a / a' H^-1 a,   sum l_k = 1,

so that equal weights 1 / v_k give back the joint estimate exactly. The hand adds a variance tau^2 from tap to
tap (Paule and Mandel 1982, J. Res. NBS 87, 377); the pooled deviation and its uncertainty are those of
Hartung and Knapp (2001, Statist. Med. 20, 3875; both from memory), with a t distribution on the effective
number of taps less one.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan, sqrt

import numpy as np

from resonance.modes.decays import Group
from resonance.modes.fit import normal_equations, tap_hessian
from resonance.modes.select import Fit
from resonance.sound.recording import FloatArray


@dataclass(frozen=True)
class Pooled:
    """A pooled number: shift from the joint estimate, standard uncertainty, degrees of freedom, parts.

    Parameters
    ----------
    shift : float   to add to the joint estimate
    u, dof : float
    hand : float   standard deviation from tap to tap beyond the noise (tau)
    noise : float   typical standard deviation of one tap from noise alone
    """

    shift: float
    u: float
    dof: float
    hand: float
    noise: float


@dataclass(frozen=True, eq=False)
class Influence:
    """Every tap's pull on the shared poles.

    Parameters
    ----------
    taps : tuple of int   index of each tap in the set's list
    inverse : array (2 n_modes, 2 n_modes)   H^-1
    pulls : array (n_taps, 2 n_modes)   H^-1 g_k
    shares : array (n_taps, n_modes, 2, 2)   diagonal blocks of H^-1 H_k H^-1
    """

    taps: tuple[int, ...]
    inverse: FloatArray
    pulls: FloatArray
    shares: FloatArray


def tap_influence(groups: Sequence[Group], fit: Fit) -> Influence:
    """Pull and share of every tap, its channels together."""
    poles = fit.state.poles
    taps = tuple(sorted({tap for group in groups for tap in group.taps}))
    row = {tap: i for i, tap in enumerate(taps)}
    size = 2 * poles.size
    gradients, hessians = np.zeros((len(taps), size)), np.zeros((len(taps), size, size))
    for group, projection, weights in zip(groups, fit.state.projections, fit.tap_weights, strict=True):
        gram, factors, pulls = normal_equations(projection, poles, weights)
        for k, tap in enumerate(group.taps):
            gradients[row[tap]] += pulls[k]
            hessians[row[tap]] += tap_hessian(gram, factors[k])
    total = hessians.sum(axis=0)
    root = np.sqrt(np.maximum(np.diag(total), 1e-30))
    inverse = np.linalg.pinv(total / np.outer(root, root), hermitian=True) / np.outer(root, root)
    columns = inverse.reshape(size, poles.size, 2)
    half = np.einsum("imp,kij->kmpj", columns, hessians, optimize=True)
    shares = np.einsum("kmpj,jmq->kmpq", half, columns, optimize=True)
    return Influence(taps, inverse, gradients @ inverse, shares)


def pool_number(influence: Influence, mode: int, direction: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Deviations d_k and variances v_k of one number, direction (2,) over (ln alpha, omega) of a mode."""
    block = slice(2 * mode, 2 * mode + 2)
    total = float(direction @ influence.inverse[block, block] @ direction)
    part = np.einsum("p,kpq,q->k", direction, influence.shares[:, mode], direction) / max(total, 1e-300)
    part = np.maximum(part, 1e-6)
    return (influence.pulls[:, block] @ direction) / part, total / part


def frequency_step(pole: complex) -> FloatArray:
    """Direction (2,) of a pole's frequency |s| / 2 pi, Hz, over (ln alpha, omega)."""
    return np.array([pole.real**2, pole.imag]) / (2.0 * np.pi * abs(pole))


def damping_step(pole: complex) -> FloatArray:
    """Direction (2,) of the logarithm of a pole's damping ratio over (ln alpha, omega)."""
    size = abs(pole)
    return np.array([1.0 - pole.real**2 / size**2, -pole.imag / size**2])


def random_effects_of(influence: Influence, mode: int, direction: FloatArray) -> Pooled:
    """Pool one number of one mode over the taps."""
    return random_effects(*pool_number(influence, mode, direction))


def random_effects(deviations: FloatArray, variances: FloatArray) -> Pooled:
    """Pool the taps' deviations (n_taps,) with their noise variances under a common scatter tau.

    With one tap the curvature alone is left: degrees of freedom NaN.
    """
    k = deviations.size
    if k < 2:
        return Pooled(
            0.0, sqrt(float(variances[0])) if k else nan, nan, nan, sqrt(float(variances[0])) if k else nan
        )
    tau2 = paule_mandel(deviations, variances)
    weights = 1.0 / (variances + tau2)
    mean = float(np.sum(weights * deviations) / np.sum(weights))
    effective = float(np.sum(weights) ** 2 / np.sum(weights**2))
    spread = float(np.sum(weights * (deviations - mean) ** 2) / np.sum(weights))
    dof = max(effective - 1.0, 0.5)
    noise = sqrt(k / float(np.sum(1.0 / variances)))
    return Pooled(mean, sqrt(spread / max(k - 1.0, 1.0)), dof, sqrt(tau2), noise)


def paule_mandel(deviations: FloatArray, variances: FloatArray) -> float:
    """Between-tap variance tau^2 >= 0 at which the weighted sum of squares equals its expectation k - 1.

    By Newton's steps from 0: the sum falls with tau^2, ever less steeply, so that they come up to the root
    from below and never pass it (DerSimonian and Kacker 2007, Contemp. Clin. Trials 28, 105; from memory).
    """
    tau2 = 0.0
    for _ in range(60):
        weights = 1.0 / (variances + tau2)
        apart = deviations - weights @ deviations / weights.sum()
        excess = float(weights @ apart**2) - (deviations.size - 1)
        if excess <= 0.0:
            break
        step = excess / float(np.sum((weights * apart) ** 2))
        tau2 += step
        if step <= 1e-12 * tau2:
            break
    return tau2
