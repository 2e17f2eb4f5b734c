"""How good the taps of a set were: level, height over the noise, and how far up each blow reaches."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from resonance.plots.style import (
    AFTER,
    FAINT,
    HAIR,
    INK,
    NORMAL,
    RC,
    SMALL,
    drawable,
    dress,
    new_figure,
    text_width,
)
from resonance.sound.recording import FloatArray


@dataclass(frozen=True)
class TapLine:
    """One tap: its words at left and right, its measures (NaN where not known), whether it was kept."""

    text: str
    peak_dbfs: float
    snr_db: float
    reach: float
    kept: bool = True
    why: str = ""


def taps_figure(taps: Sequence[TapLine], *, least_snr_db: float = float("nan")) -> Figure:
    """Draw the taps of a set from the top down: dots were used, crosses refused, the reason beside.

    Parameters
    ----------
    taps : sequence of TapLine
    least_snr_db : float, dB   below which a tap is refused; a dotted line where known
    """
    left = 4.0 + 0.36 * max((text_width(t.text, SMALL) for t in taps), default=0.0)
    right = 4.0 + 0.36 * max((text_width(t.why, SMALL) for t in taps), default=0.0)
    figure = new_figure(
        height_mm=20.0 + 5.2 * max(1, len(taps)), margins_mm=(min(left, 40.0), min(right, 62.0), 11.0, 6.0)
    )
    with matplotlib.rc_context(RC):
        panels = figure.subplots(1, 3, sharey=True, gridspec_kw={"wspace": 0.12})
    rows = np.arange(float(len(taps)))[::-1]
    measures = (
        ("loudest, dB of full scale", [t.peak_dbfs for t in taps]),
        ("above the noise, dB", [t.snr_db for t in taps]),
        ("blow reaches to, Hz", [t.reach for t in taps]),
    )
    for panel, (title, values) in zip(panels, measures, strict=True):
        _draw_measure(dress(panel), rows, values, taps, title)
    panels[0].axvline(0.0, color=INK, linewidth=0.9)
    if isfinite(least_snr_db):
        panels[1].axvline(least_snr_db, color=FAINT, linewidth=0.9, linestyle=":")
    panels[0].set_yticks(rows, [drawable(t.text) for t in taps])
    panels[0].set_ylim(-0.7, len(taps) - 0.3)
    for row, tap in zip(rows, taps, strict=True):
        panels[-1].annotate(drawable(tap.why), (1.0, row), xycoords=panels[-1].get_yaxis_transform(),
                            xytext=(5.0, 0.0), textcoords="offset points", va="center", fontsize=SMALL,
                            color=INK, annotation_clip=False, parse_math=False)  # fmt: skip
    return figure


def _draw_measure(
    ax: Axes, rows: FloatArray, values: Sequence[float], taps: Sequence[TapLine], title: str
) -> None:
    for row, value, tap in zip(rows, values, taps, strict=True):
        ax.axhline(row, color=HAIR, linewidth=0.6, zorder=1)
        if isfinite(value):
            ax.plot([value], [row], marker="o" if tap.kept else "x", markersize=5.0, zorder=3,
                    color=AFTER if tap.kept else INK, markeredgewidth=1.4)  # fmt: skip
    ax.tick_params(axis="y", length=0.0)
    ax.spines["left"].set_visible(False)
    ax.set_title(title, loc="left", fontsize=NORMAL, color=INK)
