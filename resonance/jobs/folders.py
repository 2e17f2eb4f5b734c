"""Folders and files that appear whole or not at all, and the list of their fingerprints.

``SHA256SUMS`` has one line a file, ``hash  name``, as the ``sha256sum -c`` of most systems reads it: what was
written can be checked in decades, without this program.
"""

import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

from resonance.errors import ShopError
from resonance.jobs.database import LOOK, plain_errors
from resonance.jobs.sounds import BLOCK, hash_file
from resonance.sound.files import make_folder, sync_folder

SUMS = "SHA256SUMS"


@contextmanager
def whole_folder(target: Path) -> Iterator[Path]:
    """Fill a folder aside and give it its name at the end: it appears whole or not at all.

    Raises
    ------
    ShopError   when the folder is there and not empty, or cannot be written
    """
    with plain_errors(target):
        if target.exists() and (not target.is_dir() or any(target.iterdir())):
            raise ShopError(f"{target} is there already and not empty; name a new folder")
        make_folder(target.parent)
        part = Path(tempfile.mkdtemp(prefix=f".{target.name}-", dir=target.parent))
        try:
            part.chmod(0o755)
            yield part
            for folder in (*(path for path in part.rglob("*") if path.is_dir()), part):
                sync_folder(folder)
            if target.exists():
                target.rmdir()
            give_name(part, target)
        finally:
            shutil.rmtree(part, ignore_errors=True)


def give_name(part: Path, target: Path) -> None:
    """Give what was written aside its name; where the disk cannot make that safe, it is not there at all.

    Raises
    ------
    OSError   when the disk cannot make it safe
    ShopError   when it then cannot be taken away either
    """
    os.replace(part, target)
    try:
        sync_folder(target.parent)
    except OSError as error:
        if target.is_dir():
            shutil.rmtree(target, ignore_errors=True)
        with suppress(OSError):
            target.unlink(missing_ok=True)
        if target.exists():
            raise ShopError(
                f"{target} was written, but it is not sure that the disk keeps it ({error.strerror}); {LOOK}"
            ) from error
        raise


def copy_sound(source: Path, target: Path, sha256: str) -> None:
    """Copy a sound file and see that what was written is what was once kept.

    Raises
    ------
    ShopError   when it is missing, or no longer what it was
    """
    if not source.is_file():
        raise ShopError(f"the sound file {source} is missing or damaged; see: resonance check")
    with source.open("rb") as file, target.open("wb") as out:
        shutil.copyfileobj(file, out, BLOCK)
        out.flush()
        os.fsync(out.fileno())
    if hash_file(target) != sha256:
        raise ShopError(f"the sound file {source} is missing or damaged; see: resonance check")


def write_text(path: Path, text: str) -> None:
    """Write UTF-8; a sign it cannot hold becomes its escape (which JSON reads back)."""
    write_bytes(path, text.encode("utf-8", "backslashreplace"))


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file and flush it to the disk."""
    with path.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def write_sums(folder: Path) -> None:
    """Write the fingerprint of every file of a folder into its ``SHA256SUMS``."""
    names = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
    write_text(folder / SUMS, sums_text({name: hash_file(folder / name) for name in names}))


def sums_text(sums: Mapping[str, str]) -> str:
    """Give the lines of a ``SHA256SUMS`` of hashes by name."""
    return "".join(f"{sha256}  {name}\n" for name, sha256 in sums.items())


def read_sums(text: str) -> dict[str, str]:
    """Read the lines of a ``SHA256SUMS``: hashes by name."""
    found = {}
    for line in text.splitlines():
        sha256, _, name = line.partition("  ")
        found[name or line] = sha256
    return found
