"""A job as a folder that can be read in decades.

A job's folder holds ``job.json`` (every record with every earlier version, and what was done when),
``sound/`` (the recordings as they came), ``readings.csv``, ``strings.csv``, ``timeline.csv``, a README
that explains them, and ``SHA256SUMS``. It imports back without loss, into this shop or another.
"""

import json
import os
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from sqlite3 import Connection
from typing import Any

from resonance import __version__
from resonance.errors import ShopError
from resonance.jobs.assemble import assemble
from resonance.jobs.change import free_id, resolve
from resonance.jobs.check import Problem
from resonance.jobs.database import (
    Act,
    Row,
    Sound,
    acts,
    add_act,
    add_record,
    add_sound,
    find_sound,
    hashes_in,
    plain_errors,
    reading,
    rows,
    writing,
)
from resonance.jobs.folders import SUMS, copy_sound, read_sums, whole_folder, write_sums, write_text
from resonance.jobs.job import Job, short_name
from resonance.jobs.records import Record, digest
from resonance.jobs.sounds import NAMED, hash_file, keep_file
from resonance.jobs.store import Shop
from resonance.jobs.tables import (
    ReadingRow,
    StringRow,
    TimelineRow,
    csv_text,
    reading_rows,
    string_rows,
    timeline_rows,
)

Progress = Callable[[float, str], None]
FORMAT = "resonance job"
FORMAT_VERSION = 1
ODD = "holds what this program cannot read; use another copy"
RECORD_TYPES = (("kind", str), ("id", str), ("body", dict))
README = """\
One job of a workshop: {name}
Exported on {day} by resonance {version}.

sound/         the recordings, byte for byte as they came; each is named by the SHA-256 of its bytes
job.json       everything that was noted and found: UTF-8, JSON
readings.csv   every reading of every tap set, one row each; frequencies in Hz, damping as a ratio
strings.csv    the pitch of every open string that rang along with the taps, one row each
timeline.csv   tap sets, adjustments and remarks in their order; distances in mm
SHA256SUMS     the fingerprint of each file; to see that nothing has changed: sha256sum -c SHA256SUMS

job.json holds
  acts      what was done, one command each: number, time, words; "undoes" is the act that it took back,
            "within" the import it came with
  records   one line a version of a thing: the act that wrote it, kind, id, body. The last one that was
            not taken back is how the thing stands. Kinds: job, setup, adjustment, tap_set, analysis,
            remark, order, target, suspect, recording, bowed (what was read of bowed notes); label,
            tap_verdict and same are the maker's word over an analysis.
  sounds    the files in sound/ with their size
  digest    SHA-256 of acts, records and sounds together (JSON, sorted keys, no blanks)

Units are in the names: _mm, _g, _db, _c, _percent, _cents; a bare number is in Hz, s or a ratio. A name
ending in _u is a standard uncertainty. null means not noted or not known.

To bring the job into a shop again: resonance job import FOLDER
"""


def export_job(
    shop: Shop, job: str, folder: str | os.PathLike[str], *, progress: Progress | None = None
) -> Path:
    """Write a job, with all its history and sound, into a folder of its own.

    Parameters
    ----------
    folder : path of a folder that is not there yet, or is empty

    Returns
    -------
    Path   of the folder; it appears whole or not at all

    Raises
    ------
    ShopError   when the folder is not empty or cannot be written, or a sound file is damaged
    """
    tell = progress or (lambda fraction, text: None)
    target = Path(folder)
    with reading(shop.database) as db:
        job_id = resolve(db, job)
        content = job_content(db, job_id)
    known = shop.job(job_id)
    with whole_folder(target) as part:
        (part / "sound").mkdir()
        for number, sound in enumerate(content["sounds"], 1):
            tell(number / (len(content["sounds"]) + 1), f"copying recording {number}")
            copy_sound(shop.sound_folder / sound["file"], part / "sound" / sound["file"], sound["sha256"])
        write_text(part / "job.json", _json_text(content))
        write_text(part / "readings.csv", csv_text(reading_rows(known), kind=ReadingRow))
        write_text(part / "strings.csv", csv_text(string_rows(known), kind=StringRow))
        write_text(part / "timeline.csv", csv_text(timeline_rows(known), kind=TimelineRow))
        day = shop.clock().date().isoformat()
        words = README.format(name=known.instrument.name, day=day, version=__version__)
        write_text(part / "README.txt", words)
        write_sums(part)
    tell(1.0, "done")
    return target


