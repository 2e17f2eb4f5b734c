"""One instrument's work: its tap sets, adjustments and remarks in the maker's order.

Ids are short and per job: ``set1``, ``set2`` ... for tap sets, ``adj1`` ... for adjustments, ``rem1`` ...
for remarks. The order of entries is the maker's word; dates only propose it.
"""

import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from math import isnan
from typing import TypeVar

from resonance.errors import NotFoundError
from resonance.modes.mode import Mode
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Adjustment, Post, Setup
from resonance.sets.tapset import TapSet

ENTRY_KINDS = ("tap set", "adjustment", "remark")
Item = TypeVar("Item", TapSet, Adjustment)


@dataclass(frozen=True)
class Entry:
    """One line of a job's timeline.

    Parameters
    ----------
    kind : one of `ENTRY_KINDS`
    id : str   of the tap set, adjustment or remark
    at : aware datetime or None
    confirmed : bool   the maker said that its place in the order is right
    text : str   a remark in the maker's words
    at_given : bool   False where `at` is only the moment the line was typed in: it then proposes no order
    """

    kind: str
    id: str = ""
    at: datetime | None = None
    confirmed: bool = True
    text: str = ""
    at_given: bool = True


@dataclass(frozen=True, eq=False)
class Job:
    """One instrument's work.

    Parameters
    ----------
    id : str   short name used in commands, e.g. 'viola-405'
    instrument : Instrument
    created : aware datetime or None
    sets : tuple of TapSet, in the order of the timeline
    adjustments : tuple of Adjustment, in the order of the timeline
    timeline : tuple of Entry   sets, adjustments and remarks in order
    setup : Setup   as it is now
    target : str or None   id of the tap set the maker aims at
    notes : str
    suspected : tuple of str   ids of tap sets that the maker does not trust: histories leave them out
    """

    id: str
    instrument: Instrument
    created: datetime | None = None
    sets: tuple[TapSet, ...] = ()
    adjustments: tuple[Adjustment, ...] = ()
    timeline: tuple[Entry, ...] = ()
    setup: Setup = field(default_factory=Setup)
    target: str | None = None
    notes: str = ""
    suspected: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Chapter:
    """A stretch of a job that histories and post responses may be fitted over.

    Parameters
    ----------
    number : int   1 for the first
    opened_by : Adjustment or None   the new post, full string change or opened body it began with
    sets : tuple of TapSet
    adjustments : tuple of Adjustment   the opening one not among them
    """

    number: int
    opened_by: Adjustment | None = None
    sets: tuple[TapSet, ...] = ()
    adjustments: tuple[Adjustment, ...] = ()


def short_name(name: str) -> str:
    """Give the id that a job's name makes: lower case, no accents, words joined by '-', 'job' for none."""
    plain = unicodedata.normalize("NFKD", name)
    letters = "".join(sign for sign in plain.casefold() if not unicodedata.combining(sign))
    words = "".join(sign if sign.isalnum() else " " for sign in letters).split()
    return "-".join(words)[:40].strip("-") or "job"


def chapters(job: Job) -> tuple[Chapter, ...]:
    """Give the job's chapters in order; the first may be empty, when the job opens with a new one."""
    sets = {tap_set.id: tap_set for tap_set in job.sets}
    adjustments = {adjustment.id: adjustment for adjustment in job.adjustments}
    found = [Chapter(1)]
    for entry in job.timeline:
        last = found[-1]
        if entry.kind == "tap set":
            found[-1] = replace(last, sets=(*last.sets, sets[entry.id]))
        elif entry.kind == "adjustment" and adjustments[entry.id].new_chapter:
            found.append(Chapter(last.number + 1, opened_by=adjustments[entry.id]))
        elif entry.kind == "adjustment":
            found[-1] = replace(last, adjustments=(*last.adjustments, adjustments[entry.id]))
    return tuple(found)


def chapter_of(job: Job, set_id: str) -> int:
    """Number of the chapter a tap set belongs to."""
    wanted = find_set(job, set_id).id
    return next(
        chapter.number for chapter in chapters(job) if wanted in {tap_set.id for tap_set in chapter.sets}
    )


