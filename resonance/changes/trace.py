"""The fitted course of one mode, at its sets and between them, with its uncertainty.

Put-back scatter is taken out; settling, steps, weather, walk and moisture are in.
"""

from dataclasses import dataclass

import numpy as np

from resonance.changes.chapters import Chapter, air_cents
from resonance.changes.mixture import Fits, IntArray, Posterior, levels
from resonance.changes.settling import (
    Grid,
    drift_covariance,
    drift_variance,
    lagged,
    settling_shapes,
    step_shapes,
)
from resonance.changes.terms import Terms, Track, late_start
from resonance.sound.recording import FloatArray

POINTS = 24
CURVE_POINTS = 50


@dataclass(frozen=True, eq=False)
class Course:
    """Course in cents at `days` with its standard deviation, and settling's part of it from the first day."""

    days: FloatArray
    cents: FloatArray
    sd: FloatArray
    settling: FloatArray

    def part(self, which: slice) -> "Course":
        """Give the course at some of its days."""
        return Course(self.days[which], self.cents[which], self.sd[which], self.settling[which])


def curve_days(chapter: Chapter, track: Track, terms: Terms) -> tuple[FloatArray, FloatArray]:
    """Days to draw the course at, each step twice: array (n,), and which adjustments lie behind, (n, K)."""
    days = chapter.days[track.index]
    made = chapter.made[terms.first]
    inner = made[(made > days.min()) & (made < days.max())]
    plain = np.linspace(days.min(), days.max(), CURVE_POINTS)
    at = np.concatenate([plain, inner, inner])
    side = np.concatenate([np.zeros(plain.size), np.zeros(inner.size), np.ones(inner.size)])
    order = np.lexsort((side, at))
    at, side = at[order], side[order]
    after = (at[:, None] > made[None, :]) | ((at[:, None] == made[None, :]) & (side[:, None] == 1.0))
    return at, after.astype(float)


def course(
    fits: Fits,
    posterior: Posterior,
    terms: Terms,
    grid: Grid,
    chapter: Chapter,
    track: Track,
    days: FloatArray,
    after: FloatArray,
) -> Course:
    """Evaluate the course.

    Parameters
    ----------
    days : array (n,)   from the chapter's origin
    after : array (n, n_groups)   1 where the group of adjustments lies behind
    """
    columns = _columns(terms, grid, chapter, track, days, after)
    chosen = _representatives(posterior.weight)
    level, row = levels(fits, posterior, chosen)
    r, mean = posterior.points[0][chosen], posterior.mean[chosen][:, :, None]
    picked = fits.designs[posterior.points[1][chosen]]
    seen = np.moveaxis(fits.basis[:, picked], 0, 1)  # (k, n_sets, p)
    x = np.moveaxis(columns[:, picked], 0, 1)
    noise = r % len(grid.noises)
    cross = drift_covariance(days, chapter.days[track.index], grid)[noise]
    pull = cross @ fits.inverse[r]
    reach = (x - row[:, None, :]) - pull @ (seen - row[:, None, :])
    variance = np.sum((reach @ posterior.covariance[chosen]) * reach, axis=2)
    variance += (1.0 - pull.sum(2)) ** 2 * fits.level_variance[r][:, None]
    variance += drift_variance(days, grid)[noise] - np.sum(pull * cross, axis=2)
    rest = fits.y[None, :, None] - level[:, None, None] - seen @ mean
    middle = level[:, None] + (x @ mean + pull @ rest)[:, :, 0]
    settling = x[:, :, terms.settling] - seen[:, :1, terms.settling]
    return Course(
        days,
        middle.mean(0),
        np.sqrt(np.maximum(variance, 0.0).mean(0) + middle.var(0)),
        (settling * mean[:, terms.settling]).mean(0),
    )


def _representatives(weight: FloatArray) -> IntArray:
    """Points that stand for the mixture, each with the same weight."""
    edges = np.cumsum(weight)
    at = (np.arange(POINTS) + 0.5) / POINTS
    return np.minimum(np.searchsorted(edges, at), weight.size - 1)


def _columns(
    terms: Terms, grid: Grid, chapter: Chapter, track: Track, days: FloatArray, after: FloatArray
) -> FloatArray:
    """The basis at other days, its columns in the order of `terms.make_terms`."""
    made = chapter.made[terms.first]
    blocks = [*step_shapes(days[:, None] - made[None, :], after)]
    own = track.index[0]
    if terms.humidity is not None and chapter.humidity is not None:
        at = np.append(days, chapter.days[own])
        readings = lagged(chapter.days, chapter.humidity, grid.lags, at)
        blocks.append(readings[:-1] - readings[-1:])
    if terms.temperature is not None and chapter.temperature is not None:
        at = _between(chapter.days, chapter.temperature, days)
        first = chapter.temperature[own]
        shift = air_cents(np.append(first, at))[1:] if track.air else at - first
        blocks.append(shift[:, None])
    if terms.mass is not None and chapter.mass is not None:
        blocks.append(_between(chapter.days, chapter.mass, days)[:, None])
    blocks.append(settling_shapes(days))
    if terms.late is not None:
        blocks.append(np.maximum(days - late_start(chapter.days), 0.0)[:, None])
    return np.concatenate(blocks, axis=1)


def _between(days: FloatArray, values: FloatArray, at: FloatArray) -> FloatArray:
    order = np.argsort(days, kind="stable")
    return np.interp(at, days[order], values[order])
