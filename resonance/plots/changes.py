"""Readings over time: each mode's frequency in every tap set, with the adjustments between.

Each mode has its own panel with its own scale in Hz; all panels span the same interval in cents, so that
movements can be compared by eye. Time runs by date; where dates are missing or contradict the maker's order,
tap sets stand at equal distances in the maker's order instead.
"""

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise
from typing import Any

import matplotlib
import matplotlib.dates
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator
from numpy.typing import NDArray

from resonance.plots.history import Fitted, Noted, draw_fitted, draw_noted
from resonance.plots.style import (
    FAINT,
    INK,
    NORMAL,
    RC,
    SERIES,
    SMALL,
    drawable,
    dress,
    flag_layout,
    new_axes,
    new_figure,
    text_width,
)
from resonance.sound.recording import FloatArray
from resonance.units import cents, hertz

_dates: Any = matplotlib.dates  # its functions carry no types

LEAST_SPAN_CENTS = 60.0
PANEL_MM = 21.0
LOW_PANEL_MM = 10.0
LINE_MM = 3.7  # a line of an adjustment's text


@dataclass(frozen=True, eq=False)
class Readings:
    """One mode through the tap sets: what is drawn, and the words beside it.

    Parameters
    ----------
    text : str   name of the mode
    positions : array (n,)   where the readings stand on the time axis (`TimeAxis.sets`)
    frequency, half_width : array (n,), Hz   NaN where not seen, half widths of 95 % intervals
    open : array (n,) of bool   drawn as an open mark: order not confirmed
    doubtful : array (n,) of bool, or empty   drawn as a question mark and joined to nothing: may belong to
        another mode
    with_scatter : array (n,), Hz   half widths with the put-back scatter; NaN where it is not known
    note : str   nearest note of the last reading
    """

    text: str
    positions: FloatArray
    frequency: FloatArray
    half_width: FloatArray
    open: FloatArray
    doubtful: FloatArray = field(default_factory=lambda: np.zeros(0))
    with_scatter: FloatArray = field(default_factory=lambda: np.zeros(0))
    note: str = ""

    @property
    def reach(self) -> FloatArray:
        """Half width of the longer bar of each reading, Hz; 0 where neither is known."""
        whole = self.with_scatter if self.with_scatter.size else self.half_width
        return np.fmax(np.nan_to_num(self.half_width, nan=0.0), np.nan_to_num(whole, nan=0.0))


@dataclass(frozen=True)
class Event:
    """An adjustment, or a remark: where it stands, in the maker's words, whether its order is confirmed."""

    position: float
    text: str
    confirmed: bool = True
    new_chapter: bool = False


@dataclass(frozen=True)
class TimeAxis:
    """How time runs: positions of the tap sets, and whether they are days or places in the order.

    Parameters
    ----------
    sets : tuple of float   days (matplotlib date numbers) or 0, 1, 2 ...
    names : tuple of str   what stands under each tap set when the axis is an order
    dated : bool   the positions are days
    """

    sets: tuple[float, ...]
    names: tuple[str, ...] = ()
    dated: bool = True


def day_number(moment: datetime) -> float:
    """Give a moment as matplotlib's day number, by the clock on the wall where it was noted."""
    return float(_dates.date2num(moment.replace(tzinfo=None)))


