"""Looking through a shop for damage, in plain words.

Problem codes
-------------
database_damaged : SQLite's own check found something
row_damaged : a row is not what was written
row_missing : numbers are skipped: rows are gone
layout_damaged : tables, indexes or triggers are not those that this version of a shop has
reference_lost : a row refers to one that is gone
sound_missing, sound_damaged : a recording's file is gone, or not what was kept
file_missing, file_damaged : the same of a file in a backup or an export
sound_without_row : a file that no tap set needs, left by a crash or a stopped command; nothing is lost
unfinished_copy : a half-written file left by a crash; nothing is lost
"""

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from resonance.jobs.database import COLUMNS, Sound, reading, row_digest, sounds
from resonance.jobs.schema import run_migrations, version_of
from resonance.jobs.sounds import NAMED, UNFINISHED, hash_file

Progress = Callable[[float, str], None]
HARMLESS = ("sound_without_row", "unfinished_copy")
RESTORE = "mend it from a backup: resonance check --mend-from FILE"
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
    with reading(database) as db:
        listed = sounds(db)
        share = _share(database.stat().st_size, sum(sound.n_bytes for sound in listed))
        found = check_database(db, progress=lambda fraction, text: tell(share * fraction, text))
        found += _sound_files(listed, sound_folder, lambda f, text: tell(share + (1 - share) * f, text))
    tell(1.0, "done")
    return tuple(found)


def _share(part: float, rest: float) -> float:
    """Give the share of the work that a part is."""
    return part / ((part + rest) or 1.0)


def check_database(db: sqlite3.Connection, *, progress: Progress | None = None) -> list[Problem]:
    """Check the pages, the layout and every row of an open database."""
    tell = progress or (lambda fraction, text: None)
    tell(0.0, "checking the pages of the database")
    found = [*_database(db), *_layout(db)]
    found += _rows(db, lambda fraction: tell(0.3 + 0.7 * fraction, "checking the records"))
    return [*found, *_gaps(db)]


def _layout(db: sqlite3.Connection) -> Iterator[Problem]:
    """Compare tables, indexes and triggers with those that the migrations make."""
    query = "SELECT type, name, tbl_name, sql FROM sqlite_master ORDER BY type, name"
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as new:
        run_migrations(new, version_of(db))
        wanted = new.execute(query).fetchall()
    if db.execute(query).fetchall() != wanted:
        yield Problem("layout_damaged", f"the tables of the database are not what they should be; {RESTORE}")


def _database(db: sqlite3.Connection) -> Iterator[Problem]:
    for (said,) in db.execute("PRAGMA integrity_check(20)"):
        if said != "ok":
            yield Problem("database_damaged", f"the database reports: {said}; {RESTORE}")
    for table, _, parent, _ in db.execute("PRAGMA foreign_key_check"):
        yield Problem("reference_lost", f"a {NAMES[table]} refers to a lost {NAMES[parent]}; {RESTORE}")


def _rows(db: sqlite3.Connection, tell: Callable[[float], None]) -> Iterator[Problem]:
    """Find rows whose digest does not fit."""
    total = sum(db.execute(f"SELECT count(*) FROM {table}").fetchone()[0] for table in COLUMNS)
    done = 0
    for table, columns in COLUMNS.items():
        for *values, kept in db.execute(f"SELECT {', '.join(columns)}, digest FROM {table}"):
            done += 1
            if done % 1000 == 0:
                tell(done / total)
            if fits(values, kept):
                continue
            row = dict(zip(columns, values, strict=True))
            job, id_, what = "", str(values[0]), NAMES[table]
            if table == "record":
                job, id_ = str(row["job"]), str(row["id"])
                kind = str(row["kind"]).replace("_", " ")
                what = f"record of {kind} {id_}" + (f" in {job}" if job else "")
            yield Problem("row_damaged", f"the {what} is not what was written; {RESTORE}", job, id_)


def fits(values: list[object], kept: object) -> bool:
    """Whether a row is what was written; bytes that are no text are not."""
    return not any(isinstance(value, bytes) for value in values) and row_digest(values) == kept


def _gaps(db: sqlite3.Connection) -> Iterator[Problem]:
    """Find numbers that were given and are gone."""
    given = dict(db.execute("SELECT name, seq FROM sqlite_sequence").fetchall())
    for table, column in NUMBERED.items():
        there = {number for (number,) in db.execute(f"SELECT {column} FROM {table}")}
        if max(there, default=0) > given.get(table, 0):
            text = f"the count of {NAMES[table]}s is not what was written; {RESTORE}"
            yield Problem("row_damaged", text, id=table)
        gone = set(range(1, max([given.get(table, 0), *there], default=0) + 1)) - there
        if gone:
            first = min(gone)
            text = f"{len(gone)} {NAMES[table]}(s) are gone, the first is number {first}; {RESTORE}"
            yield Problem("row_missing", text, id=str(first))


def _sound_files(listed: Sequence[Sound], folder: Path, tell: Progress) -> Iterator[Problem]:
    """Compare each sound file with its hash, and the folder with the rows."""
    total, done = sum(sound.n_bytes for sound in listed), 0
    for number, sound in enumerate(listed):
        tell(_share(done, total - done), f"checking sound file {number + 1} of {len(listed)}")
        done += sound.n_bytes
        path = folder / sound.file
        if not path.is_file():
            text = (
                f"the sound file {path} is missing; mend it from a backup: resonance check --mend-from FILE"
            )
            yield Problem("sound_missing", text, id=sound.file)
        elif hash_file(path) != sound.sha256:
            text = f"the sound file {path} is not what was kept; {RESTORE}"
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
