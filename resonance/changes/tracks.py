"""Which mode of a job is which, through all of its tap sets.

A track is one mode's identity. Tap sets are taken in the maker's order. First each is paired with what the
tracks have shown so far (`resonance.changes.pair`, which takes a common seasonal shift out). Then, since
later tap sets tell about earlier ones, every doubtful place and its neighbours are looked at again from both
sides: the tap set against the tracks of all others, and all that came before it against all that came after.
A track is known by its nearest readings' frequency, moved along with the common shift, and by the mean of
eight readings' damping and levels. So levels at two or three tap places show modes that cross, and a tap set
that lacks a place has it lent by its neighbours. How far a mode may move by itself depends on what lies
between: little in a repeat, more with time, most where the instrument was worked on.

What the maker said stays: the same name, or "same mode" (a track given beforehand), ties; different names
part. A mode may be unseen in up to five tap sets before its track is given up.

Where it is in doubt whether a reading belongs to its track, the reading says so. Where it is in doubt how a
whole track goes on, all readings of its shorter part say so, unless both sides of the step bear one name, or
the mode lies within 35 cents (five times the assumed put-back scatter) and every rival at least twice as far:
then the first reading after the step alone does. A fit should leave such readings out.

A mode that becomes two for a while keeps its track in the stronger of the two (`resonance.changes.splits`).

The widths are assumed (cents): 15 in a repeat; up to 29 with two weeks or more between; 40 more where work
was done, 60 more for a new chapter.

Reason codes of a mode (beside those of `splits`)
-------------------------------------------------
track_ambiguous : {'margin'}   it is in doubt whether this reading belongs to its track
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import count, pairwise
from math import exp, inf, isfinite, log, nan, sqrt

import numpy as np

from resonance.changes.pair import AMBIGUOUS_BELOW, Pairing, is_body, pair_modes
from resonance.changes.places import plain_name
from resonance.changes.splits import with_splits
from resonance.modes.mode import Level, Mode
from resonance.reasons import Reason
from resonance.sets.setup import Adjustment
from resonance.sets.tapset import TapSet
from resonance.sound.recording import FloatArray
from resonance.units import cents

MEMORY = 5
NEIGHBOURS = 8
REPEAT_SD_CENTS = 15.0
TIME_SD_CENTS = 25.0
TIME_DAYS = 14.0
WORK_SD_CENTS = 40.0
CHAPTER_SD_CENTS = 60.0
WIDEST_CENTS = 75.0
NEAR_CENTS = 35.0
ONCE_SHARE = 0.3  # a mode seen once in several tap sets may well be false
SURE = 12.0  # a margin that needs no second look
MOST_SWEEPS = 6

Progress = Callable[[float, str], None]
Reading = tuple[int, int]  # place of the tap set, index of the mode in it
Owner = dict[Reading, int]  # number of the track that a reading belongs to
Margins = dict[Reading, float]  # how surely it does, as `Pair.margin`


@dataclass(frozen=True)
class Link:
    """One step of a track, from a tap set to the next one that shows it.

    Parameters
    ----------
    track : str   of the later reading
    before, after : str   ids of the two tap sets
    margin : float   how much more the best other assignment costs, as in `resonance.changes.pair.Pair`
    ambiguous : bool
    """

    track: str
    before: str
    after: str
    margin: float = inf
    ambiguous: bool = False


@dataclass(frozen=True, eq=False)
class Tracks:
    """A job's tap sets with a track for every mode.

    Parameters
    ----------
    sets : tuple of TapSet   as given, every mode with its `track`, doubts among its reasons
    links : tuple of Link
    common_cents : tuple of float   common shift of each tap set's body modes against the first one's
    """

    sets: tuple[TapSet, ...]
    links: tuple[Link, ...] = ()
    common_cents: tuple[float, ...] = ()


@dataclass(frozen=True, eq=False)
class Course:
    """Tap sets in order, how far modes may move by themselves at each step, and the common shift.

    Parameters
    ----------
    sets : tuple of TapSet
    widths : tuple of float, cents   standard deviation of a mode's own movement since the tap set before
    common : tuple of float, cents   against the first tap set, as far as found
    """

    sets: tuple[TapSet, ...]
    widths: tuple[float, ...]
    common: tuple[float, ...] = ()

    def mode(self, reading: Reading) -> Mode:
        """Give the mode of a reading."""
        return self.sets[reading[0]].modes[reading[1]]

    def width(self, one: int, other: int) -> float:
        """Standard deviation of a mode's own movement from one tap set to another, cents."""
        low, high = sorted((one, other))
        return min(WIDEST_CENTS, sqrt(sum(w * w for w in self.widths[low + 1 : high + 1])))

    def carried(self, reading: Reading, place: int) -> float:
        """Frequency of a reading, moved along with the common shift to another tap set, Hz."""
        mode = self.mode(reading)
        along = self.common[place] - self.common[reading[0]] if is_body(mode) else 0.0
        return float(mode.frequency * 2.0 ** (along / 1200.0))


