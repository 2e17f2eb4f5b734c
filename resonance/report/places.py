"""The drawing of holding, tap and microphone places: from the maker's words to places on it.

Words that name no place known here are told under the drawing instead, and nothing is guessed.
"""

import textwrap

from matplotlib.figure import Figure

from resonance.plots.places import BRIDGE, Blow, Mark, places_figure
from resonance.plots.style import figure_svg
from resonance.report.blocks import Picture
from resonance.report.facts import places_of
from resonance.report.words import list_words
from resonance.sets.instrument import Instrument
from resonance.sets.tapset import TapSet

WIDEST = 24  # letters in a line of words
CAPTION = (
    "Where the instrument is held (hatched), tapped (filled) and heard (ring). A drawing, not to scale; the "
    "bass side is at the left."
)

# words that must all be there -> place; the first that fits counts
_TAPS = (
    (("straight", "down"), (0.0, BRIDGE + 0.015)),
    (("bass", "corner"), (-0.055, BRIDGE)),
    (("treble", "corner"), (0.055, BRIDGE)),
    (("bass",), (-0.055, BRIDGE)),
    (("treble",), (0.055, BRIDGE)),
    (("bridge",), (-0.055, BRIDGE)),
)
_PLATE_TAPS = (
    (("middle",), (0.0, 0.5)),
    (("lower",), (0.0, 0.08)),
    (("upper",), (0.0, 0.92)),
    (("edge",), (0.27, 0.2)),
)
_HEARD = (
    (("treble", "f"), (0.135, BRIDGE - 0.02)),
    (("bass", "f"), (-0.135, BRIDGE - 0.02)),
    (("treble",), (0.40, BRIDGE - 0.02)),
    (("bass",), (-0.40, BRIDGE - 0.02)),
    (("f-hole",), (0.135, BRIDGE - 0.02)),
    (("over", "bridge"), (0.02, BRIDGE + 0.06)),
    (("above", "bridge"), (0.02, BRIDGE + 0.06)),
    (("lower", "bout"), (0.15, 0.18)),
    (("upper", "bout"), (0.12, 0.84)),
)
_HELD = (
    (("cradle",), ((-0.24, 0.17), (-0.20, 0.85), (0.0, 1.535))),
    (("neck",), ((0.0, 1.12),)),
    (("endpin",), ((0.0, -0.03), (0.0, 1.12))),
    (("lap",), ((-0.25, 0.12), (0.0, 1.12))),
)
_BLOWS = (
    (("straight", "down"), (0.0, 0.88), (0.0, -1.0)),
    (("bass",), (-0.40, 0.60), (1.0, 0.0)),
    (("treble",), (0.40, 0.60), (-1.0, 0.0)),
    (("bridge",), (-0.40, 0.60), (1.0, 0.0)),
)


def places_picture(instrument: Instrument, tap_set: TapSet) -> Picture:
    """Give the drawing of `places_drawing` with its caption."""
    figure, caption = places_drawing(instrument, tap_set)
    return Picture("repeat", figure_svg(figure), caption, floating=False)


def places_drawing(instrument: Instrument, tap_set: TapSet) -> tuple[Figure, str]:
    """Draw how a tap set was held, tapped and heard; the caption tells what could not be drawn."""
    whole = instrument.piece == "whole"
    taps, heard = places_of(tap_set)
    marks: list[Mark] = []
    unknown: list[str] = []
    for words in taps:
        place = _found(words, _TAPS if whole else _PLATE_TAPS)
        _add(marks, unknown, words, place, "tap", "tap")
    for words in heard:
        place = _found(words, _HEARD if whole else ())
        _add(marks, unknown, words, place, "microphone", "microphone")
    held = (
        next((places for keys, places in _HELD if _has(tap_set.conditions.holding, keys)), ())
        if whole
        else ()
    )
    for k, (x, y) in enumerate(held):
        marks.append(Mark(x, y, _lines(f"held: {tap_set.conditions.holding}") if k == 0 else "", "held"))
    blows = _blows(taps) if whole else []
    figure = places_figure(marks, blows, piece=instrument.piece)
    return figure, _caption(unknown, blows=bool(blows))


def _caption(unknown: list[str], *, blows: bool) -> str:
    more = " Arrows show the blow: light, in the plane of the bridge, or as drawn." if blows else ""
    rest = f" Not drawn, since only its words are known: {list_words(unknown)}." if unknown else ""
    return CAPTION + more + rest


def _add(
    marks: list[Mark],
    unknown: list[str],
    words: str,
    place: tuple[float, float] | None,
    kind: str,
    prefix: str,
) -> None:
    if place is None:
        unknown.append(f"{prefix} at {words}")
        return
    marks.append(Mark(*place, _lines(f"{prefix}: {words}"), kind))


def _blows(taps: list[str]) -> list[Blow]:
    found: dict[tuple[float, float], Blow] = {}
    for words in taps:
        fit = next(((at, way) for keys, at, way in _BLOWS if _has(words, keys)), None)
        if fit is not None and fit[0] not in found:
            found[fit[0]] = Blow(*fit[0], fit[1], _lines(words))
    return list(found.values())


def _found(
    words: str, known: tuple[tuple[tuple[str, ...], tuple[float, float]], ...]
) -> tuple[float, float] | None:
    return next((place for keys, place in known if _has(words, keys)), None)


def _has(words: str, keys: tuple[str, ...]) -> bool:
    lower = words.lower()
    return all(key in lower for key in keys)


def _lines(words: str) -> str:
    return "\n".join(textwrap.wrap(words, WIDEST, max_lines=3, placeholder="…"))
