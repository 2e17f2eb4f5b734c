"""The spool: sound on the disk as it comes, so that nothing recorded is lost.

A spool is a folder of its own in the shop's ``spool/``: ``note.json`` says what the set is (written whole,
before any sound), ``sound.f32`` holds the samples as they came (little-endian float32, channels
interleaved, no header, so that a cut is always a whole number of frames from its start), ``journal.jsonl``
one line for each key and each loss, with the sample it belongs to. A killed program loses nothing it wrote; a
power cut loses at most what came after the last `sync`. A torn last line or frame is passed over. What a
spool holds becomes a tap set only when it is kept; only then is the folder removed.
"""

import json
import os
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from resonance.errors import ResonanceError, ShopError
from resonance.sound.files import sync_folder
from resonance.sound.recording import FloatArray

FOLDER = "spool"
NOTE, SOUND, JOURNAL = "note.json", "sound.f32", "journal.jsonl"
UNFINISHED = ".part"
FORMAT = 1
FREE = 200 * 2**20  # bytes that must be free to begin: half an hour of one channel
SAMPLE = np.dtype("<f4")


class SpoolFull(ResonanceError):
    """The disk is full; what was recorded before is kept."""


class Spool:
    """A spool that is being written. Use `create`.

    `write` and `note` may be called from one thread and `sync` from another.
    """

    def __init__(self, folder: Path, n_channels: int) -> None:
        self.folder, self.n_channels = folder, n_channels
        flags = os.O_WRONLY | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0)
        self._sound = os.open(folder / SOUND, flags, 0o644)
        self._journal = os.open(folder / JOURNAL, flags, 0o644)
        self.locked = _lock(self._sound)
        sync_folder(folder)

    def write(self, block: FloatArray) -> None:
        """Append a block (n, n_channels).

        Raises
        ------
        SpoolFull   when the disk takes no more
        """
        _write_all(self._sound, np.ascontiguousarray(block, dtype=SAMPLE).tobytes(), self.folder)

    def note(self, sample: int, what: str, **values: Any) -> None:
        """Append a line to the journal: what happened at a sample."""
        line = json.dumps({"sample": sample, "what": what, **values}, ensure_ascii=False)
        _write_all(self._journal, f"{line}\n".encode(), self.folder)

    def sync(self) -> None:
        """Flush to the disk what was written so far."""
        with suppress(OSError):  # a disk that cannot flush is met again by the next write
            os.fsync(self._sound)
            os.fsync(self._journal)

    def close(self) -> None:
        """Flush and close; the folder stays until the set is kept or discarded."""
        self.sync()
        for handle in (self._sound, self._journal):
            os.close(handle)


@dataclass(frozen=True)
class Unfinished:
    """A spool found on the disk.

    Parameters
    ----------
    folder : path
    note : mapping   what the set is, as given to `create`
    journal : tuple of mappings   each with 'sample' and 'what'
    n_samples, n_channels : int
    sample_rate : float, Hz
    started : aware datetime or None
    """

    folder: Path
    note: Mapping[str, Any]
    journal: tuple[Mapping[str, Any], ...]
    n_samples: int
    n_channels: int
    sample_rate: float
    started: datetime | None = None

    def sound(self, start: int = 0, end: int | None = None) -> FloatArray:
        """Samples between two sample numbers, array (n, n_channels) float64."""
        end = self.n_samples if end is None else min(end, self.n_samples)
        count = max(0, end - start) * self.n_channels
        with (self.folder / SOUND).open("rb") as file:
            file.seek(start * self.n_channels * SAMPLE.itemsize)
            raw = np.frombuffer(file.read(count * SAMPLE.itemsize), SAMPLE)
        return raw.reshape(-1, self.n_channels).astype(np.float64)