def track_modes(
    sets: Sequence[TapSet], adjustments: Sequence[Adjustment] = (), *, progress: Progress | None = None
) -> Tracks:
    """Give every mode of a job its identity.

    Parameters
    ----------
    sets : sequence of TapSet   in the maker's order; tracks they have already (the maker's word) stay
    adjustments : sequence of Adjustment   to tell a new chapter; that work was done, the sets' `after` tells

    Returns
    -------
    Tracks   new ones are called track1, track2 ... by first appearance and rising frequency
    """
    tell = progress or (lambda fraction, text: None)
    course, owner, margins = _chained(Course(tuple(sets), step_widths(sets, adjustments)))
    unsure = {place for (place, _), margin in margins.items() if margin < SURE}
    places = [k for k in range(len(sets)) if unsure & {k - 1, k, k + 1}]
    for sweep in range(MOST_SWEEPS):
        tell((sweep + 1) / (MOST_SWEEPS + 2), "following resonances from tap set to tap set")
        before = owner
        for place in places:
            owner, _ = _from_both_sides(course, owner, place)
            owner, _ = _rejoined(course, owner, place)
        if owner == before:
            break
    tails = dict(margins)
    for place in places:
        margins |= _from_both_sides(course, owner, place)[1]
        tails |= _rejoined(course, owner, place)[1]
    tell(1.0, "done")
    return _finished(course, owner, margins, tails)


def step_widths(sets: Sequence[TapSet], adjustments: Sequence[Adjustment] = ()) -> tuple[float, ...]:
    """How far a mode may move by itself since the tap set before, cents; 0 for the first."""
    chapters = {each.id for each in adjustments if each.new_chapter}
    found = [0.0] * min(1, len(sets))
    for before, after in pairwise(sets):
        since = set(after.after) - set(before.after)
        work = CHAPTER_SD_CENTS if since & chapters else WORK_SD_CENTS if since else 0.0
        repeats = after.repeat_of is not None and after.repeat_of in (before.id, before.repeat_of)
        share = 0.0 if repeats and not since else min(1.0, _days(before.taken, after.taken) / TIME_DAYS)
        found.append(sqrt(REPEAT_SD_CENTS**2 + share * TIME_SD_CENTS**2 + work**2))
    return tuple(found)


def _days(first: datetime | None, last: datetime | None) -> float:
    """Days between two moments; infinite where one is not noted."""
    if first is None or last is None:
        return inf
    return abs((last.astimezone() - first.astimezone()).total_seconds()) / 86_400.0


def _chained(course: Course) -> tuple[Course, Owner, Margins]:
    """Follow each mode forward, from tap set to tap set."""
    owner: Owner = {}
    margins: Margins = {}
    numbers = count()
    for place, tap_set in enumerate(course.sets):
        course = replace(course, common=(*course.common, course.common[-1] if place else 0.0))
        known = {n: r for n, r in _by_track(owner).items() if r[-1][0] >= place - MEMORY}
        before = [_likeness(course, r, r[::-1], course.carried(r[-1], place)) for r in known.values()]
        widths = np.array([[course.width(r[-1][0], place)] for r in known.values()])
        pairing = pair_modes(
            before,
            tap_set.modes,
            shift_sd_cents=widths if before else WORK_SD_CENTS,
            alone_before=_alone(known.values(), place),
        )
        if isfinite(pairing.common_cents):
            course = replace(course, common=(*course.common[:-1], course.common[-1] + pairing.common_cents))
        found = {pair.after: list(known)[pair.before] for pair in pairing.pairs}
        for index in range(len(tap_set.modes)):
            owner[place, index] = found[index] if index in found else next(numbers)
        margins |= _margins(pairing, place)
    return course, owner, margins


