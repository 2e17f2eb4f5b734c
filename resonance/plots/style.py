"""One look for all figures: safe for colour-blind eyes and in grey print, labelled directly, units always.

Colours differ in lightness as well as in hue, and whatever a colour says is said again by a line style, a
marker or a word. Figures are matplotlib `Figure` objects; nothing here touches pyplot or any global state
beyond a temporary ``rc_context`` while a figure is made or written.

SVG keeps letters as outlines (``svg.fonttype 'path'``): the file needs no font, so that labels neither move
nor clip on another computer or in print; a plain description stands beside each figure in the report.
"""

import hashlib
import io
import re
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.ft2font import LoadFlags
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.ticker import FixedLocator, FuncFormatter, NullFormatter

from resonance.sound.recording import FloatArray
from resonance.units import NOTE_NAMES, note_frequency

INK = "#211b16"
FAINT = "#756c63"
LINE = "#a49a8f"
HAIR = "#d9d2c7"
PAPER = "#ffffff"
BEFORE = "#6f9bbd"  # light, dashed
AFTER = "#8a3a12"  # dark, solid

SMALL = 7.5
NORMAL = 8.5

# colour, line style, marker: one for each of several modes in one picture
SERIES = (
    ("#8a3a12", "-", "o"),
    ("#2f6f95", "--", "s"),
    ("#b98a1d", "-.", "D"),
    ("#3d5a45", ":", "^"),
    ("#6d4a7d", (0, (6, 1, 1, 1)), "v"),
    ("#57514b", (0, (1, 1)), "P"),
)

RC: Any = {  # settings in force while a figure is made or written
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": NORMAL,
    "text.color": INK,
    "axes.edgecolor": FAINT,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.unicode_minus": True,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": SMALL,
    "ytick.labelsize": SMALL,
    "xtick.major.width": 0.7,
    "ytick.major.width": 0.7,
    "figure.facecolor": PAPER,
    "axes.facecolor": "none",
    "path.simplify": True,
    "svg.fonttype": "path",
    "svg.hashsalt": "resonance",
}

NATURALS = tuple(name for name in NOTE_NAMES if len(name) == 1)
_MM = 1.0 / 25.4
_MEASURED_AT = 100.0
Margins = tuple[float, float, float, float]


def new_figure(
    *, width_mm: float = 174.0, height_mm: float = 96.0, margins_mm: Margins | None = None
) -> Figure:
    """Make an empty figure in our look; 174 mm is the text width of an A4 or Letter page.

    Parameters
    ----------
    margins_mm : (left, right, bottom, top) or None   room for what stands around the axes; measured from what
        is drawn when None, which takes much longer
    """
    size = (width_mm * _MM, height_mm * _MM)
    with matplotlib.rc_context(RC):
        if margins_mm is None:
            return Figure(figsize=size, layout=ConstrainedLayoutEngine(w_pad=0.08, h_pad=0.05))
        figure = Figure(figsize=size)
        set_margins(figure, margins_mm)
        return figure


def set_margins(figure: Figure, margins_mm: Margins) -> None:
    """Set the room around the axes of a figure: left, right, bottom, top, in mm."""
    width, height = (each / _MM for each in figure.get_size_inches())
    left, right, bottom, top = margins_mm
    figure.subplots_adjust(
        left=left / width, right=1.0 - right / width, bottom=bottom / height, top=1.0 - top / height
    )


def new_axes(
    ax: Axes | None = None,
    *,
    width_mm: float = 174.0,
    height_mm: float = 96.0,
    margins_mm: Margins = (12.5, 3.0, 10.5, 5.5),
) -> Axes:
    """Give the axes to draw on, made anew when none is handed in, dressed in our look."""
    if ax is None:
        with matplotlib.rc_context(RC):
            figure = new_figure(width_mm=width_mm, height_mm=height_mm, margins_mm=margins_mm)
            ax = figure.add_subplot()
    return dress(ax)


def room_at_right(ax: Axes, points: float) -> bool:
    """Leave so much room, in points, to the right of the one axes of a figure with set margins.

    Returns
    -------
    bool   whether it was done; axes handed in from elsewhere are left alone
    """
    figure = ax.get_figure(root=True)
    if figure is None or figure.get_layout_engine() is not None or len(figure.axes) != 1:
        return False
    width = float(figure.get_size_inches()[0]) * 72.0
    figure.subplots_adjust(right=min(1.0 - points / width, figure.subplotpars.right))
    return True


