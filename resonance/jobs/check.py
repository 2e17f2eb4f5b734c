"""Looking through a shop for damage, in plain words.

Problem codes
-------------
database_damaged : SQLite's own check found something
row_damaged : a row is not what was written
row_missing : numbers are skipped: rows are gone
reference_lost : a row refers to one that is gone
sound_missing, sound_damaged : a recording's file is gone, or not what was kept
sound_without_row : a file that no tap set needs, left by a crash or a stopped command; nothing is lost
unfinished_copy : a half-written file left by a crash; nothing is lost
"""

import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from resonance.jobs.database import COLUMNS, reading, row_digest, sounds
from resonance.jobs.sounds import NAMED, UNFINISHED, hash_file

Progress = Callable[[float, str], None]
HARMLESS = ("sound_without_row", "unfinished_copy")
RESTORE = "bring it back from a copy of the shop folder"
NAMES = {"act": "act", "record": "record", "sound": "entry of a sound file", "take": "entry of a take"}
NUMBERED = {"act": "id", "record": "seq"}


@dataclass(frozen=True)
class Problem:
    """One thing wrong with a shop.

    Parameters
    ----------
    code : see the module
    text : str   one plain line
    job : str   id of the job it touches, '' when not known
    id : str   of the tap set, adjustment ... or name of the file
    harmless : bool   whether nothing is lost by it
    """

    code: str
    text: str
    job: str = ""
    id: str = ""

    @property
    def harmless(self) -> bool:
        """Whether nothing is lost by it."""
        return self.code in HARMLESS


def check_shop(
    database: Path, sound_folder: Path, *, progress: Progress | None = None
) -> tuple[Problem, ...]:
    """Check every row against its digest and every sound file against its name.

    Raises
    ------
    ShopError   when the database is too damaged to be read at all
    """
    tell = progress or (lambda fraction, text: None)
    tell(0.0, "checking the records")
    with reading(database) as db:
        found = [*_database(db), *_rows(db), *_gaps(db)]
        found += _sound_files(db, sound_folder, tell)
    tell(1.0, "done")
    return tuple(found)


def _database(db: sqlite3.Connection) -> Iterator[Problem]:
    for (said,) in db.execute("PRAGMA integrity_check(20)"):
        if said != "ok":
            yield Problem("database_damaged", f"the database reports: {said}; {RESTORE}")
    for table, _, parent, _ in db.execute("PRAGMA foreign_key_check"):
        yield Problem("reference_lost", f"a {NAMES[table]} refers to a lost {NAMES[parent]}; {RESTORE}")


def _rows(db: sqlite3.Connection) -> Iterator[Problem]:
    """Find rows whose digest does not fit."""
    for table, columns in COLUMNS.items():
        for *values, kept in db.execute(f"SELECT {', '.join(columns)}, digest FROM {table}"):
            if _fits(values, kept):
                continue
            row = dict(zip(columns, values, strict=True))
            job, id_, what = "", str(values[0]), NAMES[table]
            if table == "record":
                job, id_ = str(row["job"]), str(row["id"])
                kind = str(row["kind"]).replace("_", " ")
                what = f"record of {kind} {id_}" + (f" in {job}" if job else "")
            yield Problem("row_damaged", f"the {what} is not what was written; {RESTORE}", job, id_)


def _fits(values: list[object], kept: object) -> bool:
    """Whether a row is what was written; bytes that are no text are not."""
    return not any(isinstance(value, bytes) for value in values) and row_digest(values) == kept


def _gaps(db: sqlite3.Connection) -> Iterator[Problem]:
    """Find numbers that were given and are gone."""
    given = dict(db.execute("SELECT name, seq FROM sqlite_sequence").fetchall())
    for table, column in NUMBERED.items():
        there = {number for (number,) in db.execute(f"SELECT {column} FROM {table}")}
        gone = set(range(1, max([given.get(table, 0), *there], default=0) + 1)) - there
        if gone:
            first = min(gone)
            text = f"{len(gone)} {NAMES[table]}(s) are gone, the first is number {first}; {RESTORE}"
            yield Problem("row_missing", text, id=str(first))


def _sound_files(
    db: sqlite3.Connection, folder: Path, tell: Callable[[float, str], None]
) -> Iterator[Problem]:
    """Compare each sound file with its hash, and the folder with the rows."""
    listed = sounds(db)
    for number, sound in enumerate(listed):
        tell(number / len(listed), f"checking sound file {number + 1} of {len(listed)}")
        path = folder / sound.file
        if not path.is_file():
            text = f"the sound file {path} is missing; bring it back from a copy of the shop"
            yield Problem("sound_missing", text, id=sound.file)
        elif hash_file(path) != sound.sha256:
            text = f"the sound file {path} is not what was kept; bring it back from a copy of the shop"
            yield Problem("sound_damaged", text, id=sound.file)
    known = {sound.file for sound in listed}
    for path in sorted(folder.iterdir()):
        if UNFINISHED in path.name:
            text = f"{path} is a half-written copy, left when a command was stopped; it may be removed"
            yield Problem("unfinished_copy", text, id=path.name)
        elif path.name not in known:
            sure = "" if NAMED.match(path.name) else " and is not named as the shop names them"
            text = f"{path} belongs to no tap set{sure}; nothing is lost: add it to a job or remove it"
            yield Problem("sound_without_row", text, id=path.name)