def _from_both_sides(course: Course, owner: Owner, place: int) -> tuple[Owner, Margins]:
    """Pair one tap set anew with the tracks that the tap sets before and after it show."""
    others = {n: [r for r in whole if r[0] != place] for n, whole in _by_track(owner).items()}
    known = {n: r for n, r in others.items() if any(abs(at - place) <= MEMORY for at, _ in r)}
    before, widths = [], []
    for readings in known.values():
        near = sorted(readings, key=lambda r: abs(r[0] - place))
        frequency, width = _expected(course, readings, place)
        before.append(_likeness(course, readings, near, frequency))
        widths.append([width])
    modes = course.sets[place].modes
    pairing = pair_modes(
        before,
        modes,
        shift_sd_cents=np.array(widths) if before else WORK_SD_CENTS,
        alone_before=_alone(known.values(), len(course.sets) - 1),
    )
    found = {pair.after: list(known)[pair.before] for pair in pairing.pairs}
    fresh = count(max(owner.values(), default=0) + 1)
    alone = {
        index: owner[place, index] if owner[place, index] not in known else next(fresh)
        for index in range(len(modes))
        if index not in found
    }
    changed = {(place, index): number for index, number in {**found, **alone}.items()}
    return {**owner, **changed}, _margins(pairing, place)


def _expected(course: Course, readings: Sequence[Reading], place: int) -> tuple[float, float]:
    """Where a track should lie in a tap set by its nearest readings before and after, and how surely."""
    before = [r for r in readings if r[0] < place][-1:]
    after = [r for r in readings if r[0] > place][:1]
    widths = np.array([course.width(r[0], place) for r in (*before, *after)])
    logs = np.array([log(course.carried(r, place)) for r in (*before, *after)])
    weights = 1.0 / widths**2
    return exp(float(weights @ logs / weights.sum())), max(REPEAT_SD_CENTS, float(weights.sum() ** -0.5))


def _rejoined(course: Course, owner: Owner, place: int) -> tuple[Owner, Margins]:
    """Pair all that came before a tap set anew with all that it and later ones show."""
    all_past = _by_track({r: n for r, n in owner.items() if r[0] < place})
    all_later = _by_track({r: n for r, n in owner.items() if r[0] >= place})
    past = {n: r for n, r in all_past.items() if r[-1][0] >= place - MEMORY}
    later = {n: r for n, r in all_later.items() if r[0][0] < place + MEMORY}
    if not past or not later:
        return owner, {}
    ends = [readings[-1] for readings in past.values()]
    starts = [readings[0] for readings in later.values()]
    before = [_likeness(course, r, r[::-1], course.carried(r[-1], place)) for r in past.values()]
    after = [_likeness(course, r, r, course.carried(r[0], place)) for r in later.values()]
    widths = np.array([[course.width(end[0], start[0]) for start in starts] for end in ends])
    pairing = pair_modes(
        before,
        after,
        shift_sd_cents=widths,
        alone_before=_alone(past.values(), place),
        alone_after=_alone(later.values(), len(course.sets) - place),
    )
    joined = {list(later)[pair.after]: list(past)[pair.before] for pair in pairing.pairs}
    fresh = count(max(owner.values()) + 1)
    renamed = {n: joined[n] if n in joined else next(fresh) if n in all_past else n for n in all_later}
    changed = {r: renamed[number] if r[0] >= place else number for r, number in owner.items()}
    margins = _margins(pairing, 0)
    return changed, {starts[index]: margin for (_, index), margin in margins.items()}


def _alone(tracks: Iterable[Sequence[Reading]], n_sets: int) -> FloatArray:
    """Share of the usual cost of staying alone: less for a track that only one of several tap sets shows."""
    return np.array([ONCE_SHARE if len(readings) < 2 <= n_sets else 1.0 for readings in tracks])


def _by_track(owner: Owner) -> dict[int, list[Reading]]:
    """Readings of each track in their order, the tracks by first appearance."""
    found: dict[int, list[Reading]] = {}
    for reading in sorted(owner):
        found.setdefault(owner[reading], []).append(reading)
    return found


def _likeness(course: Course, readings: Sequence[Reading], near: Sequence[Reading], frequency: float) -> Mode:
    """A track as one mode: damping and levels of its nearest readings, the maker's word of any of them.

    Parameters
    ----------
    readings : sequence of Reading   in their order
    near : sequence of Reading   the same, nearest first
    frequency : float, Hz   where it should lie
    """
    whole = [course.mode(reading) for reading in readings]
    nearest = [course.mode(reading) for reading in near[:NEIGHBOURS]]
    named = [mode.label for mode in whole if mode.label and mode.labelled_by == "maker"]
    given = [mode.track for mode in whole if mode.track]
    damped = [mode for mode in nearest if mode.damping > 0.0]
    damping = exp(sum(log(m.damping) for m in damped) / len(damped)) if damped else nan
    return replace(
        nearest[0],
        frequency=frequency,
        damping=damping,
        damping_u=_mean_u([damping * m.damping_u / m.damping for m in damped]),
        levels=_mean_levels(nearest),
        label=named[-1] if named else None,
        labelled_by="maker" if named else "",
        track=given[-1] if given else None,
    )


