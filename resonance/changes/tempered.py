"""Draws of standard normal unknowns given a likelihood, by tempering: the likelihood is let in bit by bit.

Draws from the prior are carried to the posterior in stages (Del Moral, Doucet & Jasra 2006, J. R. Statist.
Soc. B 68, 411, from memory): each raises the likelihood's power as far as half of the draws still carry the
weight, resamples, and moves every draw by random-walk Metropolis steps as wide as the draws themselves lie.
It needs no peak to start from, and several tops or a bent ridge do it no harm; importance sampling about the
likeliest point was left with a handful of draws there.
"""

from collections.abc import Callable

import numpy as np
import scipy
from numpy.typing import NDArray

from resonance.sound.recording import FloatArray

HALF = 0.5  # of the draws carry the weight after a stage
MOVES, LAST_MOVES = 5, 20  # a stage, and at the end
WIDTH = 2.38  # over the root of the dimension (Roberts, Gelman & Gilks 1997, from memory)
ACCEPTED = 0.25
LEAST_STEP = 1e-4  # of the likelihood's power

Level = Callable[[FloatArray], FloatArray]


def draw_tempered(likelihood: Level, size: int, *, n: int, rng: np.random.Generator) -> FloatArray:
    """Draw unknowns that are standard normal beforehand.

    Parameters
    ----------
    likelihood : function of points (m, size) giving the log likelihood (m,), up to a constant
    size : int   unknowns
    n : int   draws
    rng : Generator

    Returns
    -------
    array (n, size)
    """
    at = rng.standard_normal((n, size))
    level = likelihood(at)
    power = 0.0
    while power < 1.0:
        step = _step(level, 1.0 - power)
        power += step
        if power > 1.0 - 1e-9:
            power = 1.0
        picks = _resampled(scipy.special.softmax(step * level), rng)
        moves = MOVES if power < 1.0 else LAST_MOVES
        at, level = _moved(likelihood, at[picks], level[picks], power, moves, rng)
    return at


def _step(level: FloatArray, most: float) -> float:
    """How far the power may rise before fewer than half of the draws carry the weight."""

    def carried(step: float) -> float:
        weight = scipy.special.softmax(step * level)
        return float(1.0 / (weight**2).sum() / level.size)

    if carried(most) >= HALF:
        return most
    low, high = 0.0, most
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if carried(middle) >= HALF else (low, middle)
    return min(most, max(low, LEAST_STEP))


def _resampled(weight: FloatArray, rng: np.random.Generator) -> NDArray[np.intp]:
    steps = (np.arange(weight.size) + rng.random()) / weight.size
    return np.minimum(np.searchsorted(np.cumsum(weight), steps), weight.size - 1)


def _moved(
    likelihood: Level, at: FloatArray, level: FloatArray, power: float, moves: int, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """Metropolis steps of all draws; their width follows how many are taken."""
    n, size = at.shape
    root = np.linalg.cholesky(np.cov(at, rowvar=False).reshape(size, size) + 1e-9 * np.eye(size))
    width = WIDTH / np.sqrt(size)
    for _ in range(moves):
        trial = at + width * rng.standard_normal((n, size)) @ root.T
        there = likelihood(trial)
        rise = power * (there - level) + 0.5 * ((at**2).sum(axis=1) - (trial**2).sum(axis=1))
        taken = np.log(rng.random(n)) < rise
        at, level = np.where(taken[:, None], trial, at), np.where(taken, there, level)
        width *= float(np.exp(taken.mean() - ACCEPTED))
    return at, level
