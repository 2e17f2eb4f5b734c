"""Sets and adjustments of a job, laid out in chapters on a time axis.

Whether a set belongs before or after an adjustment is the maker's word (`TapSet.after`), never a date's.
Dates only say how much time lies between.

Reason codes
------------
set_not_dated : {'set'}                  left out of the course over time
adjustment_not_dated : {'adjustment'}    taken to lie midway between the sets around it
humidity_not_noted : {'n', 'of'}         of too many sets: what the weather did is a wide guess
temperature_not_noted : {'n', 'of'}      likewise, for an air mode
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import isfinite, log2, nan

import numpy as np

from resonance.changes.conditions import KELVIN
from resonance.reasons import Reason
from resonance.sets.setup import Adjustment
from resonance.sets.tapset import TapSet
from resonance.sound.recording import FloatArray

DAY = 86400.0
NOTED_SHARE = 0.8  # of the sets; the rest is read off the line between the others
# Work that does not change the weight of the instrument
WEIGHTLESS = ("soundpost",)
USUAL_SWING_PERCENT = 6.0  # from one set to the next (assumed)
MASS_SPREAD_G = 0.3  # a scale reads a tenth of a gram; less than this tells nothing of moisture


@dataclass(frozen=True, eq=False)
class Chapter:
    """The sets of one chapter and what stood beside them.

    Parameters
    ----------
    id : str   the adjustment that opened it, '' for the first
    origin : aware datetime   day 0: the opening, else the first set
    sets : tuple of TapSet (n,)   dated ones, in the maker's order
    days : array (n,)   from the origin
    adjustments : tuple of Adjustment (K,)   made within the chapter, in the maker's order
    made : array (K,), days;  after : array (n, K), 1 for sets after the adjustment
    humidity, temperature, mass : arrays (n,) or None   noted of nearly all sets, the rest filled in; mass in
        g from the mean of its span between works that change it
    placements : int array (n,)   sets of one number stood untouched between them
    reasons : tuple of Reason
    """

    id: str
    origin: datetime
    sets: tuple[TapSet, ...]
    days: FloatArray
    adjustments: tuple[Adjustment, ...]
    made: FloatArray
    after: FloatArray
    humidity: FloatArray | None
    temperature: FloatArray | None
    mass: FloatArray | None
    placements: FloatArray
    reasons: tuple[Reason, ...]

    def date(self, day: float) -> datetime:
        """Date of a day."""
        return self.origin + timedelta(days=day)


def make_chapters(sets: Sequence[TapSet], adjustments: Sequence[Adjustment]) -> list[Chapter]:
    """Split a job where a new chapter begins.

    Parameters
    ----------
    sets, adjustments : sequences in the maker's order
    """
    openings = [a.id for a in adjustments if a.new_chapter]
    order = {a.id: k for k, a in enumerate(adjustments)}
    members: dict[str, list[TapSet]] = {}
    for tap_set in sets:
        opened = [each for each in openings if each in tap_set.after]
        members.setdefault(opened[-1] if opened else "", []).append(tap_set)
    chapters = []
    for opening, inside in members.items():
        start = order.get(opening, -1)
        later = [order[each] for each in openings if order[each] > start]
        within = adjustments[start + 1 : min(later, default=len(adjustments))]
        chapter = _chapter(opening, inside, [a for a in within if not a.new_chapter], adjustments)
        if chapter is not None:
            chapters.append(chapter)
    return chapters


def _chapter(
    opening: str, inside: Sequence[TapSet], within: Sequence[Adjustment], adjustments: Sequence[Adjustment]
) -> Chapter | None:
    dated = [s for s in inside if s.taken is not None]
    reasons = [Reason("set_not_dated", {"set": s.id}) for s in inside if s.taken is None]
    if not dated:
        return None
    moments = [aware(s.taken) for s in dated if s.taken is not None]
    opened = [a.made for a in adjustments if a.id == opening and a.made is not None]
    origin = min([*moments, *(aware(moment) for moment in opened)])
    days = np.array([(moment - origin).total_seconds() / DAY for moment in moments])
    after = np.array([[float(a.id in s.after) for a in within] for s in dated]).reshape(
        len(dated), len(within)
    )
    made = _works(origin, days, within, after)
    reasons += [Reason("adjustment_not_dated", {"adjustment": a.id}) for a in within if a.made is None]
    return Chapter(
        id=opening,
        origin=origin,
        sets=tuple(dated),
        days=days,
        adjustments=tuple(within),
        made=made,
        after=after,
        humidity=filled(days, [s.climate.humidity_percent for s in dated]),
        temperature=filled(days, [s.climate.temperature_c for s in dated]),
        mass=_mass(days, dated, within, after),
        placements=_placements(dated),
        reasons=tuple(reasons),
    )


def aware(moment: datetime) -> datetime:
    """A naive time is taken as local."""
    return moment.astimezone()


def _works(origin: datetime, days: FloatArray, within: Sequence[Adjustment], after: FloatArray) -> FloatArray:
    """Day of each adjustment, held between the sets around it."""
    made = np.empty(len(within))
    for k, adjustment in enumerate(within):
        before, since = days[after[:, k] == 0.0], days[after[:, k] == 1.0]
        low = before.max() if before.size else days.min()
        high = since.min() if since.size else days.max()
        day = 0.5 * (low + high)
        if adjustment.made is not None and low <= high:
            day = min(max((aware(adjustment.made) - origin).total_seconds() / DAY, low), high)
        made[k] = day
    return made


def filled(days: FloatArray, noted: Sequence[float | None]) -> FloatArray | None:
    """Readings with gaps closed along the line between neighbours; None where too few were noted."""
    values = np.array([nan if x is None else x for x in noted], float)
    known = np.isfinite(values)
    if known.sum() < max(2, NOTED_SHARE * values.size):
        return None
    order = np.argsort(days[known], kind="stable")
    return np.where(known, values, np.interp(days, days[known][order], values[known][order]))


def _mass(
    days: FloatArray, dated: Sequence[TapSet], within: Sequence[Adjustment], after: FloatArray
) -> FloatArray | None:
    """Weight as a witness of moisture: its changes between works that add or take away parts."""
    weights = filled(days, [s.conditions.mass_g if isfinite(s.conditions.mass_g) else None for s in dated])
    if weights is None:
        return None
    changing = [k for k, a in enumerate(within) if a.part not in WEIGHTLESS]
    spans = after[:, changing] @ np.ones(len(changing))
    for span in np.unique(spans):
        weights[spans == span] -= weights[spans == span].mean()
    return weights if float(np.ptp(weights)) >= MASS_SPREAD_G else None


def _placements(dated: Sequence[TapSet]) -> FloatArray:
    """Number the times the instrument was put back: an untouched repeat stands where its first set stood."""
    where: dict[str, int] = {}
    for index, tap_set in enumerate(dated):
        base = tap_set.repeat_of
        untouched = tap_set.repeat_kind == "untouched" and base in where
        where[tap_set.id] = where[base] if untouched and base is not None else index
    return np.array([where[s.id] for s in dated], float)


def air_cents(temperature: FloatArray) -> FloatArray:
    """Shift that the air alone would make, from the first set: 600 log2 of the absolute temperature."""
    return np.array([600.0 * log2((t + KELVIN) / (temperature[0] + KELVIN)) for t in temperature])


def humidity_swing(chapter: Chapter) -> float:
    """How much more than usual the humidity changes from set to set, at least 1, at most 4."""
    if chapter.humidity is None or len(chapter.sets) < 2:
        return 1.0
    order = np.argsort(chapter.days, kind="stable")
    changes = np.diff(chapter.humidity[order])
    return float(np.clip(np.sqrt(np.mean(changes**2)) / USUAL_SWING_PERCENT, 1.0, 4.0))


def climate_reasons(chapter: Chapter, *, air: bool) -> tuple[Reason, ...]:
    """Name the climate that is missing for a mode."""
    reasons = []
    n = len(chapter.sets)
    if chapter.humidity is None and chapter.mass is None:
        noted = sum(s.climate.humidity_percent is not None for s in chapter.sets)
        reasons.append(Reason("humidity_not_noted", {"n": n - noted, "of": n}))
    if air and chapter.temperature is None:
        noted = sum(s.climate.temperature_c is not None for s in chapter.sets)
        reasons.append(Reason("temperature_not_noted", {"n": n - noted, "of": n}))
    return tuple(reasons)
