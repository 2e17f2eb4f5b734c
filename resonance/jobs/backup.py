"""A whole shop as one file, and back.

The file is a zip whose entries are stored as they are, not packed: ``shop.db``, ``sound/``, ``spool/`` (a set
that is being recorded, as far as it had come) and ``SHA256SUMS``. So one flipped bit harms one record or one
recording and nothing else, it is named, and the rest comes back; any unzip program opens it. Database and
sound fit together whatever others write meanwhile: the database is copied first, by SQLite's own way of
copying a live one, and a recording stands in the folder before its row does.
"""

import hashlib
import os
import shutil
import sqlite3
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from resonance.errors import ShopError
from resonance.jobs.check import Problem, check_database
from resonance.jobs.database import keep_odd_bytes, plain_errors, reading
from resonance.jobs.folders import SUMS, give_name, read_sums, sums_text, whole_folder
from resonance.jobs.schema import copy_database, refuse_newer
from resonance.jobs.sounds import BLOCK, NAMED, UNFINISHED
from resonance.jobs.store import Shop

Progress = Callable[[float, str], None]
DATABASE = "shop.db"
FOLDERS = {"sound": 2, "spool": 3}  # folders of a backup, and how many parts a name in them has
LOCAL_HEAD = 30  # bytes before the name of a zip entry (PKWARE APPNOTE 4.3.7)


@dataclass(frozen=True)
class Backup:
    """What was backed up, or brought back.

    Parameters
    ----------
    path : of the file written, or of the folder brought back
    n_files : int   sound files
    n_bytes : int   all that was read and compared
    problems : tuple of Problem   damage that the shop, or the file, had already; empty when all is well
    """

    path: Path
    n_files: int
    n_bytes: int
    problems: tuple[Problem, ...] = ()


def backup(shop: Shop, file: str | os.PathLike[str], *, progress: Progress | None = None) -> Backup:
    """Copy a whole shop into one file, and read it again from the disk; others may go on working meanwhile.

    Raises
    ------
    ShopError   when the file is there already, cannot be written, or does not read back as it was written
    """
    tell = progress or (lambda fraction, text: None)
    target = Path(file)
    if target.exists():
        raise ShopError(f"{target} is there already; name another file")
    if not target.parent.is_dir():
        raise ShopError(f"there is no folder {target.parent}; make it, or name another place")
    with (
        plain_errors(target),
        tempfile.TemporaryDirectory(prefix=f".{target.name}-", dir=target.parent) as aside,
    ):
        copy, part = Path(aside) / DATABASE, Path(aside) / "backup.zip"
        with reading(shop.database) as db:
            copy_database(db, copy)
        sums = _write_zip(part, copy, shop.folder, lambda done, text: tell(0.5 * done, text))
        found = _compare(part, sums, lambda done, text: tell(0.5 + 0.5 * done, text))
        if found:
            raise ShopError(
                f"{target} does not read back as it was written ({found[0]}); nothing was kept of it"
            )
        with _opened_aside(copy) as db:
            problems = (*check_database(db), *_wrong_names(sums))
        n_bytes = part.stat().st_size
        give_name(part, target)
    tell(1.0, "done")
    return Backup(target, sum(name.startswith("sound/") for name in sums), n_bytes, problems)


def _write_zip(part: Path, database: Path, shop: Path, tell: Progress) -> dict[str, str]:
    """Write the entries, and give the hash of each as it was read."""
    paths = {DATABASE: database, **{path.relative_to(shop).as_posix(): path for path in _files(shop)}}
    sums: dict[str, str] = {}
    with part.open("wb") as file:
        with zipfile.ZipFile(file, "w", zipfile.ZIP_STORED, allowZip64=True) as archive:
            for number, (name, path) in enumerate(paths.items()):
                tell(number / len(paths), f"copying file {number + 1} of {len(paths)}")
                with suppress(FileNotFoundError):  # a spool may be kept, and so removed, meanwhile
                    sums[name] = _write_entry(archive, name, path)
            archive.writestr(SUMS, sums_text(sums))
        file.flush()
        os.fsync(file.fileno())
    return sums


def _files(shop: Path) -> list[Path]:
    """Give the files that go into a backup; of a spool the journal first, so that its sound covers it."""
    sound = sorted(path for path in (shop / "sound").iterdir() if UNFINISHED not in path.name)
    spool = sorted((shop / "spool").glob("*/*"))
    return [path for path in (*sound, *spool) if path.is_file() and UNFINISHED not in path.name]


