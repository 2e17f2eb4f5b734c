"""The log of a shop in SQLite: acts, records, sound rows; read with their digests checked.

Every read and every act opens a connection of its own and closes it, so that a shop may be used from any
thread or process and needs no closing. What SQLite reports reaches the maker as one plain line.
"""

import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from resonance import __version__
from resonance.errors import ShopError
from resonance.jobs.records import Record, aware, canonical_json, digest
from resonance.jobs.schema import migrate, refuse_newer, refuse_version, version_of

BUSY_SECONDS = 10.0
LOOK = "see whether your last change is there before you make it again"
COLUMNS = {
    "act": ("id", "made", "program", "job", "text", "within", "undoes"),
    "record": ("seq", "act", "job", "kind", "id", "body"),
    "sound": ("sha256", "file", "n_bytes", "act"),
    "take": ("record", "place", "sha256"),
}


@dataclass(frozen=True)
class Act:
    """One command that changed the shop.

    Parameters
    ----------
    id : int   number of the act, rising
    made : aware datetime
    job : str   id of the job, '' for the shop as a whole
    text : str   what was done, in plain words
    undone : bool   whether it was taken back later (by itself, or with the act it lies within)
    program : str   version of resonance
    within : int or None   the act it is part of: what an import brought with it
    undoes : int or None   the act that this one takes back
    """

    id: int
    made: datetime
    job: str
    text: str
    undone: bool = False
    program: str = ""
    within: int | None = None
    undoes: int | None = None


@dataclass(frozen=True)
class Row:
    """One record: a thing of a job, in one version."""

    seq: int
    act: int
    job: str
    kind: str
    id: str
    body: Record


@dataclass(frozen=True)
class Sound:
    """One file under ``sound/``."""

    sha256: str
    file: str
    n_bytes: int


def row_digest(values: Iterable[Any]) -> str:
    """Digest of a row: of its other columns, in their order."""
    return digest(list(values))


def open_database(path: Path) -> None:
    """Make the database or bring it up to date.

    Raises
    ------
    ShopError   when it is no shop, of a newer program (it is not touched), or cannot be used
    """
    with plain_errors(path):
        refuse_newer(path)
        db = _connect(path, make=True)
        try:
            refuse_version(path, version_of(db))
            db.execute("PRAGMA journal_mode = WAL")
            migrate(db, path)
        finally:
            db.close()


@contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection]:
    """Read from one state of the database, whatever others write meanwhile."""
    with plain_errors(path):
        db = _connect(path)
        try:
            db.execute("BEGIN")
            yield db
        finally:
            db.close()


@contextmanager
def writing(path: Path) -> Iterator[sqlite3.Connection]:
    """Write all or nothing: an error, an interrupt or a crash leaves the database as it was."""
    with plain_errors(path):
        db = _connect(path)
        try:
            db.execute("BEGIN IMMEDIATE")
            try:
                yield db
            except BaseException:
                db.execute("ROLLBACK")
                raise
            db.execute("COMMIT")
        finally:
            db.close()


def _connect(path: Path, *, make: bool = False) -> sqlite3.Connection:
    """Open the database; one that is not there is made only when asked for, not when its drive is away."""
    place = f"{path.absolute().as_uri()}?mode={'rwc' if make else 'rw'}"
    db = sqlite3.connect(place, uri=True, timeout=BUSY_SECONDS, isolation_level=None)
    try:
        db.execute("PRAGMA foreign_keys = ON")
        db.execute("PRAGMA synchronous = FULL")
        keep_odd_bytes(db)
    except BaseException:
        db.close()
        raise
    return db


def keep_odd_bytes(db: sqlite3.Connection) -> None:
    """Let a damaged byte reach the digest rather than stop the reading."""
    db.text_factory = lambda raw: raw.decode("utf-8", "surrogateescape")


@contextmanager
def plain_errors(path: Path) -> Iterator[None]:
    """Turn what SQLite and the system report into one plain line.

    Raises
    ------
    ShopError
    """
    try:
        yield
    except sqlite3.DatabaseError as error:
        raise ShopError(_plain_words(path, " ".join(str(error).split())[:200])) from error
    except OSError as error:
        raise ShopError(
            f"{error.filename or path}: {error.strerror or error}; nothing was changed"
        ) from error


