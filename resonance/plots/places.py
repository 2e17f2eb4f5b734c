"""Where an instrument is held, tapped and heard: seen from the front, and the bridge seen from the tailpiece.

The drawing is a plain one of our own, not to scale of any instrument; the body is 1 long, its foot at 0, the
bass side at the left as one looks at it with the scroll up.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Ellipse, PathPatch
from matplotlib.path import Path

from resonance.plots.style import (
    AFTER,
    FAINT,
    HAIR,
    INK,
    LINE,
    NORMAL,
    RC,
    SMALL,
    drawable,
    new_figure,
    spread,
)

BRIDGE = 0.455  # place of the bridge along the body
_LEFT, _RIGHT = -0.46, 0.46  # where words begin
_GAP = 0.125  # between words

# right half of the outline, from the foot to the neck: Bézier curves, corner to corner
_OUTLINE = (
    ((0.0, 0.0), (0.19, -0.004), (0.292, 0.085), (0.292, 0.205)),
    ((0.292, 0.205), (0.292, 0.30), (0.222, 0.325), (0.248, 0.385)),
    ((0.248, 0.385), (0.165, 0.43), (0.150, 0.575), (0.207, 0.650)),
    ((0.207, 0.650), (0.178, 0.690), (0.236, 0.725), (0.236, 0.815)),
    ((0.236, 0.815), (0.236, 0.915), (0.14, 0.985), (0.036, 1.0)),
)
_F_HOLE = (
    ((0.092, 0.556), (0.155, 0.575), (0.098, 0.500), (0.122, 0.462)),
    ((0.122, 0.462), (0.146, 0.424), (0.196, 0.352), (0.168, 0.372)),
)
_BRIDGE_HALF = (  # right half of the bridge, from the middle of its foot line up to its crown
    ((0.0, 0.30), (0.10, 0.30), (0.14, 0.20), (0.20, 0.10)),
    ((0.20, 0.10), (0.22, 0.06), (0.22, 0.04), (0.22, 0.0)),
    ((0.22, 0.0), (0.30, 0.0), (0.38, 0.0), (0.46, 0.0)),
    ((0.46, 0.0), (0.46, 0.08), (0.44, 0.12), (0.40, 0.16)),
    ((0.40, 0.16), (0.30, 0.24), (0.26, 0.34), (0.34, 0.42)),
    ((0.34, 0.42), (0.40, 0.46), (0.42, 0.52), (0.40, 0.60)),
    ((0.40, 0.60), (0.38, 0.72), (0.20, 0.86), (0.0, 0.87)),
)


@dataclass(frozen=True)
class Mark:
    """One place: where it is on the drawing, its words, and 'tap', 'microphone' or 'held'."""

    x: float
    y: float
    text: str
    kind: str


@dataclass(frozen=True)
class Blow:
    """One way to tap the bridge: where on its drawing, the direction of the blow, and words."""

    x: float
    y: float
    towards: tuple[float, float]
    text: str


def places_figure(marks: Sequence[Mark], blows: Sequence[Blow], *, piece: str = "whole") -> Figure:
    """Draw the instrument, or a plate, with its places, and beside it how the bridge is tapped."""
    figure = new_figure(height_mm=88.0, margins_mm=(0.0, 0.0, 0.0, 0.0))
    whole = piece == "whole"
    with matplotlib.rc_context(RC):
        body = figure.add_axes((0.0, 0.0, 0.69 if blows else 1.0, 1.0))
        draw_body(body, marks, whole=whole)
        if blows:
            draw_bridge(figure.add_axes((0.70, 0.10, 0.29, 0.70)), blows)
    return figure


def draw_body(ax: Axes, marks: Sequence[Mark], *, whole: bool = True) -> Axes:
    """Draw the instrument from the front with its places; words stand at the sides, joined by fine lines."""
    _bare(ax)
    ax.set_xlim(-1.18, 1.18)
    ax.set_ylim(-0.10, 1.62 if whole else 1.1)
    for side in (-1.0, 1.0):
        ax.add_patch(_curve(_OUTLINE, side, edge=INK, width=1.2))
        if whole:
            ax.add_patch(_curve(_F_HOLE, side, edge=INK, width=1.4))
    if whole:
        _fittings(ax)
    for mark in marks:
        if not mark.text:
            _mark(ax, mark, 0.0, "left")
    for hand in ("left", "right"):
        own = sorted((m for m in marks if _side(m) == hand and m.text), key=lambda mark: mark.y)
        rows = spread(np.array([m.y for m in own]), _GAP, -0.02, 1.55 if whole else 1.05)
        for mark, row in zip(own, rows, strict=True):
            _mark(ax, mark, float(row), hand)
    return ax


def draw_bridge(ax: Axes, blows: Sequence[Blow]) -> Axes:
    """Draw the bridge as seen from the tailpiece, with an arrow for each way it is tapped."""
    _bare(ax)
    ax.set_xlim(-1.0, 1.0)
    ax.set_ylim(-0.18, 1.45)
    for side in (-1.0, 1.0):
        ax.add_patch(_curve(_BRIDGE_HALF, side, edge=INK, width=1.2))
    for x, y in ((-0.33, 0.70), (-0.12, 0.86), (0.12, 0.86), (0.33, 0.70)):
        ax.add_patch(Circle((x, y + 0.02), 0.018, facecolor="white", edgecolor=INK, linewidth=0.8))
    for k, blow in enumerate(blows):
        start = (blow.x - 0.34 * blow.towards[0], blow.y - 0.34 * blow.towards[1])
        ax.annotate(
            "", (blow.x, blow.y), start, arrowprops={"arrowstyle": "-|>", "color": AFTER, "linewidth": 1.8}
        )
        level = 1.08 + 0.16 * k if blow.towards[1] == 0.0 else 1.34
        ha = "left" if blow.x < -0.1 else "right" if blow.x > 0.1 else "center"
        x = -0.98 if blow.x < -0.1 else 0.98 if blow.x > 0.1 else 0.0
        ax.text(
            x, level, drawable(blow.text), ha=ha, va="center", fontsize=SMALL, color=AFTER, parse_math=False
        )
        ax.plot([start[0], start[0]], [start[1], level - 0.06], color=LINE, linewidth=0.6)
    ax.text(-0.5, -0.10, "bass side", ha="center", fontsize=SMALL, color=FAINT)
    ax.text(0.5, -0.10, "treble side", ha="center", fontsize=SMALL, color=FAINT)
    ax.set_title("the bridge, seen\nfrom the tailpiece", loc="center", fontsize=NORMAL, color=INK)
    return ax


def _bare(ax: Axes) -> None:
    ax.set_axis_off()
    ax.set_aspect("equal", adjustable="box")


def _curve(
    pieces: Sequence[Sequence[tuple[float, float]]], side: float, *, edge: str, width: float
) -> PathPatch:
    points = [pieces[0][0], *(point for piece in pieces for point in piece[1:])]
    codes = [Path.MOVETO, *([Path.CURVE4] * (len(points) - 1))]
    turned = [(side * x, y) for x, y in points]
    return PathPatch(Path(turned, codes), facecolor="none", edgecolor=edge, linewidth=width, capstyle="round")


def _fittings(ax: Axes) -> None:
    """Draw neck, fingerboard, scroll, bridge, tailpiece and strings."""
    board = [(-0.038, 0.72), (-0.024, 1.40), (0.024, 1.40), (0.038, 0.72)]
    tail = [(-0.036, 0.335), (-0.02, 0.03), (0.02, 0.03), (0.036, 0.335)]
    for outline in (board, tail):
        ax.fill(*zip(*outline, strict=True), facecolor=HAIR, edgecolor=FAINT, linewidth=0.8)
    ax.fill(
        [-0.024, -0.03, 0.03, 0.024],
        [1.40, 1.50, 1.50, 1.40],
        facecolor="white",
        edgecolor=FAINT,
        linewidth=0.8,
    )
    ax.add_patch(Circle((0.0, 1.535), 0.042, facecolor="white", edgecolor=FAINT, linewidth=0.8))
    for x in (-0.026, -0.009, 0.009, 0.026):
        ax.plot([0.8 * x, x, 0.6 * x], [0.335, BRIDGE, 1.40], color=FAINT, linewidth=0.5)
    ax.fill(
        [-0.06, -0.06, 0.06, 0.06],
        [BRIDGE - 0.008, BRIDGE + 0.008, BRIDGE + 0.008, BRIDGE - 0.008],
        color=INK,
    )


def _side(mark: Mark) -> str:
    return "left" if mark.x < 0.0 else "right"


def _mark(ax: Axes, mark: Mark, row: float, side: str) -> None:
    """Draw the sign of a place and its words: a filled dot taps, a ring hears, a hatched oval holds."""
    if mark.kind == "held":
        ax.add_patch(Ellipse((mark.x, mark.y), 0.10, 0.05, facecolor="white", edgecolor=FAINT, hatch="//////",
                             linewidth=0.8, zorder=4))  # fmt: skip
    else:
        ax.plot([mark.x], [mark.y], marker="o", markersize=6.0, zorder=5,
                markerfacecolor="white" if mark.kind == "microphone" else AFTER,
                markeredgecolor=INK if mark.kind == "microphone" else AFTER, markeredgewidth=1.4)  # fmt: skip
    if not mark.text:
        return
    end = _LEFT if side == "left" else _RIGHT
    ax.plot([mark.x, end], [mark.y, row], color=LINE, linewidth=0.7, zorder=3)
    ax.text(end + (-0.02 if side == "left" else 0.02), row, drawable(mark.text), fontsize=SMALL, color=INK,
            ha="right" if side == "left" else "left", va="center", parse_math=False)  # fmt: skip
