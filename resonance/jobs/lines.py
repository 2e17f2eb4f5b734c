"""The list of a shop's jobs: one line a job.

A line is worked out from the job's records and kept in ``kept/lines.json`` with the digest of the job's last
act, so that a list of thousands of jobs reads only what was changed since. The file is no record: it may be
deleted at any time.
"""

import json
import os
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from sqlite3 import Connection

from resonance.errors import ShopError
from resonance.jobs import assemble
from resonance.jobs.database import Row, last_digests, reading, rows_and_damage
from resonance.jobs.records import Record, canonical_json, digest, from_record, to_record
from resonance.sets.instrument import Instrument

FOLDER, FILE = "kept", "lines.json"  # beside what `resonance.jobs.kept` holds, but without its libraries
FORMAT = 2
KINDS = ("job", "tap_set", "adjustment", "remark")


@dataclass(frozen=True)
class JobLine:
    """One job in the list of a shop's jobs.

    Parameters
    ----------
    last : aware datetime or None   the newest date in its timeline
    damaged : bool   something of it can no longer be read; its figures may then be wrong
    last_set : aware datetime or None   when its last tap set was taken, as the maker ordered them
    """

    id: str
    instrument: Instrument
    created: datetime | None = None
    n_sets: int = 0
    n_adjustments: int = 0
    last: datetime | None = None
    damaged: bool = False
    last_set: datetime | None = None


@dataclass(frozen=True)
class _Kept:
    """A line as it is kept; None where the job is gone; `first` is the number of its first record."""

    upto: str
    first: int
    line: JobLine | None


def job_lines(folder: Path, database: Path) -> tuple[JobLine, ...]:
    """Give the jobs of a shop, in the order they were begun."""
    kept = _read(folder / FOLDER / FILE)
    with reading(database) as db:
        last = {job: upto for job, upto in last_digests(db).items() if job}
        new = {job: _line(db, job, upto) for job, upto in last.items() if not _holds(kept.get(job), upto)}
    known = {job: new.get(job) or kept[job] for job in last}
    if new and any(each.upto != kept[job].upto if job in kept else True for job, each in new.items()):
        _write(folder / FOLDER / FILE, to_record(known))
    there = sorted((each for each in known.values() if each.line is not None), key=lambda each: each.first)
    return tuple(each.line for each in there if each.line is not None)


def _holds(kept: "_Kept | None", upto: str) -> bool:
    """Whether a kept line still says how a job stands. One of a damaged job is always looked at anew."""
    return kept is not None and kept.upto == upto and not (kept.line is not None and kept.line.damaged)


def _read(path: Path) -> Mapping[str, _Kept]:
    """Read the kept lines; none where there are none that can be read."""
    try:
        held = json.loads(path.read_text("utf-8"))
        if held["format"] == FORMAT and held["digest"] == digest(held["lines"]):
            return from_record(dict[str, _Kept], held["lines"])
    except (OSError, ValueError, KeyError, TypeError, ShopError):
        pass
    return {}


def _write(path: Path, lines: Record) -> None:
    """Keep the lines; a disk that takes none is no trouble: they are worked out again next time."""
    unfinished = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        path.parent.mkdir(exist_ok=True)
        text = canonical_json({"format": FORMAT, "lines": lines, "digest": digest(lines)})
        unfinished.write_text(text, encoding="utf-8")
        unfinished.replace(path)
    except OSError:
        with suppress(OSError):
            unfinished.unlink()


def _line(db: Connection, job: str, upto: str) -> _Kept:
    """Work out the line of a job."""
    found, damaged = rows_and_damage(db, job, kinds=KINDS)
    there = assemble.present(found, "job") or (damaged and not assemble.newest(found, "job"))
    try:
        line = job_line(job, found, damaged=bool(damaged)) if there else None
    except (
        ShopError,
        KeyError,
        TypeError,
        ValueError,
        AttributeError,
    ):  # one odd job must not hide the others
        line = JobLine(job, Instrument(job, "other"), damaged=True)
    return _Kept(upto, min((row.seq for row in found), default=0), line)


def job_line(job: str, found: Sequence[Row], *, damaged: bool) -> JobLine:
    """Give a job's line from its records."""
    body: Record = assemble.present(found, "job").get("job", {})
    timeline = assemble.entries(found)
    dates = [entry.at for entry in timeline if entry.at is not None]
    return JobLine(
        job,
        from_record(Instrument, body["instrument"]) if body else Instrument(job, "other"),
        created=assemble.time_of(body.get("created")),
        n_sets=sum(entry.kind == "tap set" for entry in timeline),
        n_adjustments=sum(entry.kind == "adjustment" for entry in timeline),
        last=max(dates, default=None),
        damaged=damaged,
        last_set=next((entry.at for entry in reversed(timeline) if entry.kind == "tap set"), None),
    )
