"""The fitted course of a mode over its readings, and what was noted along the way, to stand below.

The course is a line with a band, its 95 % interval; a step stands upright at the adjustment. The band holds
what is known of the course itself; single readings scatter about it by the put-back scatter.
"""

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from resonance.plots.style import FAINT, INK, NORMAL, SERIES, drawable
from resonance.sound.recording import FloatArray


@dataclass(frozen=True, eq=False)
class Fitted:
    """The fitted course of one mode.

    Parameters
    ----------
    positions : array (n,)   on the time axis; two points at one place make a step
    frequency, half_width : array (n,), Hz   half widths of 95 % intervals
    suspects : array (k,)   places of readings that were counted less
    """

    positions: FloatArray
    frequency: FloatArray
    half_width: FloatArray
    suspects: FloatArray


@dataclass(frozen=True, eq=False)
class Noted:
    """Something noted at each tap set, such as humidity: name, unit, places and values (NaN: not noted)."""

    text: str
    unit: str
    positions: FloatArray
    values: FloatArray


def draw_fitted(ax: Axes, fitted: Fitted, *, colour: str = SERIES[0][0]) -> Axes:
    """Draw the fitted course with its band; a ring marks a reading that was counted less."""
    low, high = fitted.frequency - fitted.half_width, fitted.frequency + fitted.half_width
    ax.fill_between(fitted.positions, low, high, color=colour, alpha=0.16, linewidth=0.0, zorder=2)
    ax.plot(fitted.positions, fitted.frequency, color=colour, linewidth=1.3, zorder=3)
    ax.plot(
        fitted.suspects,
        np.full(len(fitted.suspects), 0.9),
        linestyle="",
        marker="o",
        markersize=7.0,
        markerfacecolor="none",
        color=INK,
        transform=ax.get_xaxis_transform(),
    )
    return ax


def draw_noted(ax: Axes, noted: Noted) -> Axes:
    """Draw what was noted as dots joined by a thin line, in its own panel."""
    seen = np.isfinite(noted.values)
    ax.plot(
        noted.positions[seen],
        noted.values[seen],
        color=FAINT,
        linewidth=0.8,
        marker="o",
        markersize=3.2,
        markerfacecolor="white",
    )
    low, high = float(np.min(noted.values[seen])), float(np.max(noted.values[seen]))
    room = max(0.15 * (high - low), 0.02 * abs(high), 0.1)
    ax.set_ylim(low - room, high + room)
    ax.yaxis.set_major_locator(MaxNLocator(nbins=2))
    ax.set_ylabel(noted.unit)
    ax.set_title(drawable(noted.text), parse_math=False, loc="left", fontsize=NORMAL, color=INK, pad=3.0)
    return ax
