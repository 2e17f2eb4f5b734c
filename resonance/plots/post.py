"""The post from above: where it has been, and what moving it does to the chief modes, as far as is known.

To the right is in, to the centre joint; upward is away from the bridge. Beside the sketch stands each slope
with its 95 % interval: a filled mark is known well enough, an open one is not, a cross was not moved
that way often enough.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from resonance.plots.style import AFTER, FAINT, HAIR, INK, NORMAL, RC, SMALL, drawable, dress, new_figure
from resonance.sound.recording import FloatArray

ROOM_MM = 0.15


@dataclass(frozen=True, eq=False)
class Slopes:
    """What moving the post one way does: cents for a quarter millimetre, by mode.

    Parameters
    ----------
    title : str
    names : sequence of str (n,)   from the top down
    value, low, high : arrays (n,)   NaN where nothing is known
    known : array (n,) of bool   well enough to be told
    """

    title: str
    names: Sequence[str]
    value: FloatArray
    low: FloatArray
    high: FloatArray
    known: FloatArray


def post_sketch(
    places_mm: FloatArray, place_u_mm: float, slopes: Sequence[Slopes], *, title: str, note: str = ""
) -> Figure:
    """Draw where the post has been and what each way does.

    Parameters
    ----------
    places_mm : array (n, 2)   along and across, from the first place on
    place_u_mm : float   how surely a place is read
    slopes : sequence of Slopes   along, across; none where too few moves were made
    title, note : str   in words, above and below
    """
    rows = max([len(s.names) for s in slopes], default=0)
    figure = new_figure(height_mm=max(78.0, 34.0 + 6.0 * rows))
    with matplotlib.rc_context(RC):
        axes = figure.subplots(1, 1 + len(slopes), width_ratios=[1.2, *[1.0] * len(slopes)], squeeze=False)[0]
        figure.suptitle(drawable(title), fontsize=NORMAL, color=INK, x=0.01, ha="left", weight="bold")
        if note:
            figure.supxlabel(drawable(note), fontsize=SMALL, color=INK)
    draw_places(dress(axes[0]), places_mm, place_u_mm)
    reach = [float(np.nanmax(np.abs([s.low, s.high]), initial=10.0)) for s in slopes]
    for k, (ax, each) in enumerate(zip(axes[1:], slopes, strict=True)):
        draw_slopes(dress(ax), each, named=k == 0).set_xlim(-1.1 * max(reach), 1.1 * max(reach))
    return figure


def draw_places(ax: Axes, places_mm: FloatArray, place_u_mm: float) -> Axes:
    """Draw the way of the post, numbered, the bridge below; a ring shows how surely its place is known."""
    along, across = np.asarray(places_mm).T
    ax.plot(across, along, color=FAINT, linewidth=0.9, linestyle="--", zorder=2)
    angle = np.linspace(0.0, 2.0 * np.pi, 60)
    ring = 1.96 * place_u_mm
    ax.plot(across[-1] + ring * np.cos(angle), along[-1] + ring * np.sin(angle), color=AFTER, linewidth=0.7)
    ax.plot(across[:-1], along[:-1], "o", color=FAINT, markersize=5.0, markerfacecolor="white", zorder=3)
    ax.plot(across[-1:], along[-1:], "o", color=AFTER, markersize=7.0, zorder=4)
    texts: dict[tuple[float, float], list[str]] = {}
    for k, (x, y) in enumerate(zip(across, along, strict=True)):
        name = "now" if k == len(along) - 1 else "first" if k == 0 else str(k)
        texts.setdefault((round(float(x), 3), round(float(y), 3)), []).append(name)
    for (x, y), names in texts.items():
        ax.annotate(", ".join(names), (x, y), (6, 5), textcoords="offset points", fontsize=SMALL, color=INK)
    room = ring + ROOM_MM
    ends = np.array([(f(across), f(along)) for f in (np.min, np.max)])
    middle, half = ends.mean(axis=0), 0.5 * float(np.ptp(ends, axis=0).max()) + room
    ax.set_xlim(middle[0] - half, middle[0] + half)
    ax.set_ylim(middle[1] - half, middle[1] + half)
    ax.set_aspect("equal", adjustable="box")
    ax.set_xlabel("mm in, to the centre joint")
    ax.set_ylabel("mm away from the bridge")
    ax.set_title("where it has been", loc="left", fontsize=NORMAL, color=INK)
    return ax


def draw_slopes(ax: Axes, slopes: Slopes, *, named: bool = True) -> Axes:
    """Draw slopes with their intervals; filled known, open not well enough, a cross not known at all."""
    rows = np.arange(len(slopes.names))[::-1]
    ax.axvline(0.0, color=HAIR, linewidth=1.0, zorder=1)
    for row, value, low, high, known in zip(
        rows, slopes.value, slopes.low, slopes.high, slopes.known.astype(bool), strict=True
    ):
        if not np.isfinite(value):
            ax.plot([0.0], [row], "x", color=FAINT, markersize=5.0)
            continue
        colour = AFTER if known else FAINT
        ax.plot([low, high], [row, row], color=colour, linewidth=1.4 if known else 0.9, zorder=2)
        ax.plot([value], [row], "o", color=colour, markersize=5.0, zorder=3,
                markerfacecolor=colour if known else "white")  # fmt: skip
    ax.set_yticks(rows, [drawable(name) for name in slopes.names] if named else [""] * len(rows))
    ax.set_ylim(-0.7, len(rows) - 0.3)
    ax.set_xlabel("cents for a quarter mm")
    ax.set_title(drawable(slopes.title), loc="left", fontsize=NORMAL, color=INK)
    return ax