def _plain_words(path: Path, said: str) -> str:
    """Say what a message of SQLite means to a maker."""
    if "locked" in said or "busy" in said:
        return f"another program is using the shop in {path.parent}; try again when it is done"
    if "full" in said:
        return f"no room is left on the disk that holds {path.parent}; nothing was changed"
    if "disk I/O" in said:
        return f"the disk that holds {path.parent} is full, pulled out or failing; {LOOK}"
    if not path.exists():
        return (
            f"the shop in {path.parent} is gone; bring its drive or folder back, or name another with --shop"
        )
    if "readonly" in said or "unable to open" in said:
        return (
            f"the shop in {path.parent} cannot be written to; check the folder, its permissions and the room "
            f"on its disk; {LOOK}"
        )
    if "malformed" in said or "not a database" in said:
        return f"{path} is damaged ({said}); mend it from a backup: resonance check --mend-from FILE"
    return f"the shop in {path.parent} cannot be used: {said}"


def insert(db: sqlite3.Connection, table: str, values: Iterable[Any]) -> None:
    """Add a row with its digest."""
    values = list(values)
    marks = ", ".join("?" * (len(values) + 1))
    columns = ", ".join((*COLUMNS[table], "digest"))
    db.execute(f"INSERT INTO {table} ({columns}) VALUES ({marks})", (*values, row_digest(values)))


def add_act(
    db: sqlite3.Connection,
    *,
    made: datetime,
    job: str,
    text: str,
    within: int | None = None,
    undoes: int | None = None,
    program: str = __version__,
) -> int:
    """Add an act; give its number."""
    number = _next(db, "act", "id")
    insert(db, "act", (number, aware(made).isoformat(), program, job, text, within, undoes))
    return number


def add_record(
    db: sqlite3.Connection, act: int, *, job: str, kind: str, id: str, body: Mapping[str, Any]
) -> int:
    """Add a record; give its number. Recordings named in a tap set's takes are tied to their sound rows."""
    number = _next(db, "record", "seq")
    insert(db, "record", (number, act, job, kind, id, canonical_json(dict(body))))
    for place, sha256 in enumerate(hashes_in(kind, body)):
        insert(db, "take", (number, place, sha256))
    return number


def hashes_in(kind: str, body: Mapping[str, Any]) -> list[str]:
    """Hashes of the recordings that a record needs."""
    takes = body.get("takes", ()) if kind in ("tap_set", "recording") else ()
    return [sha256 for take in takes if (sha256 := take["recording"].get("sha256"))]


def add_sound(db: sqlite3.Connection, act: int, sound: Sound) -> None:
    """Add a sound file's row, unless the shop has that file already."""
    if find_sound(db, sound.sha256) is None:
        insert(db, "sound", (sound.sha256, sound.file, sound.n_bytes, act))


def find_sound(db: sqlite3.Connection, sha256: str) -> Sound | None:
    """Give the sound file of a hash."""
    row = db.execute("SELECT sha256, file, n_bytes FROM sound WHERE sha256 = ?", (sha256,)).fetchone()
    return Sound(*row) if row else None


def sounds(db: sqlite3.Connection) -> list[Sound]:
    """Give all sound files, by hash."""
    return [Sound(*row) for row in db.execute("SELECT sha256, file, n_bytes FROM sound ORDER BY sha256")]


def jobs_with_sound(db: sqlite3.Connection, sha256: str) -> list[str]:
    """Give the ids of the jobs that have or had a recording."""
    query = (
        "SELECT DISTINCT job FROM record JOIN take ON take.record = record.seq WHERE sha256 = ? ORDER BY job"
    )
    return [job for (job,) in db.execute(query, (sha256,))]


def _next(db: sqlite3.Connection, table: str, column: str) -> int:
    return int(db.execute(f"SELECT coalesce(max({column}), 0) + 1 FROM {table}").fetchone()[0])


def acts(
    db: sqlite3.Connection,
    job: str | None = None,
    *,
    as_they_are: bool = False,
    newest: int | None = None,
) -> list[Act]:
    """Give the acts, of one job or all, oldest first, each with whether it still counts.

    Parameters
    ----------
    as_they_are : bool   take damaged ones as they stand rather than stop
    newest : int or None   give only so many, the newest

    Raises
    ------
    ShopError   when one is damaged
    """
    where, values = ("", ()) if job is None else ("WHERE job = ?", (job,))
    limit = "" if newest is None else f"DESC LIMIT {newest:d}"
    query = f"SELECT {', '.join(COLUMNS['act'])}, digest FROM act {where} ORDER BY id {limit}"
    found = db.execute(query, values).fetchall()
    alive = _alive(db, job)
    return [_act(row, alive, as_they_are) for row in (found if newest is None else reversed(found))]


def act_of(db: sqlite3.Connection, number: int) -> Act:
    """Give an act that counts by its number.

    Raises
    ------
    ShopError   when it is damaged
    """
    query = f"SELECT {', '.join(COLUMNS['act'])}, digest FROM act WHERE id = ?"
    return _act(db.execute(query, (number,)).fetchone(), {number}, False)


