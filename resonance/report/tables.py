"""The tables that go with a report, or stand alone: CSV, and one JSON with the data dictionary.

For the customer they hold what the report shows and no more: no guessed names, no remarks, no levels of
single places, no tap set whose readings are not printed.
"""

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from resonance import __version__
from resonance.changes.comparison import Comparison
from resonance.changes.course import History
from resonance.jobs.dictionary import TABLES, Column, all_columns, columns_of
from resonance.jobs.job import Job
from resonance.jobs.records import to_record
from resonance.jobs.results import (
    band_rows,
    history_rows,
    level_rows,
    settling_rows,
    shift_rows,
    step_rows,
)
from resonance.jobs.tables import csv_text, reading_rows, string_rows, timeline_rows
from resonance.report.blocks import Attached
from resonance.report.content import shown_sets
from resonance.report.customer import for_customer
from resonance.report.timeline import timeline_of

FORMAT = "resonance tables"
FORMAT_VERSION = 1
BENCH_ONLY = ("levels",)
DICTIONARY = "columns.csv"


def tables_of(
    job: Job,
    comparisons: Sequence[Comparison] = (),
    histories: Sequence[History] = (),
    *,
    audience: str = "bench",
) -> dict[str, tuple[Any, ...]]:
    """Give the rows of each table that an audience is given.

    Parameters
    ----------
    job : Job   its modes with tracks, as the histories have them
    audience : 'customer' or 'bench'
    """
    if audience == "customer":
        job, comparisons = _told(job), [for_customer(_named(each)) for each in comparisons]
        names = {m.track: m.label for s in job.sets for m in s.modes if m.label}
        histories = [replace(h, label=names.get(h.track)) for h in histories]
    rows: dict[str, tuple[Any, ...]] = {
        "readings": reading_rows(job),
        "strings": string_rows(job),
        "timeline": timeline_rows(job),
        "shifts": shift_rows(comparisons),
        "bands": band_rows(comparisons),
        "levels": level_rows(job),
        "histories": history_rows(job, histories),
        "steps": step_rows(histories),
        "settling": settling_rows(histories),
    }
    left_out = BENCH_ONLY if audience == "customer" else ()
    return {name: own for name, own in rows.items() if name not in left_out}


def attachments(
    job: Job,
    comparisons: Sequence[Comparison] = (),
    histories: Sequence[History] = (),
    *,
    audience: str,
    made: datetime | None = None,
) -> tuple[Attached, ...]:
    """Give the tables as files: one CSV each that has rows, one of the columns, and all in one JSON."""
    tables = {
        name: rows for name, rows in tables_of(job, comparisons, histories, audience=audience).items() if rows
    }
    found = [
        Attached(f"{name}.csv", TABLES[name][1], "text/csv", csv_text(rows, kind=TABLES[name][0]))
        for name, rows in tables.items()
    ]
    columns = [column for name in tables for column in columns_of(name)]
    meant = csv_text(columns, kind=Column)
    found.append(Attached(DICTIONARY, "what each column of the tables holds", "text/csv", meant))
    text = tables_json(job, tables, made=made)
    return (*found, Attached("data.json", "all tables in one, with their columns", "application/json", text))


def tables_json(job: Job, tables: dict[str, tuple[Any, ...]], *, made: datetime | None = None) -> str:
    """Write tables as one JSON object that explains itself."""
    content = {
        "format": FORMAT,
        "format_version": FORMAT_VERSION,
        "program": __version__,
        "job": job.id,
        "made": made.date().isoformat() if made else None,
        "columns": [to_record(column) for column in all_columns() if column.table in tables],
        "tables": {name: to_record(list(rows)) for name, rows in tables.items()},
    }
    return json.dumps(content, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def _told(job: Job) -> Job:
    """Give a job as a customer is told of it: the sets shown, the maker's names, no remarks."""
    shown = {tap_set.id for tap_set in shown_sets(job)}
    sets = tuple(
        replace(
            s,
            modes=tuple(
                m if m.labelled_by == "maker" else replace(m, label=None, labelled_by="") for m in s.modes
            ),
            conditions=replace(s.conditions, remark="", tapper=""),
        )
        for s in job.sets
        if s.id in shown
    )
    entries = [
        e for e in timeline_of(job) if e.kind == "adjustment" or (e.kind == "tap set" and e.id in shown)
    ]
    return replace(job, sets=sets, timeline=tuple(entries))


def _named(comparison: Comparison) -> Comparison:
    """Give a comparison with the maker's names alone."""
    shifts = []
    for shift in comparison.shifts:
        sides = [
            replace(m, label=None, labelled_by="") if m is not None and m.labelled_by != "maker" else m
            for m in (shift.before, shift.after)
        ]
        by_maker = any(m is not None and m.label for m in sides)
        label = shift.label if by_maker else None
        shifts.append(replace(shift, before=sides[0], after=sides[1], label=label))
    return replace(comparison, shifts=tuple(shifts))
