"""Two bowed sets before and after: notes they share, bands of their long-term average, wolves.

Only notes that both sets have (same name, same string) are compared, so that other music cannot pass for
another sound. Levels of bands are relative to each note's own level: a microphone alone gives no absolute
level, and the gain may have changed. The yardstick is repetition: the scatter of repeated notes within a
set, and the scatter between sets with nothing changed in between where the job has such; else `ASSUMED_DB` a
set (assumed, no source), and then nothing is called "moved".

Reason codes
------------
places_differ, microphone_place_not_noted : microphone places
player_differs, player_not_noted : who played
few_common_notes : n
levels_far_apart : db: so different in level that gain, distance or bowing changed
methods_differ : the sets were read by different methods
scatter_assumed : scatter_db: no bowed set was repeated with nothing changed
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, nan, sqrt

import numpy as np

from resonance.changes.judge import call, combine, half_width, p_value
from resonance.changes.places import plain_name
from resonance.reasons import Reason
from resonance.sets.bowedset import BowedSet
from resonance.sound.recording import FloatArray
from resonance.spectra.bowed import BowedNote
from resonance.units import cents

ASSUMED_DB, ASSUMED_DOF = 1.5, 4.0
FEWEST_NOTES = 4
FAR_APART_DB = 6.0
FALSE_DISCOVERY = 0.05
WOLF_CENTS = 120.0  # a wolf so near is the same one
Key = tuple[str, str]


@dataclass(frozen=True)
class BowedBandChange:
    """Level change of one third octave (centre, Hz), re the notes' own level.

    Parameters
    ----------
    change_db, change_u_db : float, dB
    interval_db : (float, float)   95 %
    verdict : 'moved', 'differs' (as moved, scatter between sittings only assumed), 'no change seen',
        'not comparable'
    """

    centre: float
    change_db: float = nan
    change_u_db: float = nan
    interval_db: tuple[float, float] = (nan, nan)
    verdict: str = "not comparable"


@dataclass(frozen=True)
class WolfChange:
    """One wolf before and after: pitch (Hz) and depth of beating (0 to 1), NaN where it was not there."""

    name: str
    pitch_before: float = nan
    pitch_after: float = nan
    depth_before: float = nan
    depth_after: float = nan
    depth_change_u: float = nan
    verdict: str = "cannot tell"  # 'weaker', 'stronger', 'no change seen', 'gone', 'new', 'cannot tell'


@dataclass(frozen=True)
class BowedComparison:
    """What changed between two bowed sets.

    Parameters
    ----------
    before, after : str   ids
    bands : tuple of BowedBandChange
    wolves : tuple of WolfChange
    n_notes : int   notes that both have
    comparable : bool   False where what was noted forbids a comparison of levels
    scatter_db, scatter_dof : float   between sittings;  scatter_source 'this job' or 'assumed'
    reasons : tuple of Reason   why not, and what limits it
    """

    before: str = ""
    after: str = ""
    bands: tuple[BowedBandChange, ...] = ()
    wolves: tuple[WolfChange, ...] = ()
    n_notes: int = 0
    comparable: bool = False
    scatter_db: float = nan
    scatter_dof: float = nan
    scatter_source: str = "assumed"
    reasons: tuple[Reason, ...] = ()


def compare_bowed(
    before: BowedSet, after: BowedSet, *, repeats: Sequence[tuple[BowedSet, BowedSet]] = ()
) -> BowedComparison:
    """Compare two bowed sets.

    Parameters
    ----------
    before, after : BowedSet
    repeats : pairs of bowed sets with nothing changed in between, which tell the scatter between sittings
    """
    shared = sorted(_by_key(before.notes).keys() & _by_key(after.notes).keys())
    forbids, limits = _conditions(before, after, len(shared))
    scatter, dof, source = sitting_scatter(repeats)
    assumed = source == "assumed"
    if assumed:
        limits = (*limits, Reason("scatter_assumed", {"scatter_db": scatter}))
    bands: tuple[BowedBandChange, ...] = ()
    if not forbids and shared:
        bands = _bands(before, after, shared, scatter, dof, assumed)
    return BowedComparison(
        before.id,
        after.id,
        bands,
        _wolves(before, after),
        len(shared),
        not forbids,
        scatter,
        dof,
        source,
        (*forbids, *limits),
    )


def sitting_scatter(repeats: Sequence[tuple[BowedSet, BowedSet]]) -> tuple[float, float, str]:
    """Scatter in dB of a band's level from one sitting to the next with nothing changed, its dof and source.

    Over pairs and bands the root mean square of (difference / sqrt 2); bands of a pair move together, so a
    pair counts for two degrees of freedom. The scatter of the strokes within the sittings is part of it.
    """
    squares = []
    for first, second in repeats:
        shared = sorted(_by_key(first.notes).keys() & _by_key(second.notes).keys())
        if len(shared) >= FEWEST_NOTES and len(first.bands) == len(second.bands):
            change, _, _ = _band_change(first, second, shared)
            squares.append(float(np.nanmean(change**2)) / 2.0)
    if not squares:
        return ASSUMED_DB, ASSUMED_DOF, "assumed"
    return sqrt(float(np.mean(squares))), 2.0 * len(squares), "this job"


def _by_key(notes: Sequence[BowedNote]) -> dict[Key, list[BowedNote]]:
    found: dict[Key, list[BowedNote]] = {}
    for note in notes:
        found.setdefault((note.string, note.name), []).append(note)
    return found


def _conditions(
    before: BowedSet, after: BowedSet, n_shared: int
) -> tuple[tuple[Reason, ...], tuple[Reason, ...]]:
    """Reasons that forbid a comparison of levels, and reasons that limit it."""
    forbids, limits = [], []
    places = [{plain_name(take.microphone_place) for take in each.takes} for each in (before, after)]
    if "" in places[0] | places[1]:
        limits.append(Reason("microphone_place_not_noted"))
    elif places[0] != places[1]:
        forbids.append(Reason("places_differ"))
    players = [each.conditions.tapper.strip().casefold() for each in (before, after)]
    if "" in players:
        limits.append(Reason("player_not_noted"))
    elif players[0] != players[1]:
        forbids.append(Reason("player_differs"))
    if before.method != after.method:
        forbids.append(Reason("methods_differ"))
    if n_shared < FEWEST_NOTES:
        forbids.append(Reason("few_common_notes", {"n": float(n_shared)}))
    apart = _level(after) - _level(before)
    if abs(apart) > FAR_APART_DB:
        forbids.append(Reason("levels_far_apart", {"db": abs(apart)}))
    return tuple(forbids), tuple(limits)


def _level(each: BowedSet) -> float:
    return float(np.median([note.level_db for note in each.notes])) if each.notes else nan


def _bands(
    before: BowedSet, after: BowedSet, shared: Sequence[Key], scatter: float, dof: float, assumed: bool
) -> tuple[BowedBandChange, ...]:
    change, u, stroke_dof = _band_change(before, after, shared)
    spread = sqrt(2.0) * scatter
    terms = [
        combine([(float(each), stroke_dof), (spread, dof)]) if isfinite(each) else (spread, dof) for each in u
    ]
    p = np.array([p_value(float(c), *term) for c, term in zip(change, terms, strict=True)])
    judged = np.isfinite(p)
    called = np.zeros(p.size, bool)
    called[judged] = call(p[judged], FALSE_DISCOVERY)
    found = []
    for k, centre in enumerate(before.bands):
        if not judged[k]:
            found.append(BowedBandChange(centre))
            continue
        wide = half_width(*terms[k])
        word = ("differs" if assumed else "moved") if called[k] else "no change seen"
        value = float(change[k])
        found.append(BowedBandChange(centre, value, terms[k][0], (value - wide, value + wide), word))
    return tuple(found)


def _band_change(
    before: BowedSet, after: BowedSet, shared: Sequence[Key]
) -> tuple[FloatArray, FloatArray, float]:
    """Mean change of each band over shared notes, its uncertainty from repeated strokes, and their dof."""
    changes, variances, dof = [], [], 0
    for key in shared:
        left, right = (_relative(_by_key(each.notes)[key]) for each in (before, after))
        changes.append(np.mean(right, axis=0) - np.mean(left, axis=0))
        for rows in (left, right):
            if len(rows) > 1:
                dof += len(rows) - 1
                variances.append(np.sum((rows - rows.mean(axis=0)) ** 2, axis=0))
    counts = [1.0 / len(_by_key(each.notes)[key]) for key in shared for each in (before, after)]
    change = np.mean(changes, axis=0)
    if not dof:
        return change, np.full(change.shape, nan), nan
    stroke = np.sum(variances, axis=0) / dof
    return change, np.sqrt(stroke * sum(counts)) / len(shared), float(dof)


def _relative(notes: Sequence[BowedNote]) -> FloatArray:
    """Bands re each stroke's own level; array (n_strokes, n_bands)."""
    return np.array([np.asarray(note.bands_db) - note.level_db for note in notes])