def find_set(job: Job, set_id: str) -> TapSet:
    """Give a tap set by its id or its number alone ('set3' or '3').

    Raises
    ------
    NotFoundError   naming the tap sets there are
    """
    return _find(job.sets, set_id, "set", f"tap set in {job.id}")


def find_adjustment(job: Job, adjustment_id: str) -> Adjustment:
    """Give an adjustment by its id or its number alone ('adj3' or '3').

    Raises
    ------
    NotFoundError   naming the adjustments there are
    """
    return _find(job.adjustments, adjustment_id, "adj", f"adjustment in {job.id}")


def _find(items: Sequence[Item], wanted: str, prefix: str, what: str) -> Item:
    """Find an item by id; a bare number takes the prefix."""
    text = str(wanted).strip().lower()
    names = {text, prefix + text}
    for item in items:
        if item.id in names:
            return item
    there = ", ".join(item.id for item in items) or "none yet"
    raise NotFoundError(f"no {what} is called '{wanted}'; there are: {there}")


def find_mode(tap_set: TapSet, frequency: float, *, within_percent: float = 2.0) -> Mode:
    """Give the mode of a tap set nearest to a frequency in Hz.

    Parameters
    ----------
    within_percent : float   how far off the maker's reading of the figure may be; a third of a semitone,
        well under the least distance of neighbouring body modes (common practice, no source)

    Raises
    ------
    NotFoundError   naming the nearest modes there are
    """
    if not frequency > 0.0:
        raise NotFoundError(f"{frequency} is not a frequency; give it in hertz, above 0")
    by_distance = sorted(tap_set.modes, key=lambda mode: abs(mode.frequency - frequency))
    if by_distance and abs(by_distance[0].frequency - frequency) <= 0.01 * within_percent * frequency:
        return by_distance[0]
    there = ", ".join(f"{mode.frequency:.1f}" for mode in sorted(by_distance[:3], key=_frequency))
    nearest = f"the nearest are at {there} Hz" if there else "it has none"
    raise NotFoundError(f"tap set {tap_set.id} has no resonance near {frequency:.1f} Hz; {nearest}")


def _frequency(mode: Mode) -> float:
    return mode.frequency


def position(job: Job, entry_id: str) -> int:
    """Place of an entry in the timeline, from 0.

    Raises
    ------
    NotFoundError   when the job has no such entry
    """
    ids = [entry.id for entry in job.timeline]
    if entry_id not in ids:
        raise NotFoundError(f"{job.id} has no entry '{entry_id}'; there are: {', '.join(ids) or 'none yet'}")
    return ids.index(entry_id)


def adjustments_between(job: Job, before_id: str, after_id: str) -> tuple[Adjustment, ...]:
    """Adjustments that stand between two tap sets, in order (whichever of the two comes first)."""
    low, high = sorted(position(job, find_set(job, each).id) for each in (before_id, after_id))
    between = [entry.id for entry in job.timeline[low:high] if entry.kind == "adjustment"]
    return tuple(find_adjustment(job, each) for each in between)


def sets_around(job: Job, adjustment_id: str) -> tuple[TapSet | None, TapSet | None]:
    """Give the last tap set before an adjustment and the first one after it; None where there is none."""
    place = position(job, find_adjustment(job, adjustment_id).id)
    before = [entry.id for entry in job.timeline[:place] if entry.kind == "tap set"]
    after = [entry.id for entry in job.timeline[place:] if entry.kind == "tap set"]
    return (
        find_set(job, before[-1]) if before else None,
        find_set(job, after[0]) if after else None,
    )


def default_pair(job: Job) -> tuple[TapSet, TapSet]:
    """Give the two tap sets that `compare` takes when none are named.

    The last one, and the last one before the last adjustment that has tap sets on either side; without
    such an adjustment, the last two.

    Raises
    ------
    NotFoundError   when the job has fewer than two tap sets
    """
    if len(job.sets) < 2:
        has = "only one tap set" if job.sets else "no tap set"
        raise NotFoundError(f"{job.id} has {has} so far; a comparison needs two: add another one")
    last = job.sets[-1]
    for entry in reversed(job.timeline[: position(job, last.id)]):
        before = sets_around(job, entry.id)[0] if entry.kind == "adjustment" else None
        if before is not None:
            return before, last
    return job.sets[-2], last