def draw_readings(
    readings: Readings,
    events: Sequence[Event] = (),
    *,
    span_cents: float = float("nan"),
    colour: str = SERIES[0][0],
    marker: str = SERIES[0][2],
    joined: bool = True,
    ax: Axes | None = None,
) -> Axes:
    """Draw one mode's readings with 95 % bars, and adjustments as upright lines.

    The thick bar is the reading by itself, the thin one with its ends holds the put-back scatter as well. A
    tap set that does not show the mode leaves a small cross at the foot of the panel; a reading that may
    belong to another mode is a question mark, joined to nothing.

    Parameters
    ----------
    readings : Readings
    events : sequence of Event   an unconfirmed one is drawn dotted, a new chapter as a heavy line that
        readings are not joined across
    span_cents : float   height of the panel; as wide as the readings need when NaN
    colour, marker : str
    joined : bool   join the readings by a thin line; a fitted course stands in its place
    ax : Axes or None

    Returns
    -------
    Axes
    """
    ax = new_axes(ax, height_mm=60.0)
    seen = np.isfinite(readings.frequency)
    doubtful = seen & _doubtful(readings)
    sure = seen & ~doubtful
    for start, stop in _chapters(readings, events) if joined else ():
        part = sure & (readings.positions > start) & (readings.positions < stop)
        ax.plot(readings.positions[part], readings.frequency[part], color=colour, linewidth=0.8, alpha=0.55)
    for hollow in (False, True):
        part = sure & (readings.open.astype(bool) == hollow)
        if np.any(part):
            place, at = readings.positions[part], readings.frequency[part]
            own = np.nan_to_num(readings.half_width[part], nan=0.0)
            both = readings.with_scatter.size > 0
            ax.errorbar(
                place,
                at,
                yerr=own,
                fmt=marker,
                color=colour,
                markersize=3.8,
                markerfacecolor="white" if hollow else colour,
                elinewidth=2.0 if both else 1.1,
                capsize=0.0 if both else 2.0,
                capthick=0.8,
                zorder=4,
            )
            if both:
                ax.errorbar(place, at, yerr=readings.reach[part], fmt="none", ecolor=colour, elinewidth=0.7,
                            capsize=2.2, capthick=0.7, zorder=3)  # fmt: skip
    ax.plot(
        readings.positions[doubtful],
        readings.frequency[doubtful],
        linestyle="",
        marker="$?$",
        markersize=6.0,
        color=colour,
        zorder=4,
    )
    missing = readings.positions[~seen]
    ax.plot(
        missing,
        np.full(len(missing), 0.06),
        linestyle="",
        marker="x",
        markersize=4.0,
        color=FAINT,
        transform=ax.get_xaxis_transform(),
    )
    draw_events(ax, events)
    _set_span(ax, _reach(readings), span_cents)
    ax.yaxis.set_major_locator(MaxNLocator(nbins=3, steps=[1, 2, 5, 10]))
    ax.set_ylabel("Hz")
    return ax


def draw_events(ax: Axes, events: Sequence[Event]) -> Axes:
    """Draw adjustments as upright lines: solid when confirmed, dotted when not, heavy for a new chapter."""
    for event in events:
        ax.axvline(
            event.position,
            color=INK if event.new_chapter else FAINT,
            linewidth=1.8 if event.new_chapter else 0.8,
            linestyle="-" if event.confirmed else ":",
            zorder=1,
        )
    return ax


def draw_time(ax: Axes, time: TimeAxis) -> Axes:
    """Set the time axis: dates, hours where all is of one day, or tap sets in the maker's order."""
    if time.dated:
        locator = _dates.AutoDateLocator(minticks=3, maxticks=9)
        ax.xaxis.set_major_locator(locator)
        ax.xaxis.set_major_formatter(
            _dates.ConciseDateFormatter(locator, formats=_TIMES, zero_formats=_DATES, show_offset=False)
        )
        first, last = (_dates.num2date(f(time.sets, default=0.0)) for f in (min, max))
        one_day = first.date() == last.date()
        ax.set_xlabel(f"time of day, {first.day} {first:%B %Y}" if one_day else "date")
    else:
        names = dict(zip(time.sets, time.names, strict=False))
        ax.xaxis.set_major_locator(FixedLocator(list(time.sets)))
        ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: names.get(value, "")))
        ax.set_xlabel("tap sets in the order they were made, not to scale")
    return ax


