"""Two spectra, before and after, as they stand on the page: one stretch of frequency, drawn on the server.

The drawing is in words and coordinates; the template makes an SVG of it without any style of its own. Levels
are those of the curves handed in, the one before raised so that the two do not cross. Frequency runs
logarithmically: a semitone is equally wide everywhere. Closer, farther and aside are other stretches, so that
they work without scripts and by keyboard.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from resonance.changes.comparison import ModeShift
from resonance.modes.intervals import frequency_half_width
from resonance.report.verdicts import frequencies_words, shift_label
from resonance.report.words import note_words
from resonance.sound.recording import FloatArray
from resonance.units import note_frequency

WIDTH, HEIGHT = 1000.0, 480.0
LEFT, RIGHT = 66.0, 992.0
TOP, BOTTOM = 156.0, 440.0  # of the curves; labels stand above
EDGE = 8.0  # labels begin here at the earliest
LABEL_ROW, FIRST_ROW, ROWS = 24.0, 22.0, 4
LETTER = 8.4  # width of a letter at the size of the labels, a wide guess
ALL = (180.0, 1050.0)  # Hz: where the chief modes are
LOWEST, HIGHEST = 40.0, 6000.0
NARROWEST = 1.06  # of the lower end: a semitone
DEPTH_DB, APART_DB = 55.0, 14.0
POINTS = 700  # of a curve at most
TICKS = (
    40, 50, 60, 80, 100, 120, 150, 200, 250, 300, 350, 400, 450, 500, 550, 600, 700, 800, 900, 1000, 1200,
    1500, 2000, 2500, 3000, 4000, 5000, 6000,
)  # fmt: skip
FEWEST_TICKS = 4

Stretch = tuple[float, float]
Axis = Callable[[float], float]


@dataclass(frozen=True, eq=False)
class Level:
    """A spectrum: frequencies (n,) Hz and level (n,) dB."""

    frequencies: FloatArray
    db: FloatArray

    def at(self, frequency: float) -> float:
        """Level at a frequency, dB, by straight lines between the points."""
        return float(np.interp(frequency, self.frequencies, self.db))


@dataclass(frozen=True)
class Tick:
    """A mark of the axis: where, and its words."""

    x: float
    words: str


@dataclass(frozen=True)
class Join:
    """A resonance: its place on the two curves (None where it has none), and its words above.

    Parameters
    ----------
    before, after : (x, y) or None
    moved : bool   whether the shift is beyond what is known of scatter
    words : str    '' where there is no room
    label : (x, y)   of the words
    """

    before: tuple[float, float] | None
    after: tuple[float, float] | None
    moved: bool
    words: str = ""
    label: tuple[float, float] = (0.0, 0.0)
    bars: tuple[tuple[float, float, float], ...] = ()


@dataclass(frozen=True)
class Reading:
    """What a cursor reads: frequencies in Hz and the levels of both curves in dB, and each y."""

    frequencies: tuple[float, ...]
    notes: tuple[str, ...]
    before: tuple[float, ...]
    after: tuple[float, ...]


@dataclass(frozen=True)
class Chart:
    """A drawing: paths, ticks, joins; and what a cursor reads."""

    stretch: Stretch
    before: str
    after: str
    ends: tuple[float, float]  # x of the ends of the stretch
    hertz: tuple[Tick, ...]
    notes: tuple[Tick, ...]
    joins: tuple[Join, ...]
    reading: Reading
    ten_db: float  # height of 10 dB


def chart_of(
    before: Level, after: Level, shifts: Sequence[ModeShift], stretch: Stretch, *, pitch_a4: float = 440.0
) -> Chart:
    """Draw a stretch of two spectra with the resonances of a comparison.

    Parameters
    ----------
    stretch : (low, high), Hz
    """
    low, high = stretch
    grid = np.geomspace(low, high, POINTS)
    levels = [_most_near(grid, level) for level in (before, after)]
    lift = max(0.0, float(np.max(levels[1] - levels[0]))) + APART_DB
    top = max(float(np.max(levels[0])) + lift, float(np.max(levels[1]))) + 2.0
    bottom = max(float(min(levels[0].min() + lift, levels[1].min())) - 2.0, top - DEPTH_DB)
    scale = (BOTTOM - TOP) / (top - bottom)

    def x_of(frequency: float) -> float:
        return float(LEFT + (RIGHT - LEFT) * np.log(frequency / low) / np.log(high / low))

    def y_of(db: float) -> float:
        return float(np.clip(TOP + (top - db) * scale, TOP, BOTTOM))

    joins = [
        _join(s, x_of, lambda f: y_of(before.at(f) + lift), lambda f: y_of(after.at(f)))
        for s in shifts
        if low <= _place(s) <= high
    ]
    shown = [s for s in shifts if low <= _place(s) <= high]
    return Chart(
        stretch,
        _path(grid, [y_of(db + lift) for db in levels[0]], x_of),
        _path(grid, [y_of(db) for db in levels[1]], x_of),
        (LEFT, RIGHT),
        _hertz_ticks(stretch, x_of),
        _note_ticks(stretch, x_of, pitch_a4),
        _labelled(shown, joins, pitch_a4),
        Reading(
            tuple(round(float(f), 1) for f in grid),
            tuple(note_words(float(f), pitch_a4=pitch_a4) for f in grid),
            tuple(round(float(db), 1) for db in levels[0]),
            tuple(round(float(db), 1) for db in levels[1]),
        ),
        10.0 * scale,
    )


def fitting_stretch(low: float, high: float) -> Stretch:
    """Give a stretch that can be drawn: within what is heard, a semitone wide at least."""
    if not (np.isfinite(low) and np.isfinite(high)):
        return ALL
    low, high = sorted((min(max(low, LOWEST), HIGHEST), min(max(high, LOWEST), HIGHEST)))
    if high < low * NARROWEST:
        middle = float(np.sqrt(low * high))
        low = min(max(middle / NARROWEST**0.5, LOWEST), HIGHEST / NARROWEST)
        high = low * NARROWEST
    return low, high


def stretches(stretch: Stretch) -> dict[str, Stretch]:
    """Give the stretches that are one step away, each under its word."""
    low, high = stretch
    step = (high / low) ** 0.25
    return {
        "Closer": fitting_stretch(low * step, high / step),
        "Wider": fitting_stretch(low / step, high * step),
        "Lower": _moved(stretch, 1.0 / step),
        "Higher": _moved(stretch, step),
        "All": ALL,
    }


def stretch_around(shift: ModeShift) -> Stretch:
    """Give a stretch that shows one resonance and its near neighbours: two semitones to each side."""
    place = _place(shift)
    return fitting_stretch(place * 2.0 ** (-2.0 / 12.0), place * 2.0 ** (2.0 / 12.0))


def _moved(stretch: Stretch, factor: float) -> Stretch:
    low, high = stretch
    factor = min(max(factor, LOWEST / low), HIGHEST / high)
    return low * factor, high * factor


def _most_near(grid: FloatArray, level: Level) -> FloatArray:
    """Give the largest level about each point of a grid, so that no peak is lost between two points."""
    edges = np.sqrt(grid[1:] * grid[:-1])
    found = np.interp(grid, level.frequencies, level.db)
    inside = (level.frequencies >= grid[0]) & (level.frequencies <= grid[-1])
    at = np.searchsorted(edges, level.frequencies[inside])
    np.maximum.at(found, at, level.db[inside])
    return np.asarray(np.where(np.isfinite(found), found, -200.0))


def _place(shift: ModeShift) -> float:
    mode = shift.before or shift.after
    return mode.frequency if mode is not None else float("nan")


def _path(grid: FloatArray, ys: Sequence[float], x_of: Axis) -> str:
    return "M" + " L".join(f"{x_of(float(f)):.1f},{y:.1f}" for f, y in zip(grid, ys, strict=True))


def _join(shift: ModeShift, x_of: Axis, upper: Axis, lower: Axis) -> Join:
    """Place a resonance on the curves; a bar at each dot is the 95 % interval of the reading."""
    dots: list[tuple[float, float] | None] = []
    bars = []
    for mode, y_of in ((shift.before, upper), (shift.after, lower)):
        if mode is None:
            dots.append(None)
            continue
        dots.append((x_of(mode.frequency), y_of(mode.frequency)))
        half = frequency_half_width(mode)
        if np.isfinite(half) and half < 0.5 * mode.frequency:
            bars.append((x_of(mode.frequency - half), x_of(mode.frequency + half), y_of(mode.frequency)))
    return Join(dots[0], dots[1], shift.verdict == "moved", bars=tuple(bars))


def _labelled(shifts: Sequence[ModeShift], joins: Sequence[Join], pitch_a4: float) -> tuple[Join, ...]:
    """Give the words that there is room for: of those that moved first, then of the named, then others."""
    order = sorted(range(len(joins)), key=lambda k: (not joins[k].moved, not shift_label(shifts[k]), k))
    taken: list[list[tuple[float, float]]] = [[] for _ in range(ROWS)]
    found = list(joins)
    for k in order:
        for words in _words(shifts[k], pitch_a4):
            place = _room(taken, (joins[k].before or joins[k].after or (0.0, 0.0))[0], LETTER * len(words))
            if place is not None:
                found[k] = replace(joins[k], words=words, label=place)
                break
    return tuple(found)


def _words(shift: ModeShift, pitch_a4: float) -> tuple[str, ...]:
    """Give the words of a resonance, longest first."""
    name, hertz = shift_label(shift), frequencies_words(shift)
    note = note_words(_place(shift), pitch_a4=pitch_a4)
    whole = " ".join(filter(None, [name, hertz]))
    shorter = (whole, name) if name else (whole,)
    return (f"{whole}, {note}" if note else whole, *shorter)


def _room(taken: list[list[tuple[float, float]]], x: float, width: float) -> tuple[float, float] | None:
    """Take the lowest row that has room for words about a place; None where no row has."""
    start = min(max(x - width / 2.0, EDGE), RIGHT - width)
    for row in reversed(range(ROWS)):
        if all(start > end + LETTER or start + width < begin - LETTER for begin, end in taken[row]):
            taken[row].append((start, start + width))
            return start, FIRST_ROW + row * LABEL_ROW
    return None


def _hertz_ticks(stretch: Stretch, x_of: Axis) -> tuple[Tick, ...]:
    """Give round frequencies; evenly spaced ones where the usual ones are too few."""
    low, high = stretch
    places = [float(f) for f in TICKS if low <= f <= high]
    if len(places) < FEWEST_TICKS:
        step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500) if (high - low) / s <= 10.0)
        places = [float(f) for f in np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step]
    return _apart([Tick(x_of(f), f"{f:.0f}") for f in places], 46.0)


def _note_ticks(stretch: Stretch, x_of: Axis, pitch_a4: float) -> tuple[Tick, ...]:
    names = [f"{name}{octave}" for octave in range(1, 9) for name in "CDEFGAB"]
    places = [(name, note_frequency(name, pitch_a4=pitch_a4)) for name in names]
    return _apart([Tick(x_of(f), name) for name, f in places if stretch[0] <= f <= stretch[1]], 34.0)


def _apart(ticks: Sequence[Tick], least: float) -> tuple[Tick, ...]:
    """Leave out what would stand too near to the one before, or over the edge."""
    found: list[Tick] = []
    for tick in ticks:
        near = found and tick.x - found[-1].x < least
        if not near and LEFT + 14.0 <= tick.x <= RIGHT - 14.0:
            found.append(tick)
    return tuple(found)