def create(
    shop: Path, note: Mapping[str, Any], *, sample_rate: float, n_channels: int, started: datetime
) -> Spool:
    """Begin a spool in a shop's folder.

    Parameters
    ----------
    note : mapping   JSON-ready; what is needed to keep the set later

    Raises
    ------
    ShopError   when the folder cannot be written to
    SpoolFull   when the disk is nearly full
    """
    home = shop / FOLDER
    head = {
        "format": FORMAT,
        "sample_rate": sample_rate,
        "n_channels": n_channels,
        "started": started.isoformat(),
    }
    try:
        home.mkdir(parents=True, exist_ok=True)
        if shutil.disk_usage(home).free < FREE:
            raise SpoolFull(f"the disk of {shop} is nearly full; free some space before you record")
        folder = Path(tempfile.mkdtemp(prefix=f"{started:%Y%m%d-%H%M%S}-", dir=home))
        write_whole(folder / NOTE, json.dumps({**head, "set": note}, ensure_ascii=False, indent=1))
        sync_folder(home)
        return Spool(folder, n_channels)
    except OSError as error:
        raise ShopError(
            f"the shop folder {shop} cannot be written to: {error.strerror or error}; nothing was recorded"
        ) from error


def write_whole(path: Path, text: str) -> None:
    """Write a small file so that it is there whole or not at all."""
    part = path.with_name(path.name + UNFINISHED)
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
    try:
        _write_all(handle, text.encode("utf-8"), path.parent)
        os.fsync(handle)
    finally:
        os.close(handle)
    os.replace(part, path)
    sync_folder(path.parent)


def read(folder: Path) -> Unfinished | None:
    """Read a spool; None where nothing can be made of it (no note: no sound was written yet)."""
    try:
        head = json.loads((folder / NOTE).read_text("utf-8"))
        rate, channels, started = float(head["sample_rate"]), int(head["n_channels"]), head["started"]
        note = dict(head["set"])
        moment = datetime.fromisoformat(started)
    except (OSError, ValueError, KeyError, TypeError):
        return None
    n_bytes = (folder / SOUND).stat().st_size if (folder / SOUND).exists() else 0
    n_samples = n_bytes // (SAMPLE.itemsize * channels)
    return Unfinished(folder, note, _journal(folder / JOURNAL), n_samples, channels, rate, moment)


def unfinished(shop: Path) -> tuple[Unfinished, ...]:
    """Give the spools that an earlier run left, oldest first; those another program writes are left out.

    Folders in which no sound was written yet are removed.
    """
    home = shop / FOLDER
    found = []
    for folder in sorted(home.iterdir()) if home.is_dir() else ():
        if not folder.is_dir() or in_use(folder):
            continue
        spool = read(folder)
        if spool is None or spool.n_samples == 0:
            discard(folder)
        else:
            found.append(spool)
    return tuple(found)


def in_use(folder: Path) -> bool:
    """Whether a running program writes this spool (told where the system has file locks)."""
    try:
        handle = os.open(folder / SOUND, os.O_RDWR)
    except OSError:
        return False
    try:
        return not _lock(handle)
    finally:
        os.close(handle)


def discard(folder: Path) -> None:
    """Remove a spool; the note goes first, so that a half removed one is never offered."""
    for name in (NOTE, JOURNAL, SOUND):
        with suppress(FileNotFoundError):
            (folder / name).unlink()
    shutil.rmtree(folder, ignore_errors=True)


def _journal(path: Path) -> tuple[Mapping[str, Any], ...]:
    """Lines of a journal; a torn last one is passed over."""
    if not path.exists():
        return ()
    found = []
    for line in path.read_bytes().split(b"\n"):
        with suppress(ValueError):
            entry = json.loads(line.decode("utf-8"))
            if isinstance(entry, dict) and isinstance(entry.get("sample"), int) and "what" in entry:
                found.append(entry)
    return tuple(found)


def _write_all(handle: int, data: bytes, folder: Path) -> None:
    """Write all of it; the system may take it in pieces."""
    left: Sequence[int] | memoryview = memoryview(data)
    while len(left):
        try:
            left = left[os.write(handle, left) :]  # type: ignore[arg-type]
        except OSError as error:
            raise SpoolFull(
                f"{folder} takes no more sound ({error.strerror or error}); free some space: "
                "what was recorded before is kept"
            ) from error


def _lock(handle: int) -> bool:
    """Lock a file for this program until it is closed; False where another holds it."""
    try:
        import fcntl
    except ImportError:  # Windows: a second bench is told by nobody
        return True
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
