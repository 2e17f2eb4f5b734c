"""Tables of a shop and their numbered migrations.

One log, two kinds of rows. An `act` is one command. A `record` belongs to an act and holds one thing in
one version, as canonical JSON: the newest living record of a thing is how it stands. An act that another
act undoes, or that lies within an undone one, no longer counts; its records stay. `sound` lists the files
under ``sound/``, `take` which record needs which of them. Nothing is overwritten or removed: triggers
refuse it.

``digest`` is the SHA-256 of the canonical JSON of all other columns of the row (a list, in their order).
Numbers are given without gaps, so that a lost row shows.
"""

import os
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

from resonance.errors import ShopError

APPLICATION_ID = 0x52534E43  # marks the file as a shop of ours
KEPT = "BEGIN SELECT RAISE(ABORT, 'rows of a shop are never changed or removed'); END"

MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        """CREATE TABLE act (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            made TEXT NOT NULL,
            program TEXT NOT NULL,
            job TEXT NOT NULL,
            text TEXT NOT NULL,
            within INTEGER REFERENCES act (id),
            undoes INTEGER UNIQUE REFERENCES act (id),
            digest TEXT NOT NULL)""",
        """CREATE TABLE record (
            seq INTEGER PRIMARY KEY AUTOINCREMENT,
            act INTEGER NOT NULL REFERENCES act (id),
            job TEXT NOT NULL,
            kind TEXT NOT NULL,
            id TEXT NOT NULL,
            body TEXT NOT NULL,
            digest TEXT NOT NULL)""",
        """CREATE TABLE sound (
            sha256 TEXT PRIMARY KEY,
            file TEXT NOT NULL UNIQUE,
            n_bytes INTEGER NOT NULL,
            act INTEGER NOT NULL REFERENCES act (id),
            digest TEXT NOT NULL)""",
        """CREATE TABLE take (
            record INTEGER NOT NULL REFERENCES record (seq),
            place INTEGER NOT NULL,
            sha256 TEXT NOT NULL REFERENCES sound (sha256),
            digest TEXT NOT NULL,
            PRIMARY KEY (record, place))""",
        "CREATE INDEX act_of_job ON act (job)",
        "CREATE INDEX record_of_job ON record (job, kind, id)",
        "CREATE INDEX record_of_act ON record (act)",
        "CREATE INDEX take_of_sound ON take (sha256)",
        *(
            f"CREATE TRIGGER {table}_is_kept_{word.lower()} BEFORE {word} ON {table} {KEPT}"
            for table in ("act", "record", "sound", "take")
            for word in ("UPDATE", "DELETE")
        ),
        f"PRAGMA application_id = {APPLICATION_ID}",
    ),
)


def refuse_newer(path: Path, *, newest: int = len(MIGRATIONS)) -> None:
    """Look at the file's head without opening it as a database.

    Raises
    ------
    ShopError   when it is no shop, or one of a newer program; the file is not touched
    """
    if not path.exists() or path.stat().st_size == 0:
        return
    with path.open("rb") as file:
        head = file.read(100)
    version = int.from_bytes(head[60:64], "big")  # SQLite file format, section 1.3: user version
    mark = int.from_bytes(head[68:72], "big")  # the same: application id
    if not head.startswith(b"SQLite format 3\0") or mark not in (0, APPLICATION_ID):
        raise ShopError(f"{path} is not the file of a shop; name another folder with --shop")
    refuse_version(path, version, newest=newest)


def refuse_version(path: Path, version: int, *, newest: int = len(MIGRATIONS)) -> None:
    """Refuse a shop of a newer program.

    Raises
    ------
    ShopError   saying so
    """
    if version > newest:
        raise ShopError(
            f"the shop in {path.parent} was written by a newer resonance (its version {version}, this one "
            f"knows {newest}); install the newer one; nothing was changed"
        )


def version_of(db: sqlite3.Connection) -> int:
    """Give the number of the last migration a database has seen."""
    return int(db.execute("PRAGMA user_version").fetchone()[0])


def migrate(db: sqlite3.Connection, path: Path, *, migrations: Sequence[Sequence[str]] = MIGRATIONS) -> int:
    """Bring a database up to date, each migration in a transaction of its own.

    A shop that holds something is copied beforehand to ``shop.db.before-N``, N the number of the first
    migration to come.

    Parameters
    ----------
    db : connection in autocommit mode (``isolation_level=None``)
    path : of the database file
    migrations : sequence of sequences of statements

    Returns
    -------
    int   how many migrations were run

    Raises
    ------
    ShopError   when the shop is of a newer program
    """
    start = version_of(db)
    refuse_version(path, start, newest=len(migrations))
    if 0 < start < len(migrations):
        copy_database(db, path.with_name(f"{path.name}.before-{start + 1}"))
    done = 0
    for number in range(start + 1, len(migrations) + 1):
        done += _run(db, number, migrations[number - 1])
    return done


def run_migrations(db: sqlite3.Connection, version: int) -> None:
    """Make the tables of a version in an empty database (as far as this program knows it)."""
    for number, statements in enumerate(MIGRATIONS[:version], 1):
        _run(db, number, statements)


def _run(db: sqlite3.Connection, number: int, statements: Sequence[str]) -> int:
    """Run one migration, unless another program has just done so."""
    db.execute("BEGIN IMMEDIATE")
    try:
        needed = version_of(db) < number
        if needed:
            for statement in statements:
                db.execute(statement)
            db.execute(f"PRAGMA user_version = {number:d}")
    except BaseException:
        db.execute("ROLLBACK")
        raise
    db.execute("COMMIT")
    return int(needed)


def copy_database(db: sqlite3.Connection, target: Path) -> None:
    """Copy an open database to a file: written aside, flushed to the disk, then named."""
    unfinished = target.with_name(f"{target.name}.part")
    unfinished.unlink(missing_ok=True)
    with closing(sqlite3.connect(unfinished)) as copy:
        db.backup(copy)
        copy.execute("PRAGMA journal_mode = DELETE")
    with unfinished.open("rb+") as file:
        os.fsync(file.fileno())
    os.replace(unfinished, target)
