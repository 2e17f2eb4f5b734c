"""Mending a damaged shop from a backup, from a copy of its folder, or from an exported job.

Of every row the shop's own is taken where it fits its digest, else the source's: of the same number, and,
where it can still be read, of the digest that the damaged one carries. A new database is made of them aside,
looked through, and put in the place of the old one, of which a copy stays (``shop.db.damaged-N``). Rows are
never taken from a source that went another way: one whose rows differ from whole ones of the shop, from there
on. Sound files are taken by their hash. What no source has stays as it is and is named.
"""

import json
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack, closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

from resonance.errors import ShopError
from resonance.jobs.backup import DATABASE, hash_stretch, unpacked
from resonance.jobs.check import NUMBERED, Problem, check_database, fits
from resonance.jobs.database import COLUMNS, keep_odd_bytes, plain_errors, row_digest
from resonance.jobs.folders import copy_sound
from resonance.jobs.records import canonical_json
from resonance.jobs.schema import (
    APPLICATION_ID,
    MIGRATIONS,
    refuse_version,
    run_migrations,
    version_of,
)
from resonance.jobs.sounds import UNFINISHED
from resonance.jobs.store import Shop
from resonance.sound.files import sync_folder

Progress = Callable[[float, str], None]
Row = tuple[Any, ...]
PAGE = 4096  # bytes of a page, SQLite's own choice


@dataclass(frozen=True)
class Mended:
    """What mending a shop came to.

    Parameters
    ----------
    rows : int   rows taken from the source
    sounds : tuple of str   names of the sound files taken from it
    copy : Path or None   of the damaged database, kept
    left : tuple of Problem   what is still wrong
    """

    rows: int = 0
    sounds: tuple[str, ...] = ()
    copy: Path | None = None
    left: tuple[Problem, ...] = ()


@dataclass
class Source:
    """Where whole rows and sound come from.

    Parameters
    ----------
    db : connection or None   with rows by their numbers
    exported : (table, values) of an export, whose records have no number
    sounds : name to a function that copies the file, if it fits a hash, to a path
    """

    db: sqlite3.Connection | None = None
    exported: list[tuple[str, Row]] = field(default_factory=list)
    sounds: Mapping[str, Callable[[Path, str], None]] = field(default_factory=dict)


def mend_shop(folder: Path, source: str | os.PathLike[str], *, progress: Progress | None = None) -> Mended:
    """Mend a shop, as far as the source has what is damaged; other programs must not use it meanwhile.

    Parameters
    ----------
    folder : path of the damaged shop
    source : path of a backup file, of a copy of the shop's folder, or of an exported job

    Raises
    ------
    ShopError   when the source is none of these or cannot be read; nothing was changed then
    """
    tell = progress or (lambda fraction, text: None)
    database = folder / DATABASE
    with plain_errors(database), ExitStack() as stack:
        tell(0.0, "reading the source")
        whole = _source(Path(source), stack)
        aside = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix=".mending-", dir=folder)))
        tell(0.1, "looking for whole records")
        count, copy, wrong = 0, None, n_problems(database)
        if wrong:
            count = _rebuild(database, aside, whole)
            if n_problems(aside / DATABASE) < wrong:
                copy = _put_in_place(database, aside / DATABASE)
        shop = Shop(folder)
        found = shop.check(progress=lambda done, text: tell(0.3 + 0.3 * done, text))
        sounds = _mend_sounds(shop, found, whole)
        left = shop.check(progress=lambda done, text: tell(0.6 + 0.4 * done, text)) if sounds else found
    tell(1.0, "done")
    return Mended(count if copy else 0, sounds, copy, left)


def _source(path: Path, stack: ExitStack) -> Source:
    """Open a source."""
    if (path / "job.json").is_file():
        return _from_export(path)
    if (path / DATABASE).is_file():
        db = stack.enter_context(closing(_open(path / DATABASE)))
        return Source(db, sounds=_sound_files(path / "sound"))
    if path.is_dir() or not path.exists():
        raise ShopError(f"{path} is no backup, no copy of a shop and no exported job; name one of these")
    raw, entries, db = stack.enter_context(unpacked(path))
    sounds = {
        name.removeprefix("sound/"): _from_stretch(raw, *place)
        for name, place in entries.items()
        if name.startswith("sound/")
    }
    return Source(db, sounds=sounds)


def _open(path: Path) -> sqlite3.Connection:
    """Open a database that may be damaged."""
    db = sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True, timeout=10.0, isolation_level=None)
    keep_odd_bytes(db)
    return db


def _sound_files(folder: Path) -> dict[str, Callable[[Path, str], None]]:
    def copier(path: Path) -> Callable[[Path, str], None]:
        return lambda target, sha256: copy_sound(path, target, sha256)

    return {path.name: copier(path) for path in sorted(folder.glob("*"))}


