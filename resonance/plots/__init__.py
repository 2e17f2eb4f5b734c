"""Plots: results in, matplotlib axes out; nothing computed.

The names below are loaded when first used, as those of `resonance` are.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from resonance.plots.changes import Event as Event
    from resonance.plots.changes import Readings as Readings
    from resonance.plots.changes import TimeAxis as TimeAxis
    from resonance.plots.changes import day_number as day_number
    from resonance.plots.changes import readings_figure as readings_figure
    from resonance.plots.decay import draw_decay as draw_decay
    from resonance.plots.history import Fitted as Fitted
    from resonance.plots.history import Noted as Noted
    from resonance.plots.spectrum import Curve as Curve
    from resonance.plots.spectrum import draw_before_after as draw_before_after
    from resonance.plots.spectrum import draw_spectrum as draw_spectrum
    from resonance.plots.style import AFTER as AFTER
    from resonance.plots.style import BEFORE as BEFORE
    from resonance.plots.style import FAINT as FAINT
    from resonance.plots.style import INK as INK
    from resonance.plots.style import SMALL as SMALL
    from resonance.plots.style import new_axes as new_axes
    from resonance.plots.taps import TapLine as TapLine
    from resonance.plots.taps import taps_figure as taps_figure

_HOMES = {
    "AFTER": "resonance.plots.style",
    "BEFORE": "resonance.plots.style",
    "Curve": "resonance.plots.spectrum",
    "Event": "resonance.plots.changes",
    "FAINT": "resonance.plots.style",
    "Fitted": "resonance.plots.history",
    "INK": "resonance.plots.style",
    "Noted": "resonance.plots.history",
    "Readings": "resonance.plots.changes",
    "SMALL": "resonance.plots.style",
    "TapLine": "resonance.plots.taps",
    "TimeAxis": "resonance.plots.changes",
    "day_number": "resonance.plots.changes",
    "draw_before_after": "resonance.plots.spectrum",
    "draw_decay": "resonance.plots.decay",
    "draw_spectrum": "resonance.plots.spectrum",
    "new_axes": "resonance.plots.style",
    "readings_figure": "resonance.plots.changes",
    "taps_figure": "resonance.plots.taps",
}
__all__ = [*_HOMES]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'resonance.plots' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)
