"""The decay of one mode: what was measured against what the analysis says of it."""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes

from resonance.modes.intervals import damping_half_width
from resonance.modes.mode import Mode
from resonance.plots.style import AFTER, FAINT, INK, LINE, NORMAL, SMALL, drawable, new_axes
from resonance.sound.recording import FloatArray
from resonance.units import decay_rate, decibels

DB_PER_NEPER = float(decibels(np.e))


def draw_decay(
    times: FloatArray,
    db: FloatArray,
    mode: Mode,
    *,
    fitted: tuple[float, float] | None = None,
    text: str = "",
    others: Sequence[FloatArray] = (),
    noise_db: float = float("nan"),
    ax: Axes | None = None,
) -> Axes:
    """Draw the envelope of the sound around a mode and the straight line its damping stands for.

    Parameters
    ----------
    times : array (n,), s from the blow
    db : array (n,), dB   envelope of the sound filtered around the mode, averaged over the taps
    mode : Mode   the line falls by 20 lg(e) 2 pi f zeta dB/s, the wedge is its 95 % interval; without
        damping neither is drawn
    fitted : (float, float), s   stretch that the analysis used; all of it when None
    text : str   beside the line: damping and its uncertainty, or why it is not shown
    others : arrays (n,), dB   envelopes of single taps, drawn fine
    noise_db : float, dB   level of the quiet before the blow
    ax : Axes or None

    Returns
    -------
    Axes
    """
    ax = new_axes(ax, height_mm=76.0, margins_mm=(12.5, 22.0, 10.5, 3.0))
    for other in others:
        ax.plot(times, other, color=LINE, linewidth=0.5, alpha=0.7)
    ax.plot(times, db, color=INK, linewidth=1.2)
    _name_measured(ax, times, db, few=bool(others))
    first, last = fitted if fitted is not None else (float(times[0]), float(times[-1]))
    used = (times >= first) & (times <= last) & np.isfinite(db)
    if np.isfinite(mode.damping) and np.any(used):
        _draw_line(ax, times[used], db[used], mode, text)
    elif text:
        ax.text(
            0.985,
            0.95,
            drawable(text),
            transform=ax.transAxes,
            ha="right",
            va="top",
            fontsize=NORMAL,
            color=INK,
            parse_math=False,
        )
    if np.isfinite(noise_db):
        ax.axhline(noise_db, color=FAINT, linewidth=0.8, linestyle=":")
        words = "quiet before\nthe blow"
        ax.annotate(
            words,
            (1.0, noise_db),
            xycoords=ax.get_yaxis_transform(),
            xytext=(4.0, 0.0),
            textcoords="offset points",
            va="center",
            fontsize=SMALL,
            color=FAINT,
            annotation_clip=False,
        )
    ax.set_xlim(float(times[0]), float(times[-1]))
    ax.set_xlabel("time after the blow, s")
    ax.set_ylabel("level, dB")
    return ax


def _name_measured(ax: Axes, times: FloatArray, db: FloatArray, *, few: bool) -> None:
    """Name the measured curve at its right end, above what it falls to."""
    words = "measured, all taps; single taps fine" if few else "measured, all taps"
    tail = db[times >= times[0] + 0.75 * (times[-1] - times[0])]
    level = float(np.nanmax(tail)) if np.any(np.isfinite(tail)) else 0.0
    place = (0.985, level)
    ax.annotate(
        words,
        place,
        xycoords=ax.get_yaxis_transform(),
        xytext=(0.0, 12.0),
        textcoords="offset points",
        ha="right",
        va="bottom",
        fontsize=SMALL,
        color=INK,
    )


def _draw_line(ax: Axes, times: FloatArray, db: FloatArray, mode: Mode, text: str) -> None:
    """Draw the line of the mode's damping through the middle of the stretch used, its wedge and its words."""
    middle, level = float(np.mean(times)), float(np.mean(db))
    slope = DB_PER_NEPER * float(decay_rate(mode.frequency, mode.damping))
    half = damping_half_width(mode)
    ends = np.array([times[0] - middle, 0.0, times[-1] - middle])
    line = level - slope * ends
    if np.isfinite(half):
        wedge = np.abs(DB_PER_NEPER * float(decay_rate(mode.frequency, half)) * ends)
        ax.fill_between(middle + ends, line - wedge, line + wedge, color=AFTER, alpha=0.18, linewidth=0)
    ax.plot(middle + ends, line, color=AFTER, linewidth=1.8, linestyle=(0, (5, 2)))
    ax.annotate(
        drawable(text),
        (middle, level),
        parse_math=False,
        xytext=(14.0, 14.0),
        textcoords="offset points",
        ha="left",
        va="bottom",
        fontsize=NORMAL,
        color=AFTER,
        arrowprops={"arrowstyle": "-", "color": AFTER, "linewidth": 0.7, "shrinkB": 2.0},
    )