def _wolves(before: BowedSet, after: BowedSet) -> tuple[WolfChange, ...]:
    """Pair the wolves of two sets by pitch; a lone one went only if its note was played in the other set."""
    left = [note for note in before.notes if note.wolf]
    right = [note for note in after.notes if note.wolf]
    changes, used = [], set()
    for note in _strongest(left):
        partner = _nearest(note, right)
        if partner is not None:
            used.add(partner.name)
        changes.append(_wolf_change(note, partner, after.notes))
    for note in _strongest(right):
        if note.name not in used and _nearest(note, left) is None:
            changes.append(_wolf_change(None, note, before.notes))
    return tuple(changes)


def _strongest(notes: Sequence[BowedNote]) -> list[BowedNote]:
    """Of wolves within `WOLF_CENTS` of each other the strongest alone."""
    kept: list[BowedNote] = []
    for note in sorted(notes, key=_depth, reverse=True):
        if _nearest(note, kept) is None:
            kept.append(note)
    return kept


def _depth(note: BowedNote) -> float:
    return note.wolf.depth if note.wolf else nan


def _nearest(note: BowedNote, others: Sequence[BowedNote]) -> BowedNote | None:
    near = [each for each in others if abs(float(cents(each.pitch, note.pitch))) < WOLF_CENTS]
    return max(near, key=lambda each: _depth(each) if each.wolf else 0.0, default=None)


def _wolf_change(
    first: BowedNote | None, second: BowedNote | None, others: Sequence[BowedNote]
) -> WolfChange:
    if first is not None and second is not None and first.wolf and second.wolf:
        u = sqrt(first.wolf.depth_u**2 + second.wolf.depth_u**2)
        step = second.wolf.depth - first.wolf.depth
        word = (
            "no change seen" if not abs(step) > max(2.0 * u, 0.1) else "weaker" if step < 0.0 else "stronger"
        )
        return WolfChange(first.name, first.pitch, second.pitch, first.wolf.depth, second.wolf.depth, u, word)
    lone = first or second
    if lone is None:
        raise ValueError("a wolf before or after is needed")
    played = _nearest(lone, others) is not None
    if first is not None:
        word = "gone" if played else "cannot tell"
        return WolfChange(lone.name, pitch_before=lone.pitch, depth_before=_depth(lone), verdict=word)
    word = "new" if played else "cannot tell"
    return WolfChange(lone.name, pitch_after=lone.pitch, depth_after=_depth(lone), verdict=word)