def _from_stretch(raw: BinaryIO, start: int, size: int) -> Callable[[Path, str], None]:
    def copy(target: Path, sha256: str) -> None:
        with target.open("wb") as out:
            found = hash_stretch(raw, start, size, out)
            out.flush()
            os.fsync(out.fileno())
        if found != sha256:
            raise ShopError("the sound in the backup is damaged too")

    return copy


def _from_export(folder: Path) -> Source:
    """Read an exported job; damage in it does no harm, since only rows that fit a digest are taken."""
    try:
        content = json.loads((folder / "job.json").read_text("utf-8", "surrogateescape"))
        job = content["job"]
        exported: list[tuple[str, Row]] = [
            ("act", (a["id"], a["made"], a["program"], job, a["text"], a["within"], a["undoes"]))
            for a in content["acts"]
        ]
        exported += [
            ("record", (0, r["act"], job, r["kind"], r["id"], canonical_json(r["body"])))
            for r in content["records"]
        ]
    except (ValueError, KeyError, TypeError) as error:
        raise ShopError(f"{folder / 'job.json'} is damaged; use another copy of this folder") from error
    return Source(exported=exported, sounds=_sound_files(folder / "sound"))


def n_problems(database: Path) -> int:
    """Count what is wrong with a database; a very large number when it cannot be read at all.

    Raises
    ------
    ShopError   when a newer program wrote it: its layout is another, not only its number
    """
    try:
        with closing(_open(database)) as db:
            found = check_database(db)
            if any(problem.code == "layout_damaged" for problem in found):
                refuse_version(database, version_of(db))
            mark = db.execute("PRAGMA application_id").fetchone()[0]
            return len(found) + int(version_of(db) != len(MIGRATIONS)) + int(mark != APPLICATION_ID)
    except (sqlite3.DatabaseError, OverflowError):
        return 2**31


def _rebuild(damaged: Path, aside: Path, source: Source) -> int:
    """Make a database of whole rows, ``shop.db`` aside; give how many of them came from the source."""
    count = 0
    with closing(_readable(damaged, aside, source)) as old, closing(_empty(aside / DATABASE)) as new:
        new.execute("BEGIN")
        for table in COLUMNS:
            one_way = True
            for number in range(1, max(_last(old, table), _last(source.db, table)) + 1):
                own, other = _row(old, table, number), _row(source.db, table, number)
                if not _whole(own):
                    better = _better(table, number, own, other if one_way else None, source)
                    count += better is not None
                    own = better or own
                elif _whole(other):
                    one_way = one_way and own == other
                if own is not None:
                    with suppress(sqlite3.IntegrityError):  # of a damaged key that now stands twice
                        _put(new, table, number, own)
        new.execute("COMMIT")
    return count


def _empty(path: Path) -> sqlite3.Connection:
    """Make an empty database with the tables of a shop."""
    db = sqlite3.connect(path, isolation_level=None)
    keep_odd_bytes(db)
    run_migrations(db, len(MIGRATIONS))
    return db


def _put(db: sqlite3.Connection, table: str, number: int, row: Row) -> None:
    names = ("rowid", *COLUMNS[table], "digest")
    values = (
        number,
        *(number if name == NUMBERED.get(table) else v for name, v in zip(names[1:], row, strict=True)),
    )
    odd = [v.encode("utf-8", "surrogateescape") if isinstance(v, str) else v for v in values]
    marks = ", ".join("CAST(? AS TEXT)" if isinstance(value, str) else "?" for value in values)
    db.execute(f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks})", odd)


def _readable(damaged: Path, aside: Path, source: Source) -> sqlite3.Connection:
    """Open a copy of the damaged database, its head and layout put right if that makes more rows readable."""
    copies = [aside / f"damaged-{number}.db" for number in range(3)]
    for end in ("", "-wal"):
        with suppress(FileNotFoundError):
            for copy in copies:
                shutil.copyfile(f"{damaged}{end}", f"{copy}{end}")
    data = bytearray(damaged.read_bytes())
    data[:100] = _plain_head(len(data))
    copies[1].write_bytes(data)
    if source.db is not None:
        _lay_out_like(data, source.db.serialize())
    copies[2].write_bytes(data)
    found = [_open(copy) for copy in copies]
    best = max(found, key=_n_whole)
    for db in found:
        if db is not best:
            db.close()
    return best


def _n_whole(db: sqlite3.Connection) -> int:
    """Count the whole rows that can be read."""
    return sum(_whole(_row(db, table, n)) for table in COLUMNS for n in range(1, _last(db, table) + 1))


