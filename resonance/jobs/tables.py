"""A job as rows: its timeline, and its readings over time. Pure; for text, CSV and plots.

Tracks come from `resonance.changes.tracks`; the maker's names and "same mode" come first there.
"""

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from datetime import datetime
from math import nan
from typing import Any

from resonance.changes.tracks import track_modes
from resonance.jobs.job import Entry, Job, find_adjustment, find_set
from resonance.jobs.records import to_record
from resonance.modes.mode import Mode


@dataclass(frozen=True)
class TimelineRow:
    """One line of a job's timeline with what belongs to it; NaN, '' or None where it does not apply."""

    place: int
    kind: str
    id: str
    at: datetime | None = None
    confirmed: bool = True
    text: str = ""
    part: str = ""
    along_mm: float = nan
    across_mm: float = nan
    end: str = ""
    new_chapter: bool = False
    chapter: int = 1
    repeat_of: str = ""
    repeat_kind: str = ""
    temperature_c: float | None = None
    humidity_percent: float | None = None
    n_modes: int | None = None


@dataclass(frozen=True)
class ReadingRow:
    """One reading of one mode in one tap set; `after` is the last adjustment before the set."""

    set_id: str
    taken: datetime | None
    place: int
    after: str
    chapter: int
    track: str
    label: str
    labelled_by: str
    kind: str
    frequency: float
    frequency_u: float
    frequency_dof: float
    model_u: float
    damping: float
    damping_u: float
    damping_dof: float
    peak: float
    snr_db: float
    n_taps: int
    method: int
    damping_model_u: float = nan


@dataclass(frozen=True)
class StringRow:
    """The pitch of one open string in one tap set, as read from the taps."""

    set_id: str
    taken: datetime | None
    place: int
    name: str
    nominal: float
    pitch: float
    pitch_u: float
    pitch_dof: float
    cents_off: float
    inharmonicity: float
    n_partials: int
    tension_ratio: float


@dataclass(frozen=True)
class ReadingTrack:
    """One mode through a job: one reading a tap set, None where it was not seen.

    Parameters
    ----------
    track : str   identity, as in `Mode.track`
    name : str   the maker's newest name, else the program's newest guess, else ''
    labelled_by : 'maker', 'program' or ''
    readings : tuple of Mode or None, as many as the job has tap sets, in their order
    """

    track: str
    name: str
    labelled_by: str
    readings: tuple[Mode | None, ...]

    @property
    def frequency(self) -> float:
        """Frequency of the last reading, Hz."""
        return next(mode.frequency for mode in reversed(self.readings) if mode is not None)


def timeline_rows(job: Job) -> tuple[TimelineRow, ...]:
    """Give the timeline, one row a line, in the maker's order."""
    rows = []
    chapter = 1
    for place, entry in enumerate(job.timeline, 1):
        row = _timeline_row(job, entry)
        chapter += row.new_chapter
        rows.append(replace(row, place=place, chapter=chapter))
    return tuple(rows)


def _timeline_row(job: Job, entry: Entry) -> TimelineRow:
    row = TimelineRow(0, entry.kind, entry.id, entry.at, entry.confirmed, entry.text)
    if entry.kind == "adjustment":
        done = find_adjustment(job, entry.id)
        return replace(
            row,
            text=done.note,
            part=done.part,
            along_mm=done.along_mm,
            across_mm=done.across_mm,
            end=done.end,
            new_chapter=done.new_chapter,
        )
    if entry.kind == "tap set":
        tap_set = find_set(job, entry.id)
        return replace(
            row,
            text=tap_set.conditions.remark,
            repeat_of=tap_set.repeat_of or "",
            repeat_kind=tap_set.repeat_kind,
            temperature_c=tap_set.climate.temperature_c,
            humidity_percent=tap_set.climate.humidity_percent,
            n_modes=len(tap_set.modes),
        )
    return row


def with_tracks(job: Job) -> Job:
    """Give the job with a track (``track1`` ...) for every mode of its tap sets that has none."""
    return replace(job, sets=track_modes(job.sets, job.adjustments).sets)


def reading_tracks(job: Job) -> tuple[ReadingTrack, ...]:
    """Give the readings of each mode over time, by rising frequency of the last reading."""
    job = with_tracks(job)
    tracks = dict.fromkeys(mode.track for tap_set in job.sets for mode in tap_set.modes)
    found = []
    for track in tracks:
        readings = tuple(
            next((mode for mode in tap_set.modes if mode.track == track), None) for tap_set in job.sets
        )
        label, by = _name(readings)
        found.append(ReadingTrack(track or "", label, by, readings))
    return tuple(sorted(found, key=lambda each: each.frequency))


def _name(readings: Sequence[Mode | None]) -> tuple[str, str]:
    """Give the newest name of a track and who gave it; the maker's first."""
    named = [mode for mode in reversed(readings) if mode is not None and mode.label]
    for by in ("maker", "program"):
        for mode in named:
            if mode.labelled_by == by:
                return mode.label or "", by
    return "", ""


def reading_rows(job: Job) -> tuple[ReadingRow, ...]:
    """Give every reading of every tap set, one row each, in the order of the timeline."""
    job = with_tracks(job)
    chapters = {row.id: row.chapter for row in timeline_rows(job)}
    rows = []
    for place, tap_set in enumerate(job.sets, 1):
        for mode in tap_set.modes:
            rows.append(
                ReadingRow(
                    set_id=tap_set.id,
                    taken=tap_set.taken,
                    place=place,
                    after=tap_set.after[-1] if tap_set.after else "",
                    chapter=chapters[tap_set.id],
                    track=mode.track or "",
                    label=mode.label or "",
                    labelled_by=mode.labelled_by,
                    method=tap_set.analysis.method,
                    **{name: getattr(mode, name) for name in _OF_MODE},
                )
            )
    return tuple(rows)


def string_rows(job: Job) -> tuple[StringRow, ...]:
    """Give the pitch of every open string that rang, one row each, in the order of the timeline."""
    names = [field.name for field in fields(StringRow)][3:]
    return tuple(
        StringRow(tap_set.id, tap_set.taken, place, **{name: getattr(reading, name) for name in names})
        for place, tap_set in enumerate(job.sets, 1)
        for reading in tap_set.strings
    )


_OF_MODE = (
    "kind", "frequency", "frequency_u", "frequency_dof", "model_u", "damping", "damping_u", "damping_dof",
    "peak", "snr_db", "n_taps", "damping_model_u",
)  # fmt: skip


def csv_text(rows: Sequence[Any], *, kind: type[Any] | None = None) -> str:
    """Write rows (dataclasses of one type) as CSV: field names first, dates ISO 8601, NaN and None empty.

    Parameters
    ----------
    kind : type of the rows, for the field names where there are none
    """
    kind = kind or (type(rows[0]) if rows else None)
    if kind is None or not is_dataclass(kind):
        raise ValueError("no rows and no type to take the field names from")
    names = [field.name for field in fields(kind)]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(names)
    for row in rows:
        record = to_record(row)
        writer.writerow(["" if record[name] is None else record[name] for name in names])
    return text.getvalue()