def job_content(db: Connection, job_id: str) -> dict[str, Any]:
    """Give all that an export holds of a job: undone acts and earlier versions too."""
    records = rows(db, job_id, undone_too=True)
    hashes = dict.fromkeys(sha256 for row in records for sha256 in hashes_in(row.kind, row.body))
    sounds = [sound for sha256 in hashes if (sound := find_sound(db, sha256)) is not None]
    content: dict[str, Any] = {
        "acts": [_act_record(act) for act in acts(db, job_id)],
        "records": [_row_record(row) for row in records],
        "sounds": [{"sha256": s.sha256, "file": s.file, "n_bytes": s.n_bytes} for s in sounds],
    }
    head = {"format": FORMAT, "format_version": FORMAT_VERSION, "program": __version__, "job": job_id}
    return {**head, "digest": digest(content), **content}


def _act_record(act: Act) -> Record:
    return {
        "id": act.id,
        "made": act.made.isoformat(),
        "program": act.program,
        "text": act.text,
        "within": act.within,
        "undoes": act.undoes,
    }


def _row_record(row: Row) -> Record:
    return {"act": row.act, "kind": row.kind, "id": row.id, "body": row.body}


def import_job(shop: Shop, folder: str | os.PathLike[str], *, progress: Progress | None = None) -> Job:
    """Bring an exported job into a shop: one act, which `undo` takes back whole.

    Returns
    -------
    Job   under its old id, or with a number behind it when the shop has a job of that id

    Raises
    ------
    ShopError   when the folder is no exported job, is damaged, or comes from a newer program
    """
    tell = progress or (lambda fraction, text: None)
    source = Path(folder)
    content = _read_content(source)
    kept = []
    with plain_errors(source):
        for number, sound in enumerate(content["sounds"], 1):
            tell(number / (len(content["sounds"]) + 1), f"taking in recording {number}")
            kept.append(_take_in(shop, source, sound))
    with writing(shop.database) as db:
        job_id = free_id(db, short_name(str(content["job"])))
        text = f"imported the job {job_id}"
        act = add_act(db, made=shop.clock(), job=job_id, text=text)
        for each in kept:
            add_sound(db, act, each)
        try:
            _write_content(db, content, job_id, act)
            assemble(job_id, rows(db, job_id))  # what cannot be read back is not taken in
        except (KeyError, TypeError, ValueError, AttributeError, RecursionError, OverflowError) as error:
            raise ShopError(f"{source / 'job.json'} {ODD}; nothing was changed") from error
    tell(1.0, "done")
    return shop.job(job_id)


def _is_plausible(content: Record) -> bool:
    """Whether an export holds what it must, by type; a digest says nothing of that."""
    acts_, records, sounds = (content[name] for name in ("acts", "records", "sounds"))
    if not all(isinstance(part, list) and all(isinstance(each, dict) for each in part)
               for part in (acts_, records, sounds)):  # fmt: skip
        return False
    known: set[int | None] = {None}
    for act in acts_:
        texts = [act.get(name) for name in ("made", "program", "text")]
        if type(act.get("id")) is not int or act["id"] in known or not all(isinstance(t, str) for t in texts):
            return False
        links = (act.get("within"), act.get("undoes"))
        if not all(link is None or (type(link) is int and link in known) for link in links):
            return False
        known.add(act["id"])
    return (
        all(type(r.get("act")) is int and r["act"] in known for r in records)
        and all(isinstance(r.get(n), kind) for r in records for n, kind in RECORD_TYPES)
        and all(NAMED.match(str(s.get("file"))) and str(s.get("sha256")) == s["file"][:64] for s in sounds)
        and isinstance(content.get("job"), str)
    )


