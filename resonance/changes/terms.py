"""The terms of the history model for one mode: basis columns, designs, priors and covariances."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from math import isfinite, log, nan

import numpy as np
from numpy.typing import NDArray

from resonance.changes.chapters import Chapter, air_cents
from resonance.changes.mixture import IntArray, Prior
from resonance.changes.settling import (
    AIR_HUMIDITY_PRIOR,
    AIR_PRIOR,
    AIR_UNKNOWN_CENTS,
    HUMIDITY_PRIOR,
    LATE_SD,
    RESTARTS,
    SETTLING_SD,
    STEP_SD,
    TEMPERATURE_PRIOR,
    TIME_CONSTANTS,
    Grid,
    drift_covariance,
    lagged,
    settling_shapes,
    step_shapes,
)
from resonance.modes.mode import Mode
from resonance.sound.recording import FloatArray
from resonance.units import cents

N_LAWS = TIME_CONSTANTS.size + 1
FEWEST_FOR_LATE = 6
LATE_SETS, LATE_DAYS, LATE_SHARE = 5, 10.0, 1.0 / 3.0
SUSPECT_FACTOR = 5.0
# Cents a gram: -2 cents a percent over 0.46 g a percent (0.164 % of 280 g of wood), for a body of 440 g
MASS_PRIOR, MASS_REFERENCE_G = (-4.3, 4.3), 440.0
UNTOUCHED_SHARE = 0.7  # of the put-back variance that an untouched repeat has in common with its first set


@dataclass(frozen=True, eq=False)
class Track:
    """One mode's readings in a chapter.

    Parameters
    ----------
    track, label : str or None;  air : bool
    index : int array (n,)   into the chapter's sets
    modes : tuple of Mode (n,)
    cents : array (n,)   from the first reading
    own_variance : array (n,), cents squared   of the readings themselves
    """

    track: str | None
    label: str | None
    air: bool
    index: NDArray[np.intp]
    modes: tuple[Mode, ...]
    cents: FloatArray
    own_variance: FloatArray


@dataclass(frozen=True, eq=False)
class Terms:
    """The model of one mode: what `mixture.fit_all` needs, and where each coefficient stands.

    Parameters
    ----------
    basis : array (n, m);  designs : int array (D, p);  prior : Prior
    groups : tuple of tuples of int   adjustments of the chapter that one step coefficient stands for
    first : int array (n_groups,)   the first adjustment of each group
    steps : slice   of the coefficients;  settling : int;  humidity, temperature, mass, late : int or None
    """

    basis: FloatArray
    designs: IntArray
    prior: Prior
    groups: tuple[tuple[int, ...], ...]
    first: IntArray
    steps: slice
    humidity: int | None
    temperature: int | None
    mass: int | None
    settling: int
    late: int | None


def make_track(track: str | None, found: Sequence[tuple[int, Mode]], *, air: bool) -> Track:
    """Gather one mode's readings: pairs of (index of the set, mode)."""
    modes = tuple(mode for _, mode in found)
    labels = [m.label for m in reversed(modes) if m.label and m.labelled_by == "maker"]
    labels += [m.label for m in reversed(modes) if m.label]
    return Track(
        track=track,
        label=labels[0] if labels else None,
        air=air,
        index=np.array([index for index, _ in found]),
        modes=modes,
        cents=np.asarray(cents([m.frequency for m in modes], modes[0].frequency)),
        own_variance=np.array([_own_variance(m) for m in modes]),
    )


def _own_variance(mode: Mode) -> float:
    """Variance of a reading in cents squared, few degrees of freedom paid for (variance of Student's t)."""
    if not isfinite(mode.frequency_u):
        return 0.0
    dof = mode.frequency_dof
    wider = dof / (dof - 2.0) if isfinite(dof) and dof > 2.5 else (5.0 if isfinite(dof) else 1.0)
    return wider * float(1200.0 / log(2.0) * mode.frequency_u / mode.frequency) ** 2


def late_start(days: FloatArray) -> float:
    """Day a late slope starts: fifth set from the end, ten days and a third of the span back; or NaN."""
    ranked = np.unique(days)
    if ranked.size < FEWEST_FOR_LATE:
        return nan
    back = max(LATE_DAYS, LATE_SHARE * float(ranked[-1] - ranked[0]))
    start = min(float(ranked[-LATE_SETS]), float(ranked[-1]) - back)
    return start if start > ranked[0] else nan


def groups_of(after: FloatArray) -> tuple[tuple[int, ...], ...]:
    """Adjustments with the same sets before and after belong together; without either they are left out."""
    found: dict[tuple[float, ...], list[int]] = {}
    for k in range(after.shape[1]):
        if 0.0 < after[:, k].sum() < after.shape[0]:
            found.setdefault(tuple(after[:, k]), []).append(k)
    return tuple(tuple(members) for members in found.values())


