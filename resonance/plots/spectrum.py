"""Spectra with the modes found in them: one tap set, or two, before and after.

Spectra arrive as arrays (Hz, dB) and are drawn as they are. The frequency axis is logarithmic, so that a
semitone is equally wide everywhere; note names stand on top. Words arrive ready, one label a mode.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes

from resonance.changes.comparison import ModeShift
from resonance.modes.intervals import frequency_half_width
from resonance.modes.mode import Mode
from resonance.plots.style import (
    AFTER,
    BEFORE,
    FAINT,
    INK,
    LINE,
    NORMAL,
    SMALL,
    axes_points,
    cut_to,
    drawable,
    frequency_axis,
    new_axes,
    note_axis,
    room_at_right,
    spread,
    text_width,
)
from resonance.sound.recording import FloatArray

DEPTH_DB = 55.0  # how far below the strongest line a picture reaches
APART_DB = 14.0  # least distance of the two curves, before and after
HIGHEST_STRIP = 0.6  # of the height of the axes, for labels
LEADER = 14.0  # height in points of the fine lines under the labels
NOT_WOOD = ("string", "hum", "room")


@dataclass(frozen=True, eq=False)
class Curve:
    """A spectrum as drawn: frequencies (n,) Hz, level (n,) dB, and the words that stand beside it."""

    frequencies: FloatArray
    db: FloatArray
    text: str = ""

    def level(self, frequency: float) -> float:
        """Level at a frequency, dB, by straight lines between the points."""
        return float(np.interp(frequency, self.frequencies, self.db))

    def within(self, band: tuple[float, float]) -> "Curve":
        """The part inside a band, its ends included, without levels that are not numbers."""
        inside = (self.frequencies > band[0]) & (self.frequencies < band[1])
        frequencies = np.concatenate([[band[0]], self.frequencies[inside], [band[1]]])
        levels = np.interp(frequencies, self.frequencies, self.db)
        finite = np.isfinite(levels)
        return Curve(frequencies[finite], levels[finite], self.text)


@dataclass(frozen=True)
class _Label:
    """An upright label: where its fine line ends (Hz, dB), its words, how it is set."""

    frequency: float
    db: float
    text: str
    bold: bool = False
    faint: bool = False


@dataclass(frozen=True)
class _Strip:
    """The strip of upright labels: its share of the axes' height; axes and longest label in points."""

    share: float
    width: float
    height: float
    longest: float


def draw_spectrum(
    curve: Curve,
    modes: Sequence[Mode] = (),
    *,
    labels: Sequence[str] = (),
    refused: Sequence[Curve] = (),
    band: tuple[float, float] = (60.0, 1200.0),
    pitch_a4: float = 440.0,
    ax: Axes | None = None,
) -> Axes:
    """Draw a spectrum with its modes, their 95 % intervals, and the spectra of refused taps.

    Parameters
    ----------
    curve : Curve   averaged over the kept taps
    modes : sequence of Mode   a dot on the curve with a bar as wide as the interval; strings, hum and room
        as open dots
    labels : sequence of str, one a mode, '' for none   without labels the frequencies are written
    refused : sequence of Curve   drawn thin and dashed, with their words at the right
    band : (float, float), Hz
    pitch_a4 : float, Hz   for the note names
    ax : Axes or None

    Returns
    -------
    Axes
    """
    ax = new_axes(ax)
    frequency_axis(ax, band)
    ax.set_ylabel("level, dB")
    note_axis(ax, pitch_a4=pitch_a4)
    curve, poor = curve.within(band), [other.within(band) for other in refused]
    texts = list(labels) if labels else [f"{mode.frequency:.1f} Hz" for mode in modes]
    shown = [(m, t) for m, t in zip(modes, texts, strict=True) if band[0] <= m.frequency <= band[1]]
    strip = _measure_strip(ax, [text for _, text in shown], [other.text for other in poor])
    _set_levels(ax, [curve, *poor], strip)
    for other in poor:
        ax.plot(other.frequencies, other.db, color=FAINT, linewidth=0.6, linestyle=(0, (4, 2)))
    _name_at_right(ax, poor, strip)
    ax.plot(curve.frequencies, curve.db, color=AFTER, linewidth=1.3)
    for mode, _ in shown:
        _mark_mode(ax, mode, curve.level(mode.frequency))
    flags = [
        _Label(mode.frequency, curve.level(mode.frequency), text, faint=mode.kind in NOT_WOOD)
        for mode, text in shown
    ]
    _label_strip(ax, flags, strip)
    return ax


