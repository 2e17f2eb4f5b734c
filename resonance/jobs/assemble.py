"""From the records of a job to the job as it stands. Pure.

Of a thing that has versions (the job itself, setup, adjustment, tap set, remark, order, target,
suspect) the newest counts; analyses and verdicts are collected. What each kind's body holds:

job : instrument, notes, created, deleted
setup : a Setup
adjustment : an Adjustment without its id; made_given, deleted
tap_set : taken, takes, setup, climate, conditions, repeat_of, repeat_kind, deleted
analysis : modes, taps, bands, reasons, analysis, strings   (id: the tap set's)
remark : text, at, at_given, deleted
recording : a KeptRecording; in no order of the timeline
bowed : notes, bands, family, pitch_a4, method, reasons of a BowedSet   (id: the recording's)
order : entries, each {id, confirmed}
target : set
suspect : suspect                                       (id: the tap set's)
label : frequency, name, author                         (id: the tap set's)
tap_verdict : take, onset, kept                         (id: the tap set's)
same : modes, two of {set, frequency}
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from resonance.errors import NotFoundError
from resonance.jobs.database import Row
from resonance.jobs.job import Entry, Job
from resonance.jobs.records import Record, from_record, to_record
from resonance.jobs.verdicts import LabelVerdict, SameVerdict, TapVerdict, with_same_modes, with_verdicts
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Adjustment, Setup
from resonance.sets.tapset import Analysis, TapSet

PREFIXES = {"tap_set": "set", "adjustment": "adj", "remark": "rem"}
ENTRY_KINDS = {"tap_set": "tap set", "adjustment": "adjustment", "remark": "remark"}
NOTED = ("job", "setup", "adjustment", "tap_set", "remark", "order", "target", "suspect", "recording")
OBSERVED = ("taken", "takes", "setup", "climate", "conditions", "repeat_of", "repeat_kind")
DERIVED = ("modes", "taps", "bands", "reasons", "analysis", "strings")


def newest(rows: Iterable[Row], kind: str) -> dict[str, Record]:
    """Give the newest body of each thing of a kind, deleted ones included, in the order of their making."""
    return {row.id: row.body for row in rows if row.kind == kind}


def present(rows: Iterable[Row], kind: str) -> dict[str, Record]:
    """Give the newest body of each thing of a kind that is not deleted."""
    return {id_: body for id_, body in newest(rows, kind).items() if not body.get("deleted")}


def next_id(rows: Iterable[Row], kind: str) -> str:
    """Give the id of the next tap set, adjustment, remark or recording; those deleted keep theirs."""
    prefix = PREFIXES.get(kind, "rec")
    used = [int(id_.removeprefix(prefix)) for id_ in newest(rows, kind)]
    return f"{prefix}{max(used, default=0) + 1}"


def assemble(job_id: str, rows: Sequence[Row]) -> Job:
    """Give a job from its records.

    Raises
    ------
    NotFoundError   when there is no such job, or it was deleted
    ShopError   when a record does not hold what it must
    """
    body = present(rows, "job").get("job")
    if body is None:
        raise NotFoundError(f"there is no job '{job_id}'")
    timeline = entries(rows)
    adjustments = {id_: adjustment_of(id_, b) for id_, b in present(rows, "adjustment").items()}
    sets = {set_id: tap_set_of(set_id, rows) for set_id in present(rows, "tap_set")}
    same = [_same(row.body) for row in rows if row.kind == "same"]
    placed = with_same_modes(_in_order(timeline, sets), same)
    target = newest(rows, "target").get("target", {}).get("set")
    return Job(
        job_id,
        from_record(Instrument, body["instrument"]),
        created=time_of(body.get("created")),
        sets=placed,
        adjustments=tuple(adjustments[e.id] for e in timeline if e.kind == "adjustment"),
        timeline=timeline,
        setup=from_record(Setup, newest(rows, "setup").get("setup", {})),
        target=target if target in sets else None,
        notes=body.get("notes", ""),
        suspected=_suspected(rows, placed),
    )


def _suspected(rows: Sequence[Row], sets: Sequence[TapSet]) -> tuple[str, ...]:
    """Give the tap sets that the maker does not trust, in order."""
    known = newest(rows, "suspect")
    return tuple(tap_set.id for tap_set in sets if known.get(tap_set.id, {}).get("suspect"))


def _in_order(timeline: Sequence[Entry], sets: dict[str, TapSet]) -> list[TapSet]:
    """Put the tap sets into the order of the timeline; each learns which adjustments came before it."""
    made: tuple[str, ...] = ()
    placed = []
    for entry in timeline:
        if entry.kind == "adjustment":
            made = (*made, entry.id)
        elif entry.kind == "tap set":
            tap_set = sets[entry.id]
            repeat_of = tap_set.repeat_of if tap_set.repeat_of in sets else None
            placed.append(replace(tap_set, after=made, repeat_of=repeat_of))
    return placed


def entries(rows: Sequence[Row]) -> tuple[Entry, ...]:
    """Give the timeline; a line that the order does not know comes last, unconfirmed."""
    known = {id_: _entry(kind, id_, body) for kind in PREFIXES for id_, body in present(rows, kind).items()}
    stored = newest(rows, "order").get("order", {}).get("entries", [])
    ordered = {
        place["id"]: replace(known[place["id"]], confirmed=bool(place.get("confirmed", True)))
        for place in stored
        if place["id"] in known
    }
    left = {id_: replace(entry, confirmed=False) for id_, entry in known.items() if id_ not in ordered}
    return (*ordered.values(), *left.values())


def _entry(kind: str, id_: str, body: Record) -> Entry:
    at = {"tap_set": "taken", "adjustment": "made", "remark": "at"}[kind]
    given = {"adjustment": "made_given", "remark": "at_given"}.get(kind, "")
    return Entry(
        ENTRY_KINDS[kind],
        id_,
        at=time_of(body.get(at)),
        text=body.get("text", "") if kind == "remark" else "",
        at_given=bool(body.get(given, True)),
    )


def order_body(timeline: Sequence[Entry]) -> Record:
    """Give the record of an order."""
    return {"entries": [{"id": entry.id, "confirmed": entry.confirmed} for entry in timeline]}


def adjustment_of(id_: str, body: Record) -> Adjustment:
    """Give an adjustment from its record."""
    return from_record(Adjustment, {**body, "id": id_})


def tap_set_of(set_id: str, rows: Sequence[Row]) -> TapSet:
    """Give a tap set: what was observed, the current analysis, the maker's verdicts laid over it.

    Current is, of the analyses of the newest method, the newest.
    """
    observed = newest(rows, "tap_set")[set_id]
    own = [row for row in rows if row.id == set_id]
    current = max(
        (row for row in own if row.kind == "analysis"),
        key=lambda row: (row.body.get("analysis", {}).get("method", 0), row.seq),
        default=None,
    )
    parts = {key: observed[key] for key in OBSERVED if key in observed}
    if current is not None:
        parts |= {key: current.body[key] for key in DERIVED if key in current.body}
    tap_set = from_record(TapSet, {"taken": None, "modes": [], **parts, "id": set_id})
    labels = [LabelVerdict(r.body["frequency"], r.body.get("name")) for r in own if r.kind == "label"]
    taps = [
        TapVerdict(r.body["take"], r.body["onset"], r.body["kept"]) for r in own if r.kind == "tap_verdict"
    ]
    return with_verdicts(tap_set, labels, taps)


def observed_body(tap_set: TapSet) -> Record:
    """Give the record of what was observed."""
    record = to_record(tap_set)
    return {key: record[key] for key in OBSERVED}


def analysis_body(tap_set: TapSet, made: datetime) -> Record:
    """Give the record of an analysis; a missing date of it is `made`."""
    analysis: Analysis = tap_set.analysis
    if analysis.made is None:
        analysis = replace(analysis, made=made)
    record = to_record(replace(tap_set, analysis=analysis))
    return {key: record[key] for key in DERIVED}


def _same(body: Record) -> SameVerdict:
    first, second = ((str(mode["set"]), float(mode["frequency"])) for mode in body["modes"])
    return SameVerdict(first, second)


def time_of(text: Any) -> datetime | None:
    """Read a stored time, null where there is none."""
    return None if text is None else from_record(datetime, text)
