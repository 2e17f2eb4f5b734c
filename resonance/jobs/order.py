"""Where a new line goes in a job's timeline, and how a line is moved. Pure.

The maker's word (before or after a named line) decides and counts as confirmed. Without it the place is
proposed: after the last line of an earlier given date, at the end where no date speaks against it. A date
that only says when a line was typed in proposes nothing.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from resonance.errors import NotFoundError, ResonanceError
from resonance.jobs.job import Entry

Entries = tuple[Entry, ...]


def insert(entries: Sequence[Entry], new: Entry, *, before: str | None, after: str | None) -> Entries:
    """Give the timeline with a new line in it.

    Parameters
    ----------
    before, after : id of a line that the maker named, or None; with either the line counts as confirmed

    Raises
    ------
    NotFoundError   when the named line is not in the timeline
    ResonanceError   when it cannot stand both before the one and after the other
    """
    low, high = _bounds(entries, before=before, after=after)
    place = low + _by_date(entries[low:high], new)
    if before is not None or after is not None:
        new = replace(new, confirmed=True)
    return (*entries[:place], new, *entries[place:])


def move(entries: Sequence[Entry], entry_id: str, *, before: str | None, after: str | None) -> Entries:
    """Give the timeline with one line moved to where the maker says; that line is confirmed by it.

    Raises
    ------
    NotFoundError, ResonanceError   as `insert`
    ValueError   when neither `before` nor `after` is given
    """
    if before is None and after is None:
        raise ValueError("say before or after which line it belongs")
    wanted = entries[_index(entries, entry_id)]
    if wanted.id in (before, after):
        raise ResonanceError(f"{wanted.id} cannot stand before or after itself; name another line")
    others = tuple(entry for entry in entries if entry is not wanted)
    return insert(others, wanted, before=before, after=after)


def confirm(entries: Sequence[Entry]) -> Entries:
    """Give the timeline with every place confirmed."""
    return tuple(replace(entry, confirmed=True) for entry in entries)


def _index(entries: Sequence[Entry], entry_id: str) -> int:
    ids = [entry.id for entry in entries]
    if entry_id not in ids:
        raise NotFoundError(
            f"there is no '{entry_id}' in the order; there are: {', '.join(ids) or 'none yet'}"
        )
    return ids.index(entry_id)


def _bounds(entries: Sequence[Entry], *, before: str | None, after: str | None) -> tuple[int, int]:
    """Give the stretch of the timeline that the maker's word allows.

    Next to an adjustment it reaches to the adjustment beyond; any other line is a neighbour.
    """
    low, high = 0, len(entries)
    if before is not None and after is not None:
        low, high = _index(entries, after) + 1, _index(entries, before)
        if low > high:
            raise ResonanceError(f"{after} comes after {before} in this job; it cannot stand between them")
    elif after is not None:
        low = _index(entries, after) + 1
        high = _next_adjustment(entries, low) if entries[low - 1].kind == "adjustment" else low
    elif before is not None:
        high = _index(entries, before)
        low = _last_adjustment(entries, high) if entries[high].kind == "adjustment" else high
    return low, high


def _next_adjustment(entries: Sequence[Entry], start: int) -> int:
    """First place from `start` on where an adjustment stands, else the end."""
    places = [i for i in range(start, len(entries)) if entries[i].kind == "adjustment"]
    return places[0] if places else len(entries)


def _last_adjustment(entries: Sequence[Entry], stop: int) -> int:
    """Place just after the last adjustment before `stop`, else 0."""
    places = [i for i in range(stop) if entries[i].kind == "adjustment"]
    return places[-1] + 1 if places else 0


def _by_date(stretch: Sequence[Entry], new: Entry) -> int:
    """Place within a stretch: before the lines of later given dates, else at its end."""
    at = _given(new)
    if at is None:
        return len(stretch)
    dates = [_given(entry) for entry in stretch]
    if not any(date is not None and date > at for date in dates):
        return len(stretch)
    earlier = [i for i, date in enumerate(dates) if date is not None and date <= at]
    later = [i for i, date in enumerate(dates) if date is not None and date > at]
    return earlier[-1] + 1 if earlier else later[0]


def _given(entry: Entry) -> datetime | None:
    return entry.at if entry.at_given else None
