"""A job as a folder that can be read in decades, and a whole shop as one file.

A job's folder holds ``job.json`` (every record with every earlier version, and what was done when),
``sound/`` (the recordings as they came), ``readings.csv``, ``strings.csv``, ``timeline.csv`` and a README
that explains them. It imports back without loss, into this shop or another.
"""

import json
import os
import shutil
import tempfile
import zipfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from sqlite3 import Connection
from typing import Any

from resonance import __version__
from resonance.errors import ShopError
from resonance.jobs.change import free_id, resolve
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
    open_database,
    plain_errors,
    reading,
    rows,
    writing,
)
from resonance.jobs.job import Job, short_name
from resonance.jobs.records import Record, digest
from resonance.jobs.schema import copy_database
from resonance.jobs.sounds import hash_file, keep_file
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
from resonance.sound.files import sync_folder

Progress = Callable[[float, str], None]
FORMAT = "resonance job"
FORMAT_VERSION = 1
README = """\
One job of a workshop: {name}
Exported on {day} by resonance {version}.

sound/         the recordings, byte for byte as they came; each is named by the SHA-256 of its bytes
job.json       everything that was noted and found: UTF-8, JSON
readings.csv   every reading of every tap set, one row each; frequencies in Hz, damping as a ratio
strings.csv    the pitch of every open string that rang along with the taps, one row each
timeline.csv   tap sets, adjustments and remarks in their order; distances in mm

job.json holds
  acts      what was done, one command each: number, time, words; "undoes" is the act that it took back,
            "within" the import it came with
  records   one line a version of a thing: the act that wrote it, kind, id, body. The last one that was
            not taken back is how the thing stands. Kinds: job, setup, adjustment, tap_set, analysis,
            remark, order, target; label, tap_verdict and same are the maker's word over an analysis.
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
    with _whole_folder(target) as part:
        (part / "sound").mkdir()
        for number, sound in enumerate(content["sounds"], 1):
            tell(number / (len(content["sounds"]) + 1), f"copying recording {number}")
            _copy_sound(shop.sound_folder / sound["file"], part / "sound" / sound["file"], sound["sha256"])
        _write_text(part / "job.json", _json_text(content))
        _write_text(part / "readings.csv", csv_text(reading_rows(known), kind=ReadingRow))
        _write_text(part / "strings.csv", csv_text(string_rows(known), kind=StringRow))
        _write_text(part / "timeline.csv", csv_text(timeline_rows(known), kind=TimelineRow))
        day = shop.clock().date().isoformat()
        words = README.format(name=known.instrument.name, day=day, version=__version__)
        _write_text(part / "README.txt", words)
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
        _write_content(db, content, job_id, act)
    tell(1.0, "done")
    return shop.job(job_id)


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


def _read_content(source: Path) -> dict[str, Any]:
    """Read and check the job.json of an export."""
    path = source / "job.json"
    try:
        content = json.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        raise ShopError(f"{source} is not an exported job: it has no job.json") from None
    except (OSError, ValueError) as error:
        raise ShopError(f"{path} is damaged or unreadable; use another copy of this folder") from error
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        raise ShopError(f"{path} is not an exported job")
    if int(content.get("format_version", 0)) > FORMAT_VERSION:
        raise ShopError(f"{path} was written by a newer resonance; install the newer one to import it")
    parts = {name: content.get(name) for name in ("acts", "records", "sounds")}
    if digest(parts) != content.get("digest"):
        raise ShopError(f"{path} is not what was exported: it was changed or damaged; use another copy")
    return content


def backup(shop: Shop, file: str | os.PathLike[str], *, progress: Progress | None = None) -> Path:
    """Copy a whole shop, database and sound, into one zip file; others may go on working meanwhile.

    Returns
    -------
    Path   of the file; it appears whole or not at all

    Raises
    ------
    ShopError   when the file is there already or cannot be written
    """
    tell = progress or (lambda fraction, text: None)
    target = Path(file)
    if target.exists():
        raise ShopError(f"{target} is there already; name another file")
    part = target.with_name(f".{target.name}.part")
    try:
        with plain_errors(target), tempfile.TemporaryDirectory(prefix="resonance-") as aside:
            copy = Path(aside) / "shop.db"
            with reading(shop.database) as db:
                copy_database(db, copy)
            _write_zip(part, copy, sorted(shop.sound_folder.iterdir()), tell)
            os.replace(part, target)
            sync_folder(target.parent)
    finally:
        part.unlink(missing_ok=True)
    tell(1.0, "done")
    return target


def _write_zip(part: Path, database: Path, sounds: Iterable[Path], tell: Progress) -> None:
    """Write the database, packed, and the sound, as it is."""
    paths = [path for path in sounds if path.is_file()]
    with part.open("wb") as file:
        with zipfile.ZipFile(file, "w", allowZip64=True) as archive:
            archive.write(database, "shop.db", zipfile.ZIP_DEFLATED)
            for number, path in enumerate(paths, 1):
                tell(number / (len(paths) + 1), f"copying recording {number} of {len(paths)}")
                archive.write(path, f"sound/{path.name}", zipfile.ZIP_STORED)
        file.flush()
        os.fsync(file.fileno())


def restore(
    file: str | os.PathLike[str], folder: str | os.PathLike[str], *, progress: Progress | None = None
) -> Shop:
    """Bring a backup back into a new or empty folder.

    Raises
    ------
    ShopError   when the folder is not empty, the file is no backup, or what it holds is damaged
    """
    tell = progress or (lambda fraction, text: None)
    source, target = Path(file), Path(folder)
    try:
        with zipfile.ZipFile(source) as archive, _whole_folder(target) as part:
            (part / "sound").mkdir()
            names = _names_of_backup(source, archive)
            for number, name in enumerate(names, 1):
                tell(number / (len(names) + 1), f"bringing back file {number} of {len(names)}")
                with archive.open(name) as packed, (part / name).open("wb") as out:
                    shutil.copyfileobj(packed, out)
                    out.flush()
                    os.fsync(out.fileno())
            open_database(part / "shop.db")
    except FileNotFoundError:
        raise ShopError(f"there is no file {source}; check the name and the folder") from None
    except (zipfile.BadZipFile, EOFError) as error:
        raise ShopError(f"{source} is damaged or no backup of a shop: {error}") from error
    tell(1.0, "done")
    return Shop(target)


def _names_of_backup(source: Path, archive: zipfile.ZipFile) -> list[str]:
    """Names of the files of a backup; anything else in it is refused."""
    names = [info.filename for info in archive.infolist() if not info.is_dir()]
    if "shop.db" not in names:
        raise ShopError(f"{source} is no backup of a shop: it has no shop.db")
    for name in names:
        parts = name.split("/")
        plain = name == "shop.db" or (len(parts) == 2 and parts[0] == "sound" and parts[1] not in ("", ".."))
        if not plain or "\\" in name:
            raise ShopError(f"{source} is no backup of a shop: it holds '{name}'")
    return names


@contextmanager
def _whole_folder(target: Path) -> Iterator[Path]:
    """Fill a folder aside and give it its name at the end: it appears whole or not at all.

    Raises
    ------
    ShopError   when the folder is there and not empty, or cannot be written
    """
    with plain_errors(target):
        if target.exists() and (not target.is_dir() or any(target.iterdir())):
            raise ShopError(f"{target} is there already and not empty; name a new folder")
        target.parent.mkdir(parents=True, exist_ok=True)
        part = Path(tempfile.mkdtemp(prefix=f".{target.name}-", dir=target.parent))
        try:
            part.chmod(0o755)
            yield part
            sync_folder(part)
            if target.exists():
                target.rmdir()
            os.replace(part, target)
            sync_folder(target.parent)
        finally:
            shutil.rmtree(part, ignore_errors=True)


def _copy_sound(source: Path, target: Path, sha256: str) -> None:
    """Copy a sound file and see that it is what was kept."""
    if not source.is_file() or hash_file(source) != sha256:
        raise ShopError(f"the sound file {source} is missing or damaged; see: resonance check")
    shutil.copyfile(source, target)
    with target.open("rb+") as file:
        os.fsync(file.fileno())


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


def _write_text(path: Path, text: str) -> None:
    """Write UTF-8; a sign it cannot hold becomes its escape (which JSON reads back)."""
    with path.open("wb") as file:
        file.write(text.encode("utf-8", "backslashreplace"))
        file.flush()
        os.fsync(file.fileno())
