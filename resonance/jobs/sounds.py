"""The sound files of a shop: one file a recording, named by the hash of its own bytes.

A file is written whole before its row is committed: under a temporary name, flushed to the disk, renamed,
the folder flushed. The worst a crash leaves is a file that no row names.
"""

import hashlib
import os
import re
import tempfile
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from resonance.errors import ShopError
from resonance.jobs.database import Sound
from resonance.sound.files import FLAC_CHANNELS, read_recording, sync_folder, write_recording
from resonance.sound.recording import Recording

UNFINISHED = ".part"
BLOCK = 2**20
NAMED = re.compile(r"^[0-9a-f]{64}(\.[a-z0-9]{1,8})?$")


def hash_file(path: Path) -> str:
    """SHA-256 of a file's bytes.

    Raises
    ------
    ShopError   when it cannot be read
    """
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except FileNotFoundError:
        raise ShopError(f"there is no file {path}; check the name and the folder") from None
    except OSError as error:
        raise ShopError(f"{path} cannot be read: {error.strerror or error}") from error


def keep_file(folder: Path, path: Path) -> Sound:
    """Copy a sound file into a shop's folder of sound, byte for byte.

    Raises
    ------
    OSError   when it cannot be read or written
    """
    suffix = re.sub(r"[^a-z0-9]", "", path.suffix.lower())[:8]
    handle, part = tempfile.mkstemp(suffix=UNFINISHED, dir=folder)
    try:
        with os.fdopen(handle, "wb") as target, path.open("rb") as source:
            while block := source.read(BLOCK):
                target.write(block)
            target.flush()
            os.fsync(target.fileno())
    except BaseException:
        os.unlink(part)
        raise
    return _take_in(folder, Path(part), f".{suffix}" if suffix else "")


def keep_samples(folder: Path, recording: Recording) -> Sound:
    """Write a recording of our own: FLAC 24-bit, or WAV 32-bit float beyond 8 channels.

    Raises
    ------
    SoundFileError   when FLAC cannot hold it (beyond full scale) or the folder cannot be written to
    """
    suffix = ".flac" if recording.n_channels <= FLAC_CHANNELS else ".wav"
    handle, part = tempfile.mkstemp(suffix=f"{UNFINISHED}{suffix}", dir=folder)
    os.close(handle)
    try:
        write_recording(recording, part)
    except BaseException:
        os.unlink(part)
        raise
    return _take_in(folder, Path(part), suffix)


def _take_in(folder: Path, part: Path, suffix: str) -> Sound:
    """Give a written file its name; one that is there already and sound is left as it is."""
    try:
        sha256 = hash_file(part)
        n_bytes = part.stat().st_size
        there = [path for path in folder.glob(f"{sha256}*") if NAMED.match(path.name)]
        if there and hash_file(there[0]) == sha256:
            part.unlink()
            return Sound(sha256, there[0].name, n_bytes)
        name = there[0].name if there else sha256 + suffix
        part.chmod(0o644)
        os.replace(part, folder / name)
    except BaseException:
        with suppress(FileNotFoundError):
            part.unlink()
        raise
    sync_folder(folder)
    return Sound(sha256, name, n_bytes)


def load(folder: Path, sound: Sound, recording: Recording) -> Recording:
    """Give a recording with its samples, all else as it was recorded.

    Raises
    ------
    ShopError   when the file is missing or no longer what it was
    """
    path = folder / sound.file
    if not path.exists():
        raise ShopError(
            f"the sound file {path} is missing; mend it from a backup: resonance check --mend-from FILE"
        )
    if hash_file(path) != sound.sha256:
        raise ShopError(
            f"the sound file {path} is damaged; mend it from a backup: resonance check --mend-from FILE"
        )
    return replace(recording, samples=read_recording(path).samples)