def draw_before_after(
    before: Curve,
    after: Curve,
    shifts: Sequence[ModeShift] = (),
    *,
    labels: Sequence[str] = (),
    band: tuple[float, float] = (200.0, 1000.0),
    pitch_a4: float = 440.0,
    ax: Axes | None = None,
) -> Axes:
    """Draw the spectra before and after, one above the other, with matched modes joined.

    Parameters
    ----------
    before, after : Curve   before is drawn dashed and raised so that the two do not cross
    shifts : sequence of ModeShift   joined where both sides are there: a bold line where the verdict is
        'moved', a fine dotted one otherwise; an open dot where a mode has no partner
    labels : sequence of str, one a shift, '' for none   without labels the frequencies are written
    band : (float, float), Hz
    pitch_a4 : float, Hz
    ax : Axes or None

    Returns
    -------
    Axes
    """
    ax = new_axes(ax, height_mm=110.0, margins_mm=(3.0, 3.0, 10.5, 5.5))
    frequency_axis(ax, band)
    note_axis(ax, pitch_a4=pitch_a4)
    texts = list(labels) if labels else [_shift_text(shift) for shift in shifts]
    shown = [(s, t) for s, t in zip(shifts, texts, strict=True) if band[0] <= _place(s) <= band[1]]
    upper, lower = _raised(before.within(band), after.within(band))
    strip = _measure_strip(ax, [text for _, text in shown], [upper.text, lower.text])
    _set_levels(ax, [upper, lower], strip)
    _scale_bar(ax)
    ax.plot(upper.frequencies, upper.db, color=BEFORE, linewidth=1.4, linestyle="--")
    ax.plot(lower.frequencies, lower.db, color=AFTER, linewidth=1.4)
    _name_at_right(ax, [upper, lower], strip, bold=True)
    flags = []
    for shift, text in shown:
        _join(ax, shift, upper, lower)
        place = _place(shift)
        top = max(upper.level(place), lower.level(place))
        flags.append(_Label(place, top, text, bold=shift.verdict == "moved"))
    _label_strip(ax, flags, strip)
    return ax


def _shift_text(shift: ModeShift) -> str:
    sides = [f"{mode.frequency:.1f}" for mode in (shift.before, shift.after) if mode is not None]
    return " → ".join(sides) + " Hz"


def _place(shift: ModeShift) -> float:
    mode = shift.before or shift.after
    return mode.frequency if mode is not None else float("nan")


def _raised(before: Curve, after: Curve) -> tuple[Curve, Curve]:
    """Raise the curve before so that it stands clear of the one after; give both with their words."""
    grid = np.union1d(before.frequencies, after.frequencies)
    above = np.interp(grid, after.frequencies, after.db) - np.interp(grid, before.frequencies, before.db)
    lift = max(0.0, float(np.max(above))) + APART_DB
    upper = Curve(before.frequencies, before.db + lift, before.text or "before")
    return upper, Curve(after.frequencies, after.db, after.text or "after")


def _measure_strip(ax: Axes, texts: Sequence[str], beside: Sequence[str]) -> _Strip:
    """Measure what the labels along the top and the words at the right of the curves leave."""
    words = max((text_width(text, NORMAL, bold=True) for text in beside), default=0.0)
    made = room_at_right(ax, words + 8.0)
    width, height = axes_points(ax)
    width -= 0.0 if made else words
    longest = max((text_width(text, SMALL, bold=True) for text in texts), default=0.0)
    longest = min(longest, HIGHEST_STRIP * height - LEADER - 8.0)
    share = (longest + LEADER + 8.0) / height if longest > 0.0 else 0.0
    return _Strip(share, width, height, longest)


def _set_levels(ax: Axes, curves: Sequence[Curve], strip: _Strip) -> None:
    """Set the level axis: the curves below, the strip of labels above them, ticks only beside the curves."""
    levels = np.concatenate([curve.db for curve in curves])
    top = float(np.max(levels)) + 2.0
    bottom = max(float(np.min(levels)) - 2.0, top - DEPTH_DB)
    ax.set_ylim(bottom, bottom + (top - bottom) / (1.0 - strip.share))
    ax.set_yticks([tick for tick in ax.get_yticks() if bottom <= tick <= top])


