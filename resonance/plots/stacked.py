"""The spectra of many tap sets, one above the other, oldest at the top, with what was done between them."""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from resonance.plots.spectrum import Curve
from resonance.plots.style import (
    AFTER,
    FAINT,
    INK,
    SMALL,
    cut_to,
    drawable,
    frequency_axis,
    new_axes,
    note_axis,
)

STEP_DB = 15.0  # from one curve to the next
DEPTH_DB = 30.0  # how far below its strongest line a curve is drawn
RIGHT_MM = 58.0
POINTS_PER_MM = 72.0 / 25.4


def stacked_figure(
    curves: Sequence[Curve],
    between: Sequence[str],
    *,
    band: tuple[float, float] = (60.0, 1200.0),
    pitch_a4: float = 440.0,
) -> Figure:
    """Draw spectra one above the other, each with its words at the right, and what was done between.

    Parameters
    ----------
    curves : sequence of Curve   from the top down
    between : sequence of str, as many   what was done before each; '' for nothing
    band : (float, float), Hz
    pitch_a4 : float, Hz   for the note names

    Returns
    -------
    Figure   every curve to one scale of dB, shifted by equal steps
    """
    height = 26.0 + 9.5 * max(2, len(curves))
    ax = new_axes(height_mm=height, margins_mm=(9.0, RIGHT_MM, 10.5, 5.5))
    frequency_axis(ax, band)
    note_axis(ax, pitch_a4=pitch_a4)
    for k, (curve, words) in enumerate(zip(curves, between, strict=True)):
        _draw(ax, curve.within(band), -k * STEP_DB, words)
    ax.set_ylim(-(len(curves) - 1) * STEP_DB - DEPTH_DB - 2.0, STEP_DB)
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    _scale(ax, -(len(curves) - 1) * STEP_DB - DEPTH_DB)
    figure = ax.get_figure(root=True)
    if figure is None:
        raise ValueError("the axes belong to no figure")
    return figure


def _draw(ax: Axes, curve: Curve, base: float, words: str) -> None:
    """Draw one curve above what lies under it; its words at the right, what was done before it above them."""
    level = np.maximum(curve.db - float(np.max(curve.db)), -DEPTH_DB) + base
    under = base - DEPTH_DB
    ax.fill_between(curve.frequencies, level, under, color="white", linewidth=0.0, zorder=2.0 - base)
    ax.plot(curve.frequencies, level, color=AFTER, linewidth=1.0, zorder=2.1 - base)
    _beside(ax, base - 0.8 * STEP_DB, curve.text, INK)
    if words:
        place = base - 0.3 * STEP_DB
        _beside(ax, place, cut_to(words, SMALL, (RIGHT_MM - 4.0) * POINTS_PER_MM), FAINT)
        ax.plot([1.0, 1.006], [place, place], color=FAINT, linewidth=0.9, transform=ax.get_yaxis_transform(),
                clip_on=False)  # fmt: skip


def _beside(ax: Axes, level: float, text: str, colour: str) -> None:
    ax.annotate(drawable(text), (1.0, level), xycoords=ax.get_yaxis_transform(), xytext=(5.0, 0.0),
                textcoords="offset points", va="center", fontsize=SMALL, color=colour, annotation_clip=False,
                parse_math=False)  # fmt: skip


def _scale(ax: Axes, foot: float) -> None:
    """Set a bar of 20 dB at the left, in place of an axis: the curves are shifted."""
    side = ax.get_yaxis_transform()
    ax.plot([-0.012, -0.012], [foot, foot + 20.0], color=INK, linewidth=1.2, marker="_", markersize=6,
            transform=side, clip_on=False)  # fmt: skip
    ax.text(-0.024, foot + 10.0, "20 dB", fontsize=SMALL, va="center", ha="right", rotation=90, color=INK,
            transform=side)  # fmt: skip