def _mean_levels(modes: Sequence[Mode]) -> tuple[Level, ...]:
    """Mean level at each place."""
    by_place: dict[tuple[str, str], list[Level]] = {}
    for level in (level for mode in modes for level in mode.levels if isfinite(level.db)):
        place = plain_name(level.tap_place), plain_name(level.microphone_place)
        by_place.setdefault(place, []).append(level)
    return tuple(
        Level(*place, sum(each.db for each in levels) / len(levels), _mean_u([e.db_u for e in levels]))
        for place, levels in by_place.items()
    )


def _mean_u(each: Sequence[float]) -> float:
    """Standard uncertainty of a mean; NaN where none of the parts is known."""
    known = [u * u for u in each if isfinite(u)]
    return sqrt(sum(known) / len(known) / len(each)) if known else nan


def _margins(pairing: Pairing, place: int) -> Margins:
    """How surely each mode of the later side was paired, or left alone."""
    return {
        **{(place, pair.after): pair.margin for pair in pairing.pairs},
        **{(place, alone.index): alone.margin for alone in pairing.only_after},
    }


def _finished(course: Course, owner: Owner, margins: Margins, tails: Margins) -> Tracks:
    """Name the tracks, note at each reading whether it is in doubt, and see what split."""
    names = _names(course, owner)
    links: list[Link] = []
    doubts: dict[Reading, Reason] = {}
    for number, readings in _by_track(owner).items():
        sure = {r: margins.get(r, inf) for r in readings}
        breaks = [
            k
            for k, (one, other) in enumerate(pairwise(readings), 1)
            if tails.get(other, inf) < AMBIGUOUS_BELOW and not _near(course, one, other)
        ]
        for k in breaks:
            sure |= {r: min(sure[r], tails[readings[k]]) for r in _shorter(readings, breaks, k)}
        for one, other in pairwise(readings):
            margin = min(sure[other], tails.get(other, inf))
            before, after = (course.sets[place].id for place, _ in (one, other))
            links.append(Link(names[number], before, after, margin, margin < AMBIGUOUS_BELOW))
            sure[other] = margin
        doubts |= {
            r: Reason("track_ambiguous", {"margin": margin})
            for r, margin in sure.items()
            if margin < AMBIGUOUS_BELOW
        }
    sets = tuple(
        replace(tap_set, modes=tuple(
            _tracked(mode, names[owner[place, index]], doubts.get((place, index)))
            for index, mode in enumerate(tap_set.modes)
        ))
        for place, tap_set in enumerate(course.sets)
    )  # fmt: skip
    return Tracks(with_splits(sets, course.common), tuple(links), course.common)


def _shorter(readings: Sequence[Reading], breaks: Sequence[int], at: int) -> Sequence[Reading]:
    """Readings in doubt because of one break: those beside it that are not of the track's longest part."""
    ends = [0, *breaks, len(readings)]
    parts = list(pairwise(ends))
    longest = max(parts, key=lambda part: part[1] - part[0])
    return [
        r for low, high in parts if at in (low, high) and (low, high) != longest for r in readings[low:high]
    ]


def _tracked(mode: Mode, name: str, doubt: Reason | None) -> Mode:
    return replace(mode, track=name, reasons=(*mode.reasons, doubt) if doubt else mode.reasons)


def in_doubt(mode: Mode) -> bool:
    """Whether it is in doubt that a reading belongs to its track."""
    return any(reason.code == "track_ambiguous" for reason in mode.reasons)


def _near(course: Course, one: Reading, other: Reading) -> bool:
    """Whether a doubtful step may be followed: one name, or near with every rival at least twice as far."""
    before, after = course.mode(one), course.mode(other)
    if before.label and before.label == after.label:
        return True
    expected = course.carried(one, other[0])
    way = abs(float(cents(after.frequency, expected)))
    later = course.sets[other[0]].modes
    rivals = [cents(m.frequency, expected) for k, m in enumerate(later) if k != other[1] and is_body(m)]
    earlier = [(one[0], k) for k, m in enumerate(course.sets[one[0]].modes) if k != one[1] and is_body(m)]
    rivals += [cents(after.frequency, course.carried(r, other[0])) for r in earlier]
    return way <= NEAR_CENTS and all(2.0 * way <= abs(float(rival)) for rival in rivals)


def _names(course: Course, owner: Owner) -> dict[int, str]:
    """Name each track: as the maker's word did, else by number."""
    given = {number: mode.track for r, number in owner.items() if (mode := course.mode(r)).track}
    used = set(given.values())
    free = (name for k in count(1) if (name := f"track{k}") not in used)
    return {number: given.get(number) or next(free) for number in _by_track(owner)}