def readings_figure(
    series: Sequence[Readings],
    events: Sequence[Event],
    time: TimeAxis,
    *,
    courses: Sequence[Sequence[Fitted]] = (),
    below: Sequence[Noted] = (),
    remarks: Sequence[Event] = (),
    panel_mm: float = PANEL_MM,
    listed: bool = True,
) -> Figure:
    """Make a figure of one panel a mode, one time axis, the adjustments numbered and in words on top.

    Remarks stand under the adjustments, lettered, each with a mark on the time axis and no line through the
    panels.

    Parameters
    ----------
    series : sequence of Readings, from the top down
    events : sequence of Event
    time : TimeAxis
    courses : sequence of sequences of Fitted   the fitted courses of each mode, one a chapter; or none
    below : sequence of Noted   what was noted along the way, in low panels under the modes
    remarks : sequence of Event   what maker and player said along the way
    panel_mm : float   height of a mode's panel
    listed : bool   say the adjustments in words on top; their numbers alone where not

    Returns
    -------
    Figure, as high as it needs to be
    """
    ordered = sorted(events, key=lambda event: event.position)
    said = sorted(remarks, key=lambda event: event.position)
    low, high = _ends(time, [*ordered, *said])
    width_mm = 174.0
    scale = 0.86 * width_mm / 25.4 * 72.0 / (high - low)
    room = (high - low) * scale
    marked = sorted([*_numbered(ordered), *_lettered(said)], key=lambda each: each[1].position)
    starts = [(event.position - low) * scale for _, event in marked]
    rows = [row for row, _ in flag_layout(starts, [text_width(m, SMALL) + 8.0 for m, _ in marked], room)]
    words = [(m, _wrapped(_event_text(e), room - 20.0)) for m, e in (*_numbered(ordered), *_lettered(said))]
    words = words if listed else []
    lines = sum(text.count("\n") + 1 for _, text in words) + max(rows, default=-1) + 1
    strip_mm = LINE_MM * (lines + 1)
    heights = [panel_mm] * len(series) + [LOW_PANEL_MM] * len(below)
    figure, panels = _panels(width_mm, strip_mm, heights)
    _draw_events_in_words(panels[0], marked, words, rows, lines)
    drawn = [tuple(courses[k]) if courses else () for k in range(len(series))]
    reaches = [_reach(readings, fitted) for readings, fitted in zip(series, drawn, strict=True)]
    span = _common_span(reaches)
    for k, (panel, readings) in enumerate(zip(panels[1 : len(series) + 1], series, strict=True)):
        colour, _, marker = SERIES[k % len(SERIES)]
        fitted = drawn[k]
        draw_readings(
            readings, ordered, span_cents=span, colour=colour, marker=marker, joined=not fitted, ax=panel
        )
        for course in fitted:
            draw_fitted(panel, course, colour=colour)
        _set_span(panel, reaches[k], span)
        panel.set_title(
            drawable(readings.text),
            parse_math=False,
            loc="left",
            fontsize=NORMAL,
            color=INK,
            pad=3.0,
            weight="bold",
        )
        panel.set_title(readings.note, parse_math=False, loc="right", fontsize=SMALL, color=FAINT, pad=3.0)
    for panel, noted in zip(panels[len(series) + 1 :], below, strict=True):
        draw_events(draw_noted(dress(panel), noted), ordered)
    for panel in panels[1:]:
        panel.tick_params(labelbottom=panel is panels[-1])
    panels[-1].set_xlim(low, high)
    draw_time(panels[-1], time)
    _span_bar(panels[1] if len(series) else panels[0], span)
    return figure


def _panels(width_mm: float, strip_mm: float, heights_mm: Sequence[float]) -> tuple[Figure, list[Axes]]:
    """Make a figure with a strip of words on top and panels under it; give strip and panels."""
    left, right, foot, title = 15.5, 9.5, 11.0, 5.0
    height_mm = strip_mm + sum(heights_mm) + title * len(heights_mm) + foot
    figure = new_figure(width_mm=width_mm, height_mm=height_mm, margins_mm=(left, right, foot, 0.5))
    share = (width_mm - left - right) / width_mm
    found: list[Axes] = []
    top = height_mm
    with matplotlib.rc_context(RC):
        for tall, head in ((strip_mm, 0.0), *((each, title) for each in heights_mm)):
            top -= tall + head
            box = (left / width_mm, top / height_mm, share, tall / height_mm)
            found.append(figure.add_axes(box, sharex=found[0] if found else None))
    return figure, found


_TIMES = ["%Y", "%b %Y", "%d %b", "%H:%M", "%H:%M", "%H:%M"]
_DATES = ["%Y", "%b %Y", "%d %b", "%d %b", "%H:%M", "%H:%M"]  # at the turn of the year, month, day ...


def _event_text(event: Event) -> str:
    return event.text if event.confirmed else f"{event.text} (order not confirmed)"


def _wrapped(text: str, room: float) -> str:
    """Break a text into lines that are not wider than the room, in points."""
    share = room / max(text_width(text, SMALL), 1.0)
    return "\n".join(textwrap.wrap(text, max(12, int(0.95 * share * len(text))))) if share < 1.0 else text


def _numbered(events: Sequence[Event]) -> list[tuple[str, Event]]:
    return [(str(k), event) for k, event in enumerate(events, start=1)]


