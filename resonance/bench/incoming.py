"""Recordings that came to a page and wait to be kept: on the disk as they come, under names of our own.

What a browser calls a file is only ever shown. A batch is a folder in the shop's ``incoming/``, named by us;
its files are numbered, with an ending only where it is one of `ENDINGS`. Batches that nobody kept are removed
after a while.
"""

import json
import os
import re
import secrets
import shutil
import time
from collections.abc import AsyncIterator
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import BinaryIO

from resonance.errors import NotFoundError, ResonanceError

FOLDER, NOTE, SOUND = "incoming", "note.json", "sound"
NAMED = re.compile(r"[0-9a-f]{24}")
ENDINGS = (
    "wav", "flac", "aif", "aiff", "ogg", "oga", "opus", "mp3", "m4a", "mp4", "mov", "3gp", "aac", "caf",
    "w64", "au", "rf64",
)  # fmt: skip
KEPT_FOR = 48.0  # hours
MOST = 60  # files of a batch
LARGEST_FILE = 2**30  # bytes
BLOCK = 2**20
LONGEST_NAME = 120


@dataclass(frozen=True)
class Arrived:
    """A recording that has arrived.

    Parameters
    ----------
    file : str   its name in the batch's folder
    name : str   what the browser called it
    written : float or None   when it was last written, s since 1970, as the browser told
    """

    file: str
    name: str
    written: float | None = None


def new_batch(shop: Path) -> str:
    """Make a batch, and remove those that nobody kept; gives its name."""
    home = shop / FOLDER
    home.mkdir(exist_ok=True)
    for old in home.iterdir():
        if NAMED.fullmatch(old.name) and time.time() - old.stat().st_mtime > 3600.0 * KEPT_FOR:
            shutil.rmtree(old, ignore_errors=True)
    name = secrets.token_hex(12)
    (home / name).mkdir()
    return name


def batch_folder(shop: Path, name: str) -> Path:
    """Give the folder of a batch.

    Raises
    ------
    NotFoundError   when there is none of that name
    """
    folder = shop / FOLDER / name
    if not NAMED.fullmatch(name) or not folder.is_dir():
        raise NotFoundError("those recordings are not waiting any more; drop them again")
    return folder


def arrived(folder: Path) -> tuple[Arrived, ...]:
    """Give the recordings of a batch, in the order they came."""
    try:
        found = json.loads((folder / NOTE).read_text("utf-8"))
        return tuple(Arrived(**each) for each in found)
    except (OSError, ValueError, TypeError):
        return ()


def discard(folder: Path) -> None:
    """Remove a batch."""
    shutil.rmtree(folder, ignore_errors=True)


def take_in(folder: Path, source: BinaryIO, name: str) -> Arrived:
    """Copy a recording into a batch.

    Raises
    ------
    ResonanceError   when it is too large, or the disk takes no more
    """
    with _Target(folder, name) as target:
        while block := source.read(BLOCK):
            target.write(block)
    return target.note(None)


async def stream_in(
    folder: Path, source: AsyncIterator[bytes], name: str, written: float | None = None
) -> Arrived:
    """Write a recording into a batch as it comes.

    Raises
    ------
    ResonanceError   when it is too large, or the disk takes no more
    """
    with _Target(folder, name) as target:
        async for block in source:
            target.write(block)
    return target.note(written)


class _Target:
    """A file of a batch that is being written; it is gone again where that does not end well."""

    def __init__(self, folder: Path, name: str) -> None:
        self._folder, self._name = folder, shown_name(name)
        taken = len(list(folder.glob(f"{SOUND}*")))
        if taken >= MOST:
            raise ResonanceError(f"more than {MOST} recordings at once; keep these first")
        self._path = folder / f"{SOUND}{taken + 1}{_ending(name)}"
        self._size = 0

    def __enter__(self) -> "_Target":
        self._file = self._path.open("xb")
        return self

    def __exit__(self, kind: object, *_: object) -> None:
        with suppress(OSError):
            self._file.close()
        if kind is not None:
            self._path.unlink(missing_ok=True)

    def write(self, block: bytes) -> None:
        self._size += len(block)
        if self._size > LARGEST_FILE:
            raise ResonanceError(f"{self._name} is larger than {LARGEST_FILE // 2**20} MiB; cut it shorter")
        try:
            self._file.write(block)
        except OSError as error:
            why = error.strerror or str(error)
            raise ResonanceError(f"the disk takes no more ({why}); free some space and try again") from error

    def note(self, written: float | None) -> Arrived:
        """Note it in the batch."""
        added = Arrived(self._path.name, self._name, written)
        part = self._folder / f"{NOTE}.part"
        part.write_text(json.dumps([asdict(each) for each in (*arrived(self._folder), added)]), "utf-8")
        os.replace(part, self._folder / NOTE)
        return added


def shown_name(name: str) -> str:
    """Give what a browser called a file as it may be shown: its last part, without control signs."""
    last = re.split(r"[/\\]", name)[-1]
    plain = "".join(sign for sign in last if sign.isprintable()).strip()
    return plain[-LONGEST_NAME:] or "recording"


def _ending(name: str) -> str:
    ending = name.rpartition(".")[2].lower()
    return next((f".{known}" for known in ENDINGS if known == ending), "")