def _lay_out_like(data: bytearray, whole: bytes) -> None:
    """Put the pages that hold the layout (the tree of page 1, one level deep) of a whole copy into another.

    SQLite file format, section 1.6: an interior page has type 5, its rightmost child at byte 8 of its head,
    and 4 bytes of child before each key.
    """
    data[100:PAGE] = whole[100:PAGE]
    if whole[100] != 5:
        return
    n_cells = int.from_bytes(whole[103:105], "big")
    cells = [int.from_bytes(whole[112 + 2 * k : 114 + 2 * k], "big") for k in range(n_cells)]
    for cell in (*cells, 108):
        start = (int.from_bytes(whole[cell : cell + 4], "big") - 1) * PAGE
        data[start : start + PAGE] = whole[start : start + PAGE]


def _plain_head(n_bytes: int) -> bytes:
    """Give the head of a database of a shop, without a list of free pages, to be read from only.

    SQLite file format, section 1.3.
    """
    head = bytearray(100)
    head[:24] = b"SQLite format 3\0" + PAGE.to_bytes(2, "big") + bytes((2, 2, 0, 64, 32, 32))
    numbers = {
        24: 1,
        28: n_bytes // PAGE,
        40: 1,
        44: 4,
        56: 1,
        60: len(MIGRATIONS),
        68: APPLICATION_ID,
        92: 1,
    }
    for place, number in numbers.items():
        head[place : place + 4] = number.to_bytes(4, "big")
    return bytes(head)


def _last(db: sqlite3.Connection | None, table: str) -> int:
    """Give the highest number of a table, as far as it can be told."""
    found = [0]
    for query in (
        f"SELECT max(rowid) FROM {table}",
        f"SELECT seq FROM sqlite_sequence WHERE name = '{table}'",
    ):
        with suppress(sqlite3.DatabaseError, TypeError, ValueError):
            row = db.execute(query).fetchone() if db is not None else None
            found += [int(row[0])] if row and 0 < int(row[0] or 0) <= _most_rows(db) else []
    return max(found)


def _most_rows(db: sqlite3.Connection | None) -> int:
    """Give how many rows there can be at most: each has a digest of 64 signs. A higher number is damage."""
    pages = db.execute("PRAGMA page_count").fetchone()[0] if db is not None else 0
    return int(pages) * PAGE // 64


def _row(db: sqlite3.Connection | None, table: str, number: int) -> Row | None:
    """Give a row by its number with its digest, None where it is gone or cannot be read."""
    if db is None:
        return None
    query = f"SELECT {', '.join(COLUMNS[table])}, digest FROM {table} WHERE rowid = ?"
    try:
        found: Row | None = db.execute(query, (number,)).fetchone()
    except (sqlite3.DatabaseError, OverflowError):
        return None
    return found


def _whole(row: Row | None) -> bool:
    """Whether a row is there and is what was written."""
    return row is not None and fits(list(row[:-1]), row[-1])


def _better(table: str, number: int, own: Row | None, other: Row | None, source: Source) -> Row | None:
    """Give a whole row for a damaged or lost one, None where the source has none."""
    if own is not None and table in NUMBERED:
        for of_table, values in source.exported:
            if of_table == table and row_digest(row := (number, *values[1:])) == own[-1]:
                return (*row, own[-1])
    if other is None or not _whole(other):
        return None
    # One flip hits what the row says or its digest, not both.
    return other if own is None or own[-1] == other[-1] or own[:-1] == other[:-1] else None


def _put_in_place(database: Path, new: Path) -> Path:
    """Put a mended database in the place of the damaged one, of which a copy stays; give its path."""
    number = 1
    while (copy := database.with_name(f"{DATABASE}.damaged-{number}")).exists():
        number += 1
    shutil.copyfile(database, copy)
    try:
        with closing(sqlite3.connect(new)) as source, closing(_open(database)) as db:
            source.backup(db)
            return copy
    except sqlite3.DatabaseError:  # too torn to be written into: nobody else can have it open
        with new.open("rb+") as file:
            os.fsync(file.fileno())
        for end in ("-wal", "-shm"):
            Path(f"{database}{end}").unlink(missing_ok=True)
        os.replace(new, database)
        sync_folder(database.parent)
    return copy


def _mend_sounds(shop: Shop, found: Sequence[Problem], source: Source) -> tuple[str, ...]:
    """Bring back missing and damaged sound files; give their names."""
    mended = []
    for problem in found:
        if problem.code not in ("sound_missing", "sound_damaged") or problem.id not in source.sounds:
            continue
        path = shop.sound_folder / problem.id
        part = path.with_name(f"{path.name}{UNFINISHED}")
        try:
            source.sounds[problem.id](part, path.name[:64])
        except ShopError:  # the source's own is damaged too
            part.unlink(missing_ok=True)
            continue
        os.replace(part, path)
        sync_folder(path.parent)
        mended.append(problem.id)
    return tuple(mended)
