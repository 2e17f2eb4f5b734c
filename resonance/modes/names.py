"""Names of modes by family and piece: a guess from usual ranges, which the maker can overrule.

Every range carries the mark of its source: 'read' (in the source's own text), 'quoted' (read where another
text quotes it) or 'memory' (from memory of the named source, not verified).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import isfinite, nan

from resonance.modes.mode import Mode


@dataclass(frozen=True)
class Range:
    """Usual range of a named mode.

    Parameters
    ----------
    label : str   stored name
    low, high : float, Hz
    kind : 'body' or 'air'
    mark : 'read', 'quoted' or 'memory'
    source : str
    """

    label: str
    low: float
    high: float
    kind: str
    mark: str
    source: str


WHOLE: dict[str, tuple[Range, ...]] = {
    "violin": (
        Range("A0", 260, 290, "air", "memory", "Bissinger 2008, JASA 124, 1764; Gough 2016"),
        Range("CBR", 380, 440, "body", "read", "unsigned laser-vibrometer study proposal (weak source)"),
        Range("B1-", 420, 480, "body", "memory", "Bissinger 2008; Gough 2016; Jansson 2002, ch. 7"),
        Range("B1+", 500, 590, "body", "memory", "Bissinger 2008; Gough 2016; Jansson 2002, ch. 7"),
    ),
    "viola": (
        Range("A0", 210, 240, "air", "memory", "Hutchins; Jansson; 230 Hz quoted from Johannsson"),
        Range("B1-", 330, 385, "body", "memory", "Hutchins; Jansson; about 350 Hz quoted from Johannsson"),
        Range("B1+", 400, 460, "body", "memory", "Hutchins; Jansson; about 440 Hz quoted from Johannsson"),
    ),
    "cello": (
        Range("A0", 90, 105, "air", "memory", "Firth; Bynum and Rossing; Fletcher and Rossing, ch. 10"),
        Range("T1", 130, 150, "body", "quoted", "Bynum and Rossing in Zhang and others 2016, JASA 140, 2636"),
        Range("B1-", 160, 190, "body", "memory", "Firth; Bynum and Rossing; Fletcher and Rossing, ch. 10"),
        Range("B1+", 195, 230, "body", "memory", "Firth; Bynum and Rossing; Fletcher and Rossing, ch. 10"),
    ),
    "bass": (
        Range("A0", 55, 70, "air", "memory", "Askenfelt 1982, STL-QPSR; 65-67 Hz quoted from Brown 2004"),
        Range("T1", 95, 120, "body", "memory", "Askenfelt 1982, STL-QPSR; 115 Hz quoted from Brown 2004"),
    ),
}
PLATE: dict[str, tuple[Range, ...]] = {
    "violin": (
        Range("#1", 80, 95, "body", "memory", "Hutchins 1981, Sci. Am. 245, 170"),
        Range("#2", 150, 185, "body", "memory", "Hutchins 1981, Sci. Am. 245, 170"),
        Range("#5", 340, 370, "body", "memory", "Hutchins 1981, Sci. Am. 245, 170"),
    ),
    "viola": (
        Range("#2", 125, 160, "body", "memory", "Hutchins (weak)"),
        Range("#5", 270, 320, "body", "memory", "Hutchins (weak)"),
    ),
    "cello": (
        Range("#2", 60, 80, "body", "memory", "Hutchins (weak)"),
        Range("#5", 140, 180, "body", "memory", "Hutchins (weak)"),
    ),
}
SECOND_AIR: dict[str, Range] = {
    "violin": Range("A1", 430, 500, "air", "memory", "Jansson 1973, 2002; Hutchins 1989"),
}
LOOSER = 0.06  # a mode may lie this share outside its usual range and still be guessed
FAINT_DB = -24.0  # below the strongest: too weak to be one of the named


def ranges_of(family: str, piece: str = "whole") -> tuple[Range, ...]:
    """Usual ranges of the main modes of a family, by rising frequency; empty where none are known."""
    return (WHOLE if piece == "whole" else PLATE).get(family, ())


def name_modes(modes: Sequence[Mode], *, family: str, piece: str = "whole") -> tuple[Mode, ...]:
    """Guess the names of the main modes; names the maker gave stay.

    Among all ways to give the names in rising order, the one that best fits range and strength is taken. A
    name no mode fits stays unused. Guessed names carry `labelled_by` 'program'; kinds become 'air' where
    the name says so.
    """
    kept = [m if m.labelled_by == "maker" else replace(m, label=None, labelled_by="") for m in modes]
    given = {m.label for m in kept if m.label}
    ranges = tuple(r for r in ranges_of(family, piece) if r.label not in given)
    named = dict(_best_names(kept, ranges))
    if piece == "whole" and family in SECOND_AIR and "A1" not in given:
        named |= _second_air(kept, named, SECOND_AIR[family])
    return tuple(
        replace(m, label=named[i].label, labelled_by="program", kind=named[i].kind) if i in named else m
        for i, m in enumerate(kept)
    )


def strength_db(mode: Mode) -> float:
    """Level of a mode at its strongest place, or its signal over noise where no level is known, dB."""
    levels = [level.db for level in mode.levels if isfinite(level.db)]
    return max(levels) if levels else mode.snr_db


def _fitness(mode: Mode, named: Range, strongest_db: float) -> float:
    """How well a mode fits a range: 0 not at all, about 3 at best."""
    middle, half = 0.5 * (named.low + named.high), 0.5 * (named.high - named.low)
    outside = named.low * (1.0 - LOOSER) <= mode.frequency <= named.high * (1.0 + LOOSER)
    below = strength_db(mode) - strongest_db
    if not outside or mode.label or mode.kind not in ("body", "air") or not below > FAINT_DB:
        return 0.0
    return 3.0 + below / 8.0 - 0.3 * ((mode.frequency - middle) / half) ** 2


def _strongest_db(modes: Sequence[Mode]) -> float:
    strengths = [strength_db(m) for m in modes if m.kind in ("body", "air")]
    return max((s for s in strengths if isfinite(s)), default=nan)


def _best_names(modes: Sequence[Mode], ranges: tuple[Range, ...]) -> list[tuple[int, Range]]:
    """Names in rising order over modes in rising order: the best total fitness over all choices."""
    strongest = _strongest_db(modes)
    best: tuple[float, tuple[tuple[int, Range], ...]] = (0.0, ())
    table = [[(i, _fitness(m, r, strongest)) for i, m in enumerate(modes)] for r in ranges]
    options = [[(i, s) for i, s in row if s > 0.0] for row in table]
    for size in range(1, len(ranges) + 1):
        for chosen in combinations(range(len(ranges)), size):
            total, picks = _rising(options, chosen)
            if picks and total > best[0]:
                best = (total, tuple((i, ranges[r]) for r, i in zip(chosen, picks, strict=True)))
    return list(best[1])


def _rising(options: list[list[tuple[int, float]]], chosen: tuple[int, ...]) -> tuple[float, tuple[int, ...]]:
    """Best rising choice of one mode for each chosen name; (0, ()) when there is none."""
    paths: list[tuple[float, tuple[int, ...]]] = [(0.0, ())]
    for r in chosen:
        longer = [
            (total + score, (*picks, i))
            for total, picks in paths
            for i, score in options[r]
            if not picks or i > picks[-1]
        ]
        by_last: dict[int, tuple[float, tuple[int, ...]]] = {}
        for path in longer:
            last = path[1][-1]
            if last not in by_last or path[0] > by_last[last][0]:
                by_last[last] = path
        paths = list(by_last.values())
    return max(paths, default=(0.0, ()))


def _second_air(modes: Sequence[Mode], named: dict[int, Range], second: Range) -> dict[int, Range]:
    """A1 where exactly one unnamed body resonance is left in its range."""
    strongest = _strongest_db(modes)
    left = [
        i
        for i, m in enumerate(modes)
        if i not in named and m.kind == "body" and not m.label and second.low <= m.frequency <= second.high
        if strength_db(m) > strongest + FAINT_DB
    ]
    return {left[0]: second} if len(left) == 1 else {}