def _lettered(remarks: Sequence[Event]) -> list[tuple[str, Event]]:
    letters = "abcdefghijklmnopqrstuvwxyz"
    return [(letters[k % 26] * (1 + k // 26), event) for k, event in enumerate(remarks)]


def _draw_events_in_words(
    ax: Axes,
    marked: Sequence[tuple[str, Event]],
    words: Sequence[tuple[str, str]],
    rows: Sequence[int],
    lines: int,
) -> None:
    """List adjustments and remarks in words, and set each one's number or letter at the head of its line."""
    dress(ax)
    ax.set_axis_off()
    ax.set_ylim(0.0, lines + 1)
    for (mark, event), row in zip(marked, rows, strict=True):
        ax.plot(
            [event.position, event.position],
            [-0.2, row + 0.1],
            color=INK if event.new_chapter else FAINT,
            linewidth=1.8 if event.new_chapter else 0.8,
            linestyle="-" if event.confirmed else ":",
            clip_on=False,
        )
        ax.text(event.position, row + 0.2, mark, ha="center", va="bottom", fontsize=SMALL, color=INK,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5})  # fmt: skip
    top = float(lines + 1)
    for mark, text in words:
        for x, what in ((0.0, mark), (0.022, drawable(text))):
            ax.text(x, top - 0.05, what, va="top", linespacing=1.15, fontsize=SMALL, color=INK,
                    parse_math=False, transform=ax.get_yaxis_transform())  # fmt: skip
        top -= text.count("\n") + 1


def _ends(time: TimeAxis, events: Sequence[Event]) -> tuple[float, float]:
    places = [*time.sets, *(event.position for event in events)] or [0.0]
    low, high = min(places), max(places)
    room = 0.04 * (high - low) if high > low else 0.5
    return low - room, high + room


def _chapters(readings: Readings, events: Sequence[Event]) -> list[tuple[float, float]]:
    breaks = sorted(event.position for event in events if event.new_chapter)
    return list(pairwise([-np.inf, *breaks, np.inf]))


def _doubtful(readings: Readings) -> NDArray[np.bool_]:
    known = readings.doubtful.size == readings.frequency.size
    return readings.doubtful.astype(bool) if known else np.zeros(readings.frequency.size, bool)


def _reach(readings: Readings, fitted: Sequence[Fitted] = ()) -> tuple[float, float]:
    """Lowest bar's foot and highest bar's head, a fitted course with its band included; NaN without any."""
    middles = np.concatenate([readings.frequency, *(course.frequency for course in fitted)])
    halves = np.concatenate([readings.reach, *(course.half_width for course in fitted)])
    seen = np.isfinite(middles)
    if not np.any(seen):
        return float("nan"), float("nan")
    bars = np.nan_to_num(halves[seen], nan=0.0)
    low = np.maximum(middles[seen] - bars, 0.5 * middles[seen])
    return float(np.min(low)), float(np.max(middles[seen] + bars))


def _common_span(reaches: Sequence[tuple[float, float]]) -> float:
    wide = [1.15 * float(cents(high, low)) for low, high in reaches if np.isfinite(low)]
    return max([LEAST_SPAN_CENTS, *wide])


def _set_span(ax: Axes, reach: tuple[float, float], span_cents: float) -> None:
    if not np.isfinite(reach[0]):
        return
    middle = float(np.sqrt(reach[0] * reach[1]))
    span = span_cents if np.isfinite(span_cents) else _common_span([reach])
    ax.set_ylim(middle + float(hertz(-span / 2, middle)), middle + float(hertz(span / 2, middle)))


def _span_bar(ax: Axes, span_cents: float) -> None:
    """Set a bar that shows an interval in cents at the right of a panel; all panels share its height."""
    shown = next((c for c in (200.0, 100.0, 50.0, 20.0) if c <= 0.8 * span_cents), 20.0)
    share = shown / span_cents
    ax.plot([1.015, 1.015], [0.05, 0.05 + share], color=INK, linewidth=1.2, marker="_", markersize=6,
            transform=ax.transAxes, clip_on=False)  # fmt: skip
    ax.text(1.028, 0.05 + share / 2, f"{shown:.0f} cents", rotation=90, va="center", ha="left",
            fontsize=SMALL, color=INK, transform=ax.transAxes)  # fmt: skip