def dress(ax: Axes) -> Axes:
    """Take away the frame's top and right, and set fine ticks and letters."""
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set(color=FAINT, linewidth=0.7)
    ax.tick_params(colors=INK, labelsize=SMALL, width=0.7, length=3.0)
    ax.xaxis.label.set(color=INK, fontsize=NORMAL)
    ax.yaxis.label.set(color=INK, fontsize=NORMAL)
    return ax


def frequency_axis(ax: Axes, band: tuple[float, float]) -> None:
    """Set a logarithmic frequency axis in Hz, so that equal intervals are equally wide."""
    ax.set_xscale("log")
    ax.set_xlim(*band)
    ticks = [t for t in _TICKS if band[0] <= t <= band[1]]
    ax.xaxis.set_major_locator(FixedLocator(ticks))
    ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    ax.xaxis.set_minor_locator(FixedLocator([]))
    ax.xaxis.set_minor_formatter(NullFormatter())
    ax.set_xlabel("frequency, Hz")


def note_axis(ax: Axes, *, pitch_a4: float = 440.0) -> None:
    """Add a second axis on top with note names: naturals named, sharps as fine ticks.

    Call it after `frequency_axis`.
    """
    low, high = ax.get_xlim()
    notes = [(f"{name}{octave}", name) for octave in range(-1, 10) for name in NOTE_NAMES]
    known = [(note_frequency(full, pitch_a4=pitch_a4), full, name) for full, name in notes]
    inside = [(f, full, name) for f, full, name in known if low <= f <= high]
    top = ax.secondary_xaxis("top")
    top.tick_params(colors=FAINT, labelsize=SMALL, width=0.6, length=4.0, pad=1.5)
    top.spines["top"].set(color=HAIR, linewidth=0.7)
    named = _thinned([item for item in inside if item[2] in NATURALS], low, high)
    top.xaxis.set_major_locator(FixedLocator([f for f, _, _ in named]))
    names = {round(f, 6): full for f, full, _ in named}
    top.xaxis.set_major_formatter(FuncFormatter(lambda value, _: names.get(round(value, 6), "")))
    top.xaxis.set_minor_locator(FixedLocator([f for f, _, _ in inside]))
    top.xaxis.set_minor_formatter(NullFormatter())
    top.tick_params(which="minor", colors=HAIR, width=0.6, length=2.5)


def _thinned(notes: list[tuple[float, str, str]], low: float, high: float) -> list[tuple[float, str, str]]:
    """Keep the octaves' C, and A when there is room, where all naturals would crowd the axis."""
    octaves = float(np.log2(high / low))
    if octaves <= 2.7:
        return notes
    return [note for note in notes if note[2] in (("C", "E", "G", "A") if octaves <= 3.5 else ("C", "G"))]


def drawable(text: str) -> str:
    """Give text with □ for every letter that the figures' font does not hold, so that none is lost unseen."""
    font = get_font(findfont(FontProperties(family="DejaVu Sans")))
    return "".join(c if c == "\n" or font.get_char_index(ord(c)) else "□" for c in text)


def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """Width of text in points, set in the figures' own font."""
    if not text.strip():
        return 0.0
    return max(_line_width(drawable(line), bold) for line in text.split("\n")) * size / _MEASURED_AT