def _take_in(shop: Shop, source: Path, sound: Record) -> Sound:
    """Keep one sound file of an export, checked against its hash."""
    path = source / "sound" / Path(str(sound["file"])).name
    if not path.is_file():
        raise ShopError(f"{path} is missing; bring it back from another copy of this folder")
    kept = keep_file(shop.sound_folder, path)
    if kept.sha256 != sound["sha256"]:
        raise ShopError(f"{path} is damaged; bring it back from another copy of this folder")
    return kept


def _write_content(db: Connection, content: Record, job_id: str, import_act: int) -> None:
    """Write acts and records under new numbers, all within the act of the import."""
    numbers: dict[int | None, int | None] = {None: None}
    records: dict[int, list[Record]] = {}
    for record in content["records"]:
        records.setdefault(record["act"], []).append(record)
    for act in content["acts"]:
        within = numbers[act["within"]] if act["within"] is not None else import_act
        number = add_act(
            db,
            made=datetime.fromisoformat(act["made"]),
            job=job_id,
            text=act["text"],
            within=within,
            undoes=numbers[act["undoes"]],
            program=act["program"],
        )
        numbers[act["id"]] = number
        for record in records.get(act["id"], ()):
            kind, id_ = record["kind"], record["id"]
            add_record(db, number, job=job_id, kind=kind, id=id_, body=record["body"])


def check_export(folder: Path, *, progress: Progress | None = None) -> tuple[Problem, ...]:
    """See that an exported job holds what was written: every file, and the records within.

    Raises
    ------
    ShopError   when it is no exported job, or its records cannot be read
    """
    tell = progress or (lambda fraction, text: None)
    with plain_errors(folder):
        content = _read_content(folder)
        sums = {f"sound/{sound['file']}": str(sound["sha256"]) for sound in content["sounds"]}
        if (folder / SUMS).is_file():
            sums |= read_sums((folder / SUMS).read_text("utf-8", "replace"))
        there = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()} - {SUMS}
        found = []
        for number, name in enumerate(sorted({*there, *sums})):
            tell(number / len(sums), f"checking file {number + 1} of {len(sums)}")
            if name not in there:
                found.append(Problem("file_missing", f"{name} is missing in {folder}", id=name))
            elif name in sums and hash_file(folder / name) != sums[name]:
                found.append(Problem("file_damaged", f"{name} in {folder} is not what was written", id=name))
    tell(1.0, "done")
    return tuple(found)


def _read_content(source: Path) -> dict[str, Any]:
    """Read and check the job.json of an export."""
    path = source / "job.json"
    try:
        content = json.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        raise ShopError(f"{source} is not an exported job: it has no job.json") from None
    except (OSError, ValueError, RecursionError) as error:
        raise ShopError(f"{path} is damaged or unreadable; use another copy of this folder") from error
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        raise ShopError(f"{path} is not an exported job")
    version = content.get("format_version")
    if isinstance(version, int) and version > FORMAT_VERSION:
        raise ShopError(f"{path} was written by a newer resonance; install the newer one to import it")
    parts = {name: content.get(name) for name in ("acts", "records", "sounds")}
    try:
        whole = digest(parts) == content.get("digest")
    except (ValueError, TypeError, RecursionError):
        whole = False
    if not whole:
        raise ShopError(f"{path} is not what was exported: it was changed or damaged; use another copy")
    if not _is_plausible(content):
        raise ShopError(f"{path} {ODD}")
    return content


def _json_text(content: Any) -> str:
    """Write JSON to be read by people too: one record a line."""
    lines = []
    for key, value in content.items():
        if isinstance(value, list):
            items = ",\n".join(json.dumps(item, ensure_ascii=False, allow_nan=False) for item in value)
            lines.append(f"{json.dumps(key)}: [\n{items}\n]")
        else:
            lines.append(f"{json.dumps(key)}: {json.dumps(value, ensure_ascii=False)}")
    return "{\n" + ",\n".join(lines) + "\n}\n"