def _write_entry(archive: zipfile.ZipFile, name: str, path: Path) -> str:
    """Write one entry block by block; give the hash of what was read."""
    sha256 = hashlib.sha256()
    with path.open("rb") as source, archive.open(zipfile.ZipInfo(name), "w", force_zip64=True) as out:
        while block := source.read(BLOCK):
            sha256.update(block)
            out.write(block)
    return sha256.hexdigest()


def _compare(file: Path, sums: dict[str, str], tell: Progress) -> list[str]:
    """Read a backup again, from the disk where the system can be asked to; give the names that differ."""
    with file.open("rb") as raw:
        forget = getattr(os, "posix_fadvise", None)
        if forget is not None:
            forget(raw.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
        entries = entries_of(file, raw)
        wrong = [name for name in (*sums, SUMS) if name not in entries]
        for number, (name, (start, size)) in enumerate(entries.items()):
            tell(number / len(entries), f"reading back file {number + 1} of {len(entries)}")
            if name != SUMS and hash_stretch(raw, start, size) != sums.get(name):
                wrong.append(name)
        if SUMS in entries and read_stretch(raw, *entries[SUMS]) != sums_text(sums).encode():
            wrong.append(SUMS)
    return wrong


def _wrong_names(sums: dict[str, str]) -> list[Problem]:
    """Find sound files that are not what their name says."""
    found = []
    for name, sha256 in sums.items():
        folder, _, plain = name.rpartition("/")
        if folder == "sound" and NAMED.match(plain) and not plain.startswith(sha256):
            found.append(Problem("sound_damaged", f"the sound file {plain} is not what was kept", id=plain))
    return found


def entries_of(source: Path, raw: BinaryIO) -> dict[str, tuple[int, int]]:
    """Give where each entry of a backup lies: name to (first byte, number of bytes).

    Raises
    ------
    ShopError   when the file is no backup: packed entries, names that lead elsewhere, entries that overlap
    """
    try:
        with zipfile.ZipFile(raw) as archive:
            listed = [info for info in archive.infolist() if not info.is_dir()]
    except (zipfile.BadZipFile, EOFError, ValueError, NotImplementedError, OverflowError) as error:
        raise ShopError(f"{source} is damaged or no backup of a shop: {error}") from error
    if DATABASE not in [info.filename for info in listed]:
        raise ShopError(f"{source} is no backup of a shop: it has no {DATABASE}")
    end = raw.seek(0, os.SEEK_END)
    found: dict[str, tuple[int, int]] = {}
    for info in listed:
        name = info.filename
        if not _belongs(name) or name in found or info.compress_type != zipfile.ZIP_STORED:
            raise ShopError(f"{source} is no backup of a shop: it holds '{name}'")
        raw.seek(info.header_offset)
        head = raw.read(LOCAL_HEAD)
        start = info.header_offset + LOCAL_HEAD + sum(head[26:30:2]) + 256 * sum(head[27:30:2])
        found[name] = start, info.file_size
    last = 0
    for name, (start, size) in sorted(found.items(), key=lambda entry: entry[1]):
        if start < last or start + size > end:
            raise ShopError(f"{source} is damaged or no backup of a shop: '{name}' does not lie within it")
        last = start + size
    return found


def _belongs(name: str) -> bool:
    """Whether a name is one that a backup has."""
    parts = name.split("/")
    plain = all(part not in ("", ".", "..") for part in parts) and not set(name) & set("\\:\0")
    return name in (DATABASE, SUMS) or (plain and FOLDERS.get(parts[0]) == len(parts))


def hash_stretch(raw: BinaryIO, start: int, size: int, out: BinaryIO | None = None) -> str:
    """Hash a stretch of a file, and write it out where that is wanted."""
    sha256 = hashlib.sha256()
    raw.seek(start)
    while size > 0 and (block := raw.read(min(BLOCK, size))):
        size -= len(block)
        sha256.update(block)
        if out is not None:
            out.write(block)
    return sha256.hexdigest()


def read_stretch(raw: BinaryIO, start: int, size: int) -> bytes:
    """Read a stretch of a file."""
    raw.seek(start)
    return raw.read(size)


@contextmanager
def _opened_aside(path: Path) -> Iterator[sqlite3.Connection]:
    """Open a database that lies aside, used by nobody else."""
    refuse_newer(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        keep_odd_bytes(db)
        yield db


@contextmanager
def unpacked(file: Path) -> Iterator[tuple[BinaryIO, dict[str, tuple[int, int]], sqlite3.Connection]]:
    """Open a backup: the file, its entries, and its database, unpacked aside and read only.

    Raises
    ------
    ShopError   when it is no backup, or its database cannot be read at all
    """
    with plain_errors(file), tempfile.TemporaryDirectory(prefix="resonance-") as aside, _open(file) as raw:
        entries = entries_of(file, raw)
        copy = Path(aside) / DATABASE
        with copy.open("wb") as out:
            hash_stretch(raw, *entries[DATABASE], out)
        with _opened_aside(copy) as db:
            yield raw, entries, db


def _open(file: Path) -> BinaryIO:
    try:
        return file.open("rb")
    except FileNotFoundError:
        raise ShopError(f"there is no file {file}; check the name and the folder") from None


def check_backup(file: Path, *, progress: Progress | None = None) -> tuple[Problem, ...]:
    """See that a backup holds what was written into it.

    Raises
    ------
    ShopError   when it is no backup, or its database cannot be read at all
    """
    tell = progress or (lambda fraction, text: None)
    with unpacked(file) as (raw, entries, db):
        text = read_stretch(raw, *entries[SUMS]).decode("utf-8", "replace") if SUMS in entries else ""
        found = _differing(file, entries, read_sums(text), _hashes(raw, entries, tell))
        found += check_database(db)
    tell(1.0, "done")
    return tuple(found)


def _hashes(raw: BinaryIO, entries: dict[str, tuple[int, int]], tell: Progress) -> dict[str, str]:
    hashes = {}
    for number, (name, (start, size)) in enumerate(entries.items()):
        tell(number / len(entries), f"checking file {number + 1} of {len(entries)}")
        hashes[name] = hash_stretch(raw, start, size)
    return hashes


def _differing(
    file: Path, there: dict[str, tuple[int, int]], sums: dict[str, str], hashes: dict[str, str]
) -> list[Problem]:
    """Compare what is there with the list of fingerprints."""
    found = []
    for name in sorted({*there, *sums} - {SUMS}):
        if name not in there:
            found.append(Problem("file_missing", f"{name} is missing in {file}", id=name))
        elif hashes[name] != sums.get(name):
            found.append(Problem("file_damaged", f"{name} in {file} is not what was written", id=name))
    return found


def restore(
    file: str | os.PathLike[str], folder: str | os.PathLike[str], *, progress: Progress | None = None
) -> Backup:
    """Bring a backup back into a new or empty folder; then look through all that came back.

    What is damaged in the file is brought back as it is and named; the rest does not suffer.

    Raises
    ------
    ShopError   when the folder is not empty, the file is no backup, there is no room, or the database in it
        cannot be read at all; then nothing was written
    """
    tell = progress or (lambda fraction, text: None)
    source, target = Path(file), Path(folder)
    with plain_errors(source), _open(source) as raw:
        entries = entries_of(source, raw)
        wanted = {name: place for name, place in entries.items() if name != SUMS}
        _see_room(target, sum(size for _, size in wanted.values()))
        with whole_folder(target) as part:
            (part / "sound").mkdir()
            for number, (name, (start, size)) in enumerate(wanted.items()):
                tell(0.5 * number / len(wanted), f"bringing back file {number + 1} of {len(wanted)}")
                (part / name).parent.mkdir(parents=True, exist_ok=True)
                with (part / name).open("xb") as out:
                    hash_stretch(raw, start, size, out)
                    out.flush()
                    os.fsync(out.fileno())
            back = Shop(part)
            problems = back.check(progress=lambda done, text: tell(0.5 + 0.5 * done, text))
    tell(1.0, "done")
    n_bytes = sum(size for _, size in wanted.values())
    return Backup(target, sum(name.startswith("sound/") for name in wanted), n_bytes, problems)


def _see_room(target: Path, needed: int) -> None:
    """See that the disk has room for what comes.

    Raises
    ------
    ShopError   saying how much is wanting
    """
    there = next((path for path in (target, *target.absolute().parents) if path.is_dir()), Path("."))
    free = shutil.disk_usage(there).free
    if needed > free:
        raise ShopError(
            f"no room for it on the disk of {target}: {needed / 1e6:.0f} MB needed, {free / 1e6:.0f} MB free"
        )
