"""How far a mode moves when the fit begins later: what is no sum of exponentials shows there.

A sum of exponentials stays one whenever it is looked at. A room, an echo, a level-dependent frequency or a
second decay under the first do not.

Not seen so: a single strong echo (10 to 20 % of the sound, 10 to 70 ms late). The list grows by damped modes
until it fits the echo as well, nothing moves, and the interval is too short.
"""

from collections.abc import Callable, Sequence

import numpy as np

from resonance.modes.decays import Group
from resonance.modes.fit import evaluate, refine
from resonance.modes.gains import pole_covariance
from resonance.modes.room import BENT_AT_LEAST, BENT_SIGMAS
from resonance.modes.select import Fit
from resonance.sound.recording import FloatArray

LATER = (0.010, 0.025, 0.050)  # s, later starts
BELIEVED = 0.25  # half bandwidths, and of ln damping: a later fit that knows a mode less well tells nothing


def late_movement(groups: Sequence[Group], fit: Fit, recut: Callable[[float], Sequence[Group]]) -> FloatArray:
    """How far frequency (Hz) and ln damping move when the fit begins later, beyond noise, and whether surely.

    Parameters
    ----------
    recut : callable   the groups again, begun so many seconds later

    Returns
    -------
    array (n_modes, 3)
    """
    poles = fit.state.poles
    alpha, longest = -poles.real, max(group.duration for group in groups)
    unit = np.stack([np.maximum(alpha, 2.0 / longest), np.ones(poles.size)], axis=1)
    enough = BENT_AT_LEAST * np.stack([alpha, np.ones(poles.size)], axis=1)
    spread, counted, bent = np.zeros((poles.size, 2)), np.zeros((poles.size, 2)), np.zeros(poles.size)
    for delay in LATER:
        later = recut(delay)
        if [g.taps for g in later] != [g.taps for g in groups]:
            continue
        moved, u = _moved(groups, fit, later)
        told = u < BELIEVED * unit
        bent = np.maximum(bent, (told & (np.abs(moved) > np.maximum(BENT_SIGMAS * u, enough))).any(axis=1))
        spread += np.where(told, np.maximum(moved**2 - u**2, 0.0), 0.0)
        counted += told
    terms = np.sqrt(spread / np.maximum(counted, 1)) / np.array([2.0 * np.pi, 1.0])
    return np.concatenate([terms, bent[:, None]], axis=1)


def _moved(groups: Sequence[Group], fit: Fit, later: Sequence[Group]) -> tuple[FloatArray, FloatArray]:
    """Movement of (|s|, ln alpha) in a later fit, and what noise may make of it, each (n_modes, 2).

    The latter is the root of twice the later fit's variance, so that chance alone seldom counts.
    """
    poles = fit.state.poles
    roots = tuple(
        np.interp(g.frequencies, old.frequencies, w)
        for g, old, w in zip(later, groups, fit.root_weights, strict=True)
    )
    state = evaluate(later, poles, roots, fit.tap_weights)
    state = refine(later, state, roots, fit.tap_weights, steps=4, tolerance=0.1)
    u = np.sqrt(2.0 * np.diag(pole_covariance(state, fit.tap_weights))).reshape(-1, 2)[:, ::-1]
    moved = np.stack([np.abs(state.poles) - np.abs(poles), np.log(state.poles.real / poles.real)], axis=1)
    return moved, np.asarray(u)