def same_side(job: Job, set_id: str) -> tuple[TapSet, ...]:
    """Tap sets with the same adjustments before them as this one, itself included."""
    wanted = find_set(job, set_id)
    return tuple(tap_set for tap_set in job.sets if tap_set.after == wanted.after)


def unconfirmed(job: Job) -> tuple[Entry, ...]:
    """Entries whose place in the order nobody has confirmed.

    A job without an adjustment has no order to get wrong.
    """
    if not job.adjustments:
        return ()
    return tuple(entry for entry in job.timeline if not entry.confirmed)


def order_conflicts(job: Job) -> tuple[tuple[Entry, Entry], ...]:
    """Pairs of entries, as they stand, whose dates run the other way and that nobody has confirmed.

    Only pairs of a tap set and an adjustment, since only their order decides what a verdict means.
    """
    dated = [entry for entry in job.timeline if entry.at is not None and entry.kind != "remark"]
    return tuple(
        (first, second)
        for i, first in enumerate(dated)
        for second in dated[i + 1 :]
        if first.kind != second.kind
        and not (first.confirmed and second.confirmed)
        and first.at is not None
        and second.at is not None
        and first.at > second.at
    )


def moved_post(setup: Setup, adjustment: Adjustment) -> Setup:
    """Give the setup after an adjustment, as far as it follows from the adjustment alone.

    A displacement of the post relative to the bridge moves the noted position, where one is noted and the
    top end moved (the position is measured at the bridge foot). A new post (a new chapter of the
    soundpost) leaves position, length, diameter and fit unknown until they are measured again.
    """
    if adjustment.part == "soundpost" and adjustment.new_chapter:
        fresh = Post(side=setup.post.side, position_u_mm=setup.post.position_u_mm)
        return replace(setup, post=fresh)
    return displaced(setup, adjustment, 1.0)


def displaced(setup: Setup, adjustment: Adjustment, sign: float) -> Setup:
    """Shift the noted post position by an adjustment (sign 1) or take the shift back (sign -1)."""
    if adjustment.part not in ("soundpost", "bridge") or adjustment.end == "bottom":
        return setup
    post = setup.post
    return replace(
        setup,
        post=replace(
            post,
            behind_mm=_plus(post.behind_mm, sign * adjustment.along_mm),
            inward_mm=_plus(post.inward_mm, sign * adjustment.across_mm),
        ),
    )


def _plus(place_mm: float, way_mm: float) -> float:
    """Add a displacement to a position; either may be unknown (NaN), and leaves it as noted."""
    return place_mm if isnan(place_mm) or isnan(way_mm) else round(place_mm + way_mm, 6)


def setup_there(job: Job, place: int) -> Setup:
    """Setup as it was at a place of the timeline (0: before all entries).

    A tap set between the same two adjustments lends its own snapshot. Otherwise the present setup counts,
    with the post put back by the later adjustments; before a later new post its position is unknown.
    """
    before, later = job.timeline[:place], job.timeline[place:]
    near = _until_adjustment(reversed(before)) + _until_adjustment(later)
    if near and any(entry.kind == "adjustment" for entry in later):
        return find_set(job, near[0]).setup
    setup = job.setup
    for entry in reversed(later):
        if entry.kind != "adjustment":
            continue
        adjustment = find_adjustment(job, entry.id)
        if adjustment.part == "soundpost" and adjustment.new_chapter:
            setup = moved_post(setup, adjustment)
        else:
            setup = displaced(setup, adjustment, -1.0)
    return setup


def _until_adjustment(entries: Iterable[Entry]) -> list[str]:
    """Ids of the tap sets met before the next adjustment."""
    found: list[str] = []
    for entry in entries:
        if entry.kind == "adjustment":
            break
        if entry.kind == "tap set":
            found.append(entry.id)
    return found
