"""One verdict for each pair of modes: judged against everything that moves a reading when nothing was done.

That is the two readings' own uncertainty, the put-back scatter of both sets, the room where the places
differ, and for air modes the air's temperature where noted. Over the judged modes the share of false calls is
held (Benjamini and Hochberg 1995); the intervals of the called ones are widened for having been chosen
(Benjamini and Yekutieli 2005), so that they stay 95 %. With 10 % false calls allowed and 95 % intervals, a
mode just over the line may have an interval that just holds zero: it is marked 'close_call'. The other way
round, a mode that is not called may have an interval that leaves zero out: looked at alone it would have
counted, among so many it does not. It is marked 'one_of_many', lest interval and verdict seem to disagree.

Reason codes
------------
repeatability_assumed : {'scatter_cents', 'kind'}   no repeat sets of that kind: say "differs", not "moved"
few_repeats : {'n', 'scatter_cents'}                fewer than three repeat sets behind the put-back scatter
place_differs : {'room_u'}                          the room term in it, Hz
air_temperature : {'expected_cents', 'degrees'}     judged against the shift that the air alone makes
unsure_mode : {'side'}                              not known to be a resonance of the body at all
pair_ambiguous : {'margin'}                         may be another mode; a name on both sides settles it
no_uncertainty : {'side'}                           a reading without uncertainty ('before', 'after', 'both')
room_bends_shift : {'u'}                           by one list: how far it moved, the room bends, Hz
close_call : {'p', 'threshold'}                     called, though the 95 % interval just holds zero
one_of_many : {'p', 'threshold', 'n'}               not called among n, though its interval leaves zero out
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot, inf, isfinite, log, nan, sqrt

import numpy as np

from resonance.changes.comparison import ModeShift, Repeatability, Scatter
from resonance.changes.conditions import air_shift_cents
from resonance.changes.judge import (
    call,
    combine,
    confidence_of_called,
    detectable,
    half_width,
    p_value,
    thresholds,
)
from resonance.changes.levels import level_change
from resonance.changes.pair import Pair, frequency_u_cents, is_doubtful
from resonance.changes.places import ROOM_DOF, limited_room, room_hertz
from resonance.changes.repeatability import scatter_for
from resonance.changes.together import OneList
from resonance.modes.intervals import half_bandwidth
from resonance.modes.mode import Mode
from resonance.reasons import Reason
from resonance.sets.tapset import TapSet
from resonance.units import cents

CENTS = 1200.0 / log(2.0)
ENOUGH_REPEATS = 3
AIR_LABELS = ("A0", "A1")
# Half bandwidths over which what the room does to a mode becomes another; set on simulated rooms of 12 dB.
ROOM_WIDTH = 2.2
BENT_NOTABLY = 1.3  # times the interval without the room, from which the room is named
# Damping after putting back: 10 to 20 % (common practice, no source); the smaller, as a standard uncertainty.
DAMPING_SCATTER = 0.10


@dataclass(frozen=True)
class Judged:
    """One pair on its way to a verdict; `difference_cents` is what is tested, `shift_cents` what was read.

    `bend_cents` is what the room adds to the uncertainty of how far it moved, not of whether it did.
    """

    before: Mode
    after: Mode
    ambiguous: bool
    shift_cents: float
    difference_cents: float
    u_cents: float
    dof: float
    p: float
    scatter: Scatter
    reasons: tuple[Reason, ...]
    bend_cents: float = 0.0


@dataclass(frozen=True)
class Yardsticks:
    """What shifts between two sets are judged by."""

    repeatability: Repeatability
    kind: str
    room: float
    air_cents: float
    air_u_cents: float
    degrees: float


def yardsticks(before: TapSet, after: TapSet, repeatability: Repeatability, *, kind: str) -> Yardsticks:
    """Gather what shifts between two sets are judged by; `kind` is what the work between them does."""
    air, air_u = air_shift_cents(before, after)
    first, second = before.climate.temperature_c, after.climate.temperature_c
    return Yardsticks(
        repeatability=repeatability,
        kind=kind,
        room=room_hertz(before, after),
        air_cents=air,
        air_u_cents=air_u,
        degrees=0.0 if first is None or second is None else second - first,
    )


def judge_pair(
    before: Mode, after: Mode, pair: Pair, yard: Yardsticks, one_list: OneList | None = None
) -> Judged:
    """Difference of a pair, its uncertainty, and the chance of it when nothing was done.

    Parameters
    ----------
    one_list : OneList or None   the difference by one list for both sets, where it could be had; `after` is
        then told where it puts it
    """
    if one_list is not None:
        after = replace(after, frequency=before.frequency + one_list.shift)
    scatter = scatter_for(yard.repeatability, kind=yard.kind, track=before.track or after.track)
    room = min(limited_room(yard.room, before), limited_room(yard.room, after))
    air = _is_air(before) and _is_air(after) and yard.degrees != 0.0
    shift = float(cents(after.frequency, before.frequency))
    difference = shift - yard.air_cents if air else shift
    u, dof = combine(
        [
            *_own_terms(before, after, one_list),
            (sqrt(2.0) * scatter.scatter_cents, scatter.dof),
            (CENTS * room / before.frequency, ROOM_DOF),
            (yard.air_u_cents if air else 0.0, inf),
        ]
    )
    reasons = [*_yardstick_reasons(yard, scatter)]
    if room > 0.0:
        reasons.append(Reason("place_differs", {"room_u": room}))
    if air:
        reasons.append(Reason("air_temperature", {"expected_cents": yard.air_cents, "degrees": yard.degrees}))
    if pair.ambiguous:
        reasons.append(Reason("pair_ambiguous", {"margin": pair.margin}))
    unknown = [side for side, m in (("before", before), ("after", after)) if not isfinite(m.frequency_u)]
    if unknown:
        reasons.append(Reason("no_uncertainty", {"side": unknown[0] if len(unknown) == 1 else "both"}))
    doubtful = [side for side, m in (("before", before), ("after", after)) if is_doubtful(m)]
    if doubtful:
        reasons.append(Reason("unsure_mode", {"side": doubtful[0] if len(doubtful) == 1 else "both"}))
    p = nan if pair.ambiguous or doubtful else p_value(difference, u, dof)
    at_one_place = one_list is not None and room == 0.0
    bend = CENTS * bent_by_room(before, after) / before.frequency if at_one_place else 0.0
    return Judged(before, after, pair.ambiguous, shift, difference, u, dof, p, scatter, tuple(reasons), bend)


def bent_by_room(before: Mode, after: Mode) -> float:
    """Standard uncertainty, Hz, that a room adds to the size of a shift read by one list at one place.

    With nothing moved the room's share is the same in both sets and falls out. A mode that moves meets
    another part of the room: by and by the two shares become independent.
    """
    terms = [mode.model_u for mode in (before, after) if isfinite(mode.model_u)]
    half = max(half_bandwidth(before), half_bandwidth(after))
    apart = abs(after.frequency - before.frequency)
    if not terms or not half > 0.0:
        return 0.0
    return sqrt(2.0 * sum(x * x for x in terms) / len(terms)) * apart / hypot(apart, ROOM_WIDTH * half)


def _own_terms(before: Mode, after: Mode, one_list: OneList | None) -> list[tuple[float, float]]:
    """Uncertainties, cents, and degrees of freedom of the two readings."""
    if one_list is not None:
        return [(CENTS * one_list.shift_u / before.frequency, one_list.dof)]
    return [(frequency_u_cents(mode), mode.frequency_dof) for mode in (before, after)]


def _yardstick_reasons(yard: Yardsticks, scatter: Scatter) -> list[Reason]:
    if scatter.source == "assumed":
        return [Reason("repeatability_assumed", {"scatter_cents": scatter.scatter_cents, "kind": yard.kind})]
    n = yard.repeatability.n_repeats
    if scatter.source == "this job" and 0 < n < ENOUGH_REPEATS:
        return [Reason("few_repeats", {"n": n, "scatter_cents": scatter.scatter_cents})]
    return []


def _is_air(mode: Mode) -> bool:
    return mode.kind == "air" or mode.label in AIR_LABELS


def mode_shifts(rows: Sequence[Judged], false_discovery: float) -> list[ModeShift]:
    """Judge all pairs together.

    Parameters
    ----------
    rows : sequence of Judged   ambiguous ones and those without uncertainty have a NaN p: 'ambiguous'
    false_discovery : float   share of false calls allowed on average among the modes called

    Returns
    -------
    list of ModeShift, in the order of `rows`
    """
    p = np.array([row.p for row in rows], float)
    judged = np.isfinite(p)
    called = np.zeros(p.size, bool)
    called[judged] = call(p[judged], false_discovery)
    level = np.full(p.size, false_discovery / max(1, int(judged.sum())))
    level[judged] = thresholds(called[judged], false_discovery)
    chosen = confidence_of_called(int(called.sum()), max(1, int(judged.sum())))
    return [
        _shift(row, bool(j), bool(c), float(at), chosen if c else 0.95, int(judged.sum()))
        for row, j, c, at in zip(rows, judged, called, level, strict=True)
    ]


def _shift(
    row: Judged, judged: bool, called: bool, threshold: float, confidence: float, n_judged: int
) -> ModeShift:
    half = half_width(row.u_cents, row.dof, confidence=confidence)
    u_cents, dof = combine([(row.u_cents, row.dof), (row.bend_cents, ROOM_DOF)])
    wide = half_width(u_cents, dof, confidence=confidence)
    interval = (row.shift_cents - wide, row.shift_cents + wide)
    reasons = row.reasons
    if called and half > abs(row.difference_cents):
        reasons = (*reasons, Reason("close_call", {"p": row.p, "threshold": threshold}))
    if judged and not called and half < abs(row.difference_cents):
        reasons = (*reasons, Reason("one_of_many", {"p": row.p, "threshold": threshold, "n": n_judged}))
    if wide > BENT_NOTABLY * half:
        bend = row.bend_cents * row.before.frequency / CENTS
        reasons = (*reasons, Reason("room_bends_shift", {"u": bend}))
    level, level_u = level_change(row.before, row.after)
    middle = sqrt(row.before.frequency * row.after.frequency)
    verdict = ("moved" if called else "no change seen") if judged else "ambiguous"
    return ModeShift(
        track=row.before.track or row.after.track,
        label=_label(row.before, row.after),
        before=row.before,
        after=row.after,
        shift=row.after.frequency - row.before.frequency,
        shift_u=u_cents * middle / CENTS,
        shift_cents=row.shift_cents,
        interval_cents=interval,
        level_change_db=level,
        level_change_db_u=level_u,
        damping_change=row.after.damping - row.before.damping,
        damping_change_u=_damping_u(row.before, row.after),
        verdict=verdict,
        repeatability=row.scatter,
        least_detectable_cents=detectable(row.u_cents, row.dof, threshold),
        reasons=reasons,
    )


def _label(before: Mode, after: Mode) -> str | None:
    """Choose the maker's name, the later one first, before a guess."""
    by_maker = [m.label for m in (after, before) if m.label and m.labelled_by == "maker"]
    return next(iter([*by_maker, before.label, after.label]), None) or after.label


def _damping_u(before: Mode, after: Mode) -> float:
    own = before.damping_u**2 + after.damping_u**2
    return sqrt(own + DAMPING_SCATTER**2 * (before.damping**2 + after.damping**2))