def _act(row: Sequence[Any], alive: set[int], as_they_are: bool) -> Act:
    """Make an act of its row."""
    *columns, kept = row
    if not as_they_are and row_digest(columns) != kept:
        raise ShopError(f"act {columns[0]} of the shop is damaged; see all that is wrong: resonance check")
    number, made, program, of_job, text, within, undoes = columns
    return Act(number, _time(made), of_job, text, number not in alive, program, within, undoes)


def _alive(db: sqlite3.Connection, job: str | None) -> set[int]:
    """Numbers of the acts that count: not undone, nor within one that is."""
    where, values = ("", ()) if job is None else ("WHERE job = ?", (job,))
    found = db.execute(f"SELECT id, within, undoes FROM act {where} ORDER BY id", values).fetchall()
    undone = {undoes for _, _, undoes in found if undoes is not None}
    alive: set[int] = set()
    for number, within, _ in found:
        if number not in undone and (within is None or within in alive):
            alive.add(number)
    return alive


def last_open_act(db: sqlite3.Connection, job: str | None = None) -> int | None:
    """Number of the last act, of one job or all, that can be taken back: not undone, and of its own."""
    where, values = ("", ()) if job is None else ("job = ? AND", (job,))
    query = (
        f"SELECT id FROM act WHERE {where} within IS NULL AND undoes IS NULL AND id NOT IN "
        "(SELECT undoes FROM act WHERE undoes IS NOT NULL) ORDER BY id DESC LIMIT 1"
    )
    row = db.execute(query, values).fetchone()
    return int(row[0]) if row else None


def last_made(db: sqlite3.Connection) -> datetime | None:
    """Give the time of the newest act, None where there is none."""
    row = db.execute("SELECT made FROM act ORDER BY id DESC LIMIT 1").fetchone()
    return _time(row[0]) if row else None


def last_digests(db: sqlite3.Connection) -> dict[str, str]:
    """Give the digest of the last act of each job: it changes with whatever is done to the job."""
    return {job: kept for job, _, kept in db.execute("SELECT job, max(id), digest FROM act GROUP BY job")}


def job_of_act(db: sqlite3.Connection, number: int) -> str | None:
    """Give the job of an act, None where there is no such act."""
    row = db.execute("SELECT job FROM act WHERE id = ?", (number,)).fetchone()
    return str(row[0]) if row else None


def _time(made: str) -> datetime:
    """Read the time of an act; of a damaged one, the beginning of time."""
    try:
        return datetime.fromisoformat(made)
    except ValueError:
        return datetime.min.replace(tzinfo=UTC)


def rows(
    db: sqlite3.Connection,
    job: str | None = None,
    *,
    kinds: Iterable[str] = (),
    skip_damaged: bool = False,
    undone_too: bool = False,
) -> list[Row]:
    """Give the records that count, of one job or all, oldest first.

    Parameters
    ----------
    kinds : kinds of record wanted; all when empty
    skip_damaged : leave damaged ones out
    undone_too : give those of undone acts as well

    Raises
    ------
    ShopError   when one is damaged, unless they are left out
    """
    found, damaged = rows_and_damage(db, job, kinds=kinds, undone_too=undone_too, as_they_are=skip_damaged)
    if damaged and not skip_damaged:
        of_job, kind, id_ = damaged[0]
        raise ShopError(
            f"the record of {kind.replace('_', ' ')} {id_} in {of_job or 'the shop'} is damaged; "
            "see all that is wrong: resonance check"
        )
    return found


def rows_and_damage(
    db: sqlite3.Connection,
    job: str | None = None,
    *,
    kinds: Iterable[str] = (),
    undone_too: bool = False,
    as_they_are: bool = True,
) -> tuple[list[Row], list[tuple[str, str, str]]]:
    """Give the records that count, and (job, kind, id) of the damaged ones among them."""
    counting = {act.id for act in acts(db, job, as_they_are=as_they_are) if undone_too or not act.undone}
    kinds = list(kinds)
    where = ["1"] + (["job = ?"] if job is not None else [])
    where += [f"kind IN ({', '.join('?' * len(kinds))})"] if kinds else []
    values = ([job] if job is not None else []) + kinds
    columns = ", ".join(COLUMNS["record"])
    query = f"SELECT {columns}, digest FROM record WHERE {' AND '.join(where)} ORDER BY seq"
    found, damaged = [], []
    for *columns_, kept in db.execute(query, values):
        seq, act, of_job, kind, id_, body = columns_
        if act not in counting:
            continue
        if row_digest(columns_) == kept:
            found.append(Row(seq, act, of_job, kind, id_, json.loads(body)))
        else:
            damaged.append((of_job, kind, id_))
    return found, damaged