@lru_cache(maxsize=4096)
def _line_width(line: str, bold: bool) -> float:
    """Width in points of a line set at `_MEASURED_AT` points."""
    font = get_font(findfont(FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal")))
    font.set_size(_MEASURED_AT, 72.0)
    font.set_text(line, 0.0, flags=LoadFlags.NO_HINTING)
    return float(font.get_width_height()[0]) / 64.0


def cut_to(text: str, size: float, width: float, *, bold: bool = False) -> str:
    """Cut words out of the middle, with … in their place, until the text is no wider than `width` points."""
    tail = text[-20:]
    head = text[: -len(tail)]
    while head and text_width(text, size, bold=bold) > width:
        head = head[:-1]
        text = f"{head.rstrip()}…{tail.lstrip()}"
    return text


def axes_points(ax: Axes) -> tuple[float, float]:
    """Width and height of the axes in points, once the layout of what is drawn so far has settled."""
    figure = ax.get_figure(root=True)
    if figure is None:
        raise ValueError("the axes belong to no figure; make them with Figure().add_subplot()")
    if figure.get_layout_engine() is not None:
        with matplotlib.rc_context(RC):
            figure.draw_without_rendering()
    width, height = figure.get_size_inches() * 72.0
    box = ax.get_position()
    return float(box.width * width), float(box.height * height)


def spread(positions: FloatArray, gap: float, low: float, high: float) -> FloatArray:
    """Move labels apart, each as little as can be, so that neighbours stand at least `gap` from another.

    Parameters
    ----------
    positions : array (n,), rising, in any unit of length
    gap : float   least distance
    low, high : float   ends to keep within, where there is room

    Returns
    -------
    array (n,), rising: least squares under the spacing constraint (pool adjacent violators on
        ``positions - k gap``), then shifted inside the ends
    """
    n = len(positions)
    if n == 0:
        return np.zeros(0)
    gap = min(gap, (high - low) / max(1, n - 1))
    blocks: list[tuple[float, int]] = []
    for k, position in enumerate(positions):
        blocks.append((float(position) - k * gap, 1))
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            (a, m), (b, p) = blocks[-2], blocks[-1]
            blocks[-2:] = [((a * m + b * p) / (m + p), m + p)]
    level = np.concatenate([np.full(count, value) for value, count in blocks])
    level = np.clip(level, low, high - (n - 1) * gap)
    return np.asarray(level + gap * np.arange(n))


def flag_layout(poles: Sequence[float], widths: Sequence[float], right: float) -> list[tuple[int, int]]:
    """Place flags so that no text is crossed by another flag's pole or runs into another text.

    A text flies to the right of its pole, or to the left where it would reach beyond the right end.

    Parameters
    ----------
    poles : sequence of float, rising   where the poles stand
    widths : sequence of float   how far each text reaches
    right : float   right end of the room

    Returns
    -------
    list of (row, side) : row 0 is the lowest; side is 1 (text to the right) or -1 (to the left)
    """
    n = len(poles)
    sides = [-1 if pole + width > right else 1 for pole, width in zip(poles, widths, strict=True)]

    def covers(k: int, j: int) -> bool:
        reach = (poles[j] - poles[k]) * sides[k]
        return j != k and (0.0 <= reach < widths[k]) and not (reach == 0.0 and j < k)

    for _ in range(n):
        for k in range(n):
            if sides[k] == 1 and any(covers(k, j) and covers(j, k) for j in range(n)):
                sides[k] = -1
    return list(zip(_stacked(n, covers, poles, widths, sides), sides, strict=True))


def _stacked(
    n: int,
    covers: Callable[[int, int], bool],
    poles: Sequence[float],
    widths: Sequence[float],
    sides: Sequence[int],
) -> list[int]:
    """Raise each flag above the poles its text covers, and above a text it would run into."""
    spans = [sorted((poles[k], poles[k] + sides[k] * widths[k])) for k in range(n)]
    rows = [0] * n
    for _ in range(n * n):
        before = list(rows)
        for k in range(n):
            under = [rows[j] for j in range(n) if covers(k, j)]
            meets = [
                rows[j]
                for j in range(n)
                if j > k and rows[j] == rows[k] and spans[j][0] < spans[k][1] and spans[k][0] < spans[j][1]
            ]
            rows[k] = max([rows[k], *(row + 1 for row in under + meets)])
        if rows == before:
            break
    return rows


def settle(figure: Figure) -> None:
    """Lay a figure out once and for all, so that writing it does not measure it again."""
    if figure.get_layout_engine() is not None:
        with matplotlib.rc_context(RC):
            figure.draw_without_rendering()
        figure.set_layout_engine("none")


def figure_svg(figure: Figure) -> str:
    """Write a figure as one SVG element, the same bytes every time, fit to stand inside an HTML page.

    No date, no outside reference, no font; ids carry a prefix made of the picture itself, so that several
    pictures in one page do not clash.
    """
    buffer = io.StringIO()
    with matplotlib.rc_context(RC):
        settle(figure)
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    text = buffer.getvalue()
    element = text[text.index("<svg") :].strip()
    element = re.sub(r"<metadata>.*?</metadata>\s*", "", element, flags=re.DOTALL)
    prefix = "f" + hashlib.sha256(element.encode()).hexdigest()[:8] + "-"
    element = re.sub(r'(\bid="|href="#|url\(#)', lambda match: match.group(1) + prefix, element)
    return element


_TICKS = (
    10, 20, 30, 40, 50, 60, 80, 100, 150, 200, 250, 300, 400, 500, 600, 700, 800, 1000, 1200, 1500, 2000,
    2500, 3000, 4000, 5000, 6000, 8000, 10000, 15000, 20000,
)  # fmt: skip