def make_terms(chapter: Chapter, track: Track, grid: Grid) -> Terms:
    """Lay out the columns of one mode.

    Coefficients: one step a group of adjustments, humidity, temperature, mass, settling, late slope; those
    whose column cannot be had are absent.
    """
    days = chapter.days[track.index]
    groups = groups_of(chapter.after[track.index])
    first = np.array([members[0] for members in groups], dtype=np.intp)
    shapes = step_shapes(days[:, None] - chapter.made[first], chapter.after[np.ix_(track.index, first)])
    weather, priors = _weather(chapter, track, grid, days)
    blocks = [*shapes, *weather, settling_shapes(days)]
    bend = late_start(chapter.days)
    late = bool(bend < days.max())
    if late:
        blocks.append(np.maximum(days - bend, 0.0)[:, None])
    starts = np.cumsum([0, *(block.shape[1] for block in blocks)])
    n_groups, n_restarts, n_lags = len(groups), len(RESTARTS), len(grid.lags)
    after_steps = [int(start) for start in starts[n_restarts:]]
    designs = [
        [
            *range(starts[r], starts[r] + n_groups),
            *(
                start + (lag if kind == "humidity" else 0)
                for kind, start in zip(priors, after_steps, strict=False)
            ),
            after_steps[len(priors)] + law,
            *([after_steps[len(priors) + 1]] if late else []),
        ]
        for law, r, lag in product(range(N_LAWS), range(n_restarts), range(n_lags))
    ]
    place = {kind: n_groups + i for i, kind in enumerate(priors)}
    settling = n_groups + len(priors)
    known = [*[(0.0, STEP_SD)] * n_groups, *priors.values(), (0.0, SETTLING_SD), *[(0.0, LATE_SD)] * late]
    variants = np.ones((len(grid.scales), len(known)))
    variants[:, settling] = [a for a, _ in grid.scales]
    if late:
        variants[:, settling + 1] = [b for _, b in grid.scales]
    return Terms(
        basis=np.concatenate(blocks, axis=1),
        designs=np.array(designs, dtype=np.intp),
        prior=Prior(np.array([m for m, _ in known]), np.array([sd for _, sd in known]), variants),
        groups=groups,
        first=first,
        steps=slice(0, n_groups),
        humidity=place.get("humidity"),
        temperature=place.get("temperature"),
        mass=place.get("mass"),
        settling=settling,
        late=settling + 1 if late else None,
    )


def _weather(
    chapter: Chapter, track: Track, grid: Grid, days: FloatArray
) -> tuple[list[FloatArray], dict[str, tuple[float, float]]]:
    """Columns for humidity (one a lag), temperature and mass, and (mean, sd) of each coefficient."""
    blocks: list[FloatArray] = []
    priors: dict[str, tuple[float, float]] = {}
    if chapter.humidity is not None:
        readings = lagged(chapter.days, chapter.humidity, grid.lags, days)
        blocks.append(readings - readings[:1])
        priors["humidity"] = AIR_HUMIDITY_PRIOR if track.air else HUMIDITY_PRIOR
    if chapter.temperature is not None:
        degrees = chapter.temperature[track.index]
        blocks.append(air_cents(degrees)[:, None] if track.air else (degrees - degrees[0])[:, None])
        priors["temperature"] = AIR_PRIOR if track.air else TEMPERATURE_PRIOR
    if chapter.mass is not None:
        typical = float(np.nanmedian([s.conditions.mass_g for s in chapter.sets]))
        factor = MASS_REFERENCE_G / typical
        blocks.append(chapter.mass[track.index][:, None])
        priors["mass"] = (MASS_PRIOR[0] * factor, MASS_PRIOR[1] * factor)
    return blocks, priors


def covariances(
    chapter: Chapter,
    track: Track,
    grid: Grid,
    *,
    suspects: Sequence[int] = (),
    untouched_share: float = UNTOUCHED_SHARE,
) -> FloatArray:
    """Covariance of one mode's readings for each scatter and noise; array (S * N, n, n), cents squared.

    Parameters
    ----------
    suspects : indices of the chapter's sets whose scatter counts five-fold
    untouched_share : float   of the put-back variance that sets standing untouched have in common
    """
    days = chapter.days[track.index]
    n = days.size
    place = chapter.placements[track.index]
    together = untouched_share * (place[:, None] == place[None, :]) + (1.0 - untouched_share) * np.eye(n)
    factor = np.where(np.isin(track.index, np.asarray(suspects, int)), SUSPECT_FACTOR, 1.0)
    scatter = grid.scatters[:, None, None] ** 2 * together * factor[:, None] * factor[None, :]
    own = np.diag(track.own_variance + _air_unknown(chapter, track))
    drift = drift_covariance(days, days, grid)
    total = scatter[:, None] + drift[None] + own + 1e-6 * np.eye(n)
    return np.asarray(total.reshape(-1, n, n))


def _air_unknown(chapter: Chapter, track: Track) -> float:
    return AIR_UNKNOWN_CENTS**2 if track.air and chapter.temperature is None else 0.0
