"""One list of modes read in two tap sets, so that their difference is not one of two lists.

In a room, or where modes lie close, two sets settle on two lists, and a mode's neighbours on the list bias
it: at 12 dB of direct over reverberant sound by .3 to .9 Hz, from one set to the next, with nothing moved.
Here the list of the one set is held in the other: all its amplitudes are free, and every pole is read by
one step from where it stood in the first set (`pool`), the others free to step with it. What the room or a
missing neighbour does to a reading is then the same on both sides and falls out of the difference: .05 to
.15 Hz remain (source mark: simulation, 6 pairs of sets). A step is true for small movements only, so a mode
that moved surely is followed: its pole is put where the step ends and all are read once more.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan

import numpy as np

from resonance.modes.decays import Group, cut_groups, longest_decay
from resonance.modes.fit import State, evaluate
from resonance.modes.gains import mode_gains
from resonance.modes.pool import Pooled, damping_step, frequency_step, random_effects_of, tap_influence
from resonance.modes.ranges import search_of
from resonance.modes.select import FIRST_ERROR, Fit, decay_power, error_weights, price, row_weights
from resonance.modes.slices import fit_band_of, slices
from resonance.modes.start import band_poles
from resonance.modes.threads import in_one_thread
from resonance.sound.recording import ComplexArray, FloatArray, Take
from resonance.taps.tap import Tap

ROUNDS = 8
SURELY = 3.0  # standard uncertainties of a step by which a mode is followed ...
FAR = 0.05  # ... if it is this much of its half bandwidth
LONGEST_STEP = (0.8, 0.4)  # of half bandwidths, and of ln damping
WIDEST = 0.2  # damping ratio


@dataclass(frozen=True)
class Followed:
    """One mode of a list, as a tap set reads it.

    Parameters
    ----------
    frequency, frequency_u, frequency_dof : float, Hz
    damping, log_damping_u : float   damping ratio, and the standard uncertainty of its logarithm
    shown : bool   whether this set's taps show it: it is worth its price there
    """

    frequency: float
    frequency_u: float = nan
    frequency_dof: float = nan
    damping: float = nan
    log_damping_u: float = nan
    shown: bool = False


@in_one_thread
def follow(
    takes: Sequence[Take],
    taps: Sequence[Tap],
    fitted: Sequence[tuple[float, float]],
    *,
    band: tuple[float, float],
    family: str = "violin",
    piece: str = "whole",
) -> tuple[Followed | None, ...]:
    """Read a list of modes in a tap set.

    Parameters
    ----------
    takes, taps : the set to read them in
    fitted : sequence of (frequency in Hz, damping ratio)   the whole list of a fit (`ModesResult.fitted`) of
        this set or another of the same instrument
    band, family, piece : as the list was found

    Returns
    -------
    tuple, as long as `fitted`   None outside the band, or where the set has no decay to read
    """
    search = search_of(family, piece)
    longest = longest_decay(takes, taps, search)
    read: list[Followed | None] = [None] * len(fitted)
    if longest < search.shortest or not fitted:
        return tuple(read)
    frequency, damping = np.array(fitted, float).T
    for part in slices(band, longest):
        fit_band = fit_band_of(part, takes, longest)
        groups = cut_groups(takes, taps, search=search, fit_band=fit_band, longest=longest)
        near = np.flatnonzero((frequency > fit_band[0] - 60.0) & (frequency < fit_band[1] + 60.0))
        if not groups or not near.size:
            continue
        own = _read(groups, band_poles(frequency[near], damping[near]))
        for index, one in zip(near, own, strict=True):
            if part[0] <= frequency[index] < part[1]:
                read[index] = one
    return tuple(read)


def _read(groups: Sequence[Group], poles: ComplexArray) -> list[Followed]:
    """Read poles in some groups, following those that moved surely."""
    taps = tuple(np.ones(len(g.taps)) for g in groups)
    roots = tuple(row_weights(np.maximum(g.noise + FIRST_ERROR * decay_power(g), g.floor)) for g in groups)
    for _ in range(ROUNDS):
        roots, taps = error_weights(groups, evaluate(groups, poles, roots, taps), roots, taps)
        state = evaluate(groups, poles, roots, taps)
        steps, log_steps = _steps(groups, Fit(state, roots, taps))
        moved = _moved(poles, steps, log_steps)
        if moved is None:
            break
        poles = moved
    return _followed(state, taps, steps, log_steps)


def _steps(groups: Sequence[Group], fit: Fit) -> tuple[list[Pooled], list[Pooled]]:
    """Steps in frequency, Hz, and in ln damping ratio."""
    influence = tap_influence(groups, fit)
    poles = fit.state.poles
    return (
        [random_effects_of(influence, i, frequency_step(s)) for i, s in enumerate(poles)],
        [random_effects_of(influence, i, damping_step(s)) for i, s in enumerate(poles)],
    )


def _moved(poles: ComplexArray, steps: list[Pooled], log_steps: list[Pooled]) -> ComplexArray | None:
    """Put poles that moved surely where their step ends; None where none did."""
    frequency, damping = _numbers(poles)
    half = np.maximum(damping * frequency, 0.15)
    step = np.array([one.shift for one in steps])
    surely = np.abs(step) > np.maximum(SURELY * np.array([one.u for one in steps]), FAR * half)
    if not surely.any():
        return None
    log_step = np.clip([one.shift for one in log_steps], -LONGEST_STEP[1], LONGEST_STEP[1])
    frequency = frequency + np.where(
        surely, np.clip(step, -LONGEST_STEP[0] * half, LONGEST_STEP[0] * half), 0
    )
    damping = np.clip(damping * np.exp(np.where(surely, log_step, 0.0)), 1e-6, WIDEST)
    return band_poles(frequency, damping)


def _followed(
    state: State, tap_weights: Sequence[FloatArray], steps: list[Pooled], log_steps: list[Pooled]
) -> list[Followed]:
    frequency, damping = _numbers(state.poles)
    shown = mode_gains(state, tap_weights) > price(sum(len(w) for w in tap_weights))
    return [
        Followed(
            float(f + step.shift),
            step.u,
            step.dof,
            float(z * np.exp(np.clip(log_step.shift, -0.5, 0.5))),
            log_step.u,
            bool(there),
        )
        for f, z, step, log_step, there in zip(frequency, damping, steps, log_steps, shown, strict=True)
    ]


def _numbers(poles: ComplexArray) -> tuple[FloatArray, FloatArray]:
    return np.abs(poles) / (2.0 * np.pi), -poles.real / np.abs(poles)