def _mark_mode(ax: Axes, mode: Mode, level: float) -> None:
    """Draw a dot with a bar as wide as the mode's 95 % interval; open for what is not wood or air."""
    half = frequency_half_width(mode)
    wood = mode.kind not in NOT_WOOD
    ax.errorbar(
        [mode.frequency],
        [level],
        xerr=[half] if np.isfinite(half) else None,
        fmt="o",
        color=INK if wood else FAINT,
        markersize=3.6,
        markerfacecolor=INK if wood else "white",
        elinewidth=1.6,
        capsize=2.2,
        capthick=0.8,
        zorder=5,
    )


def _label_strip(ax: Axes, labels: Sequence[_Label], strip: _Strip) -> None:
    """Set upright labels in a strip along the top, moved apart, each joined to its foot by a fine line."""
    ordered = sorted((label for label in labels if label.text), key=lambda label: label.frequency)
    low, high = np.log(ax.get_xlim())
    bottom, top = ax.get_ylim()
    own = np.array([(np.log(label.frequency) - low) / (high - low) for label in ordered])
    places = spread(own, 1.35 * SMALL / strip.width, 0.008, 0.992)
    leader = LEADER / strip.height
    base = 1.0 - strip.share + leader
    for label, x, place in zip(ordered, own, places, strict=True):
        foot = min((label.db - bottom) / (top - bottom) + 0.015, base - leader)
        ax.plot(
            [x, x, place, place],
            [foot, base - 0.9 * leader, base - 0.3 * leader, base],
            color=LINE,
            linewidth=0.6,
            transform=ax.transAxes,
            zorder=1,
        )
        ax.text(
            place,
            base + 2.0 / strip.height,
            drawable(cut_to(label.text, SMALL, strip.longest, bold=label.bold)),
            parse_math=False,
            rotation=90,
            ha="center",
            va="bottom",
            fontsize=SMALL,
            color=FAINT if label.faint else INK,
            weight="bold" if label.bold else "normal",
            transform=ax.transAxes,
        )


def _join(ax: Axes, shift: ModeShift, before: Curve, after: Curve) -> None:
    """Join a mode on both curves, its 95 % interval at each dot; an open dot where it stands alone."""
    moved = shift.verdict == "moved"
    for mode, curve in ((shift.before, before), (shift.after, after)):
        if mode is not None and np.isfinite(half := frequency_half_width(mode)):
            place = (mode.frequency, curve.level(mode.frequency))
            ax.errorbar(*place, xerr=half, fmt="none", ecolor=INK, elinewidth=1.4, capsize=2.0, zorder=4)
    ends = [
        (mode.frequency, curve.level(mode.frequency))
        for mode, curve in ((shift.before, before), (shift.after, after))
        if mode is not None
    ]
    ax.plot(
        [x for x, _ in ends],
        [y for _, y in ends],
        color=INK,
        linewidth=1.6 if moved else 0.7,
        linestyle="-" if moved else ":",
        marker="o",
        markersize=4.0,
        markerfacecolor=INK if len(ends) == 2 else "white",
        markeredgecolor=INK,
        markeredgewidth=0.9,
        zorder=5,
    )


def _name_at_right(ax: Axes, curves: Sequence[Curve], strip: _Strip, *, bold: bool = False) -> None:
    """Set each curve's words at its right end, moved apart."""
    bottom, top = ax.get_ylim()
    ends = [(min(max(float(curve.db[-1]), bottom), top) - bottom) / (top - bottom) for curve in curves]
    order = sorted(range(len(curves)), key=lambda k: ends[k])
    places = spread(np.array([ends[k] for k in order]), 1.4 * NORMAL / strip.height, 0.02, 0.98)
    for k, place in zip(order, places, strict=True):
        ax.annotate(
            drawable(curves[k].text),
            (1.0, ends[k]),
            xycoords="axes fraction",
            xytext=(1.012, place),
            textcoords="axes fraction",
            va="center",
            fontsize=NORMAL if bold else SMALL,
            color=INK if bold else FAINT,
            weight="bold" if bold else "normal",
            parse_math=False,
            annotation_clip=False,
        )


def _scale_bar(ax: Axes) -> None:
    """Set a bar of 20 dB at the left in place of an axis: one curve is raised, so levels are relative."""
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    bottom, top = ax.get_ylim()
    start = bottom + 0.06 * (top - bottom)
    side = ax.get_yaxis_transform()
    ax.plot(
        [0.004, 0.004],
        [start, start + 20.0],
        color=INK,
        linewidth=1.2,
        marker="_",
        markersize=6,
        transform=side,
        clip_on=False,
    )
    ax.text(0.014, start + 1.0, "20 dB", fontsize=SMALL, va="bottom", color=INK, transform=side)
