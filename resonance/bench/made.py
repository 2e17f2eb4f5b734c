"""Files made for the maker to save: reports, exports, backups; each stands in the shop's ``made/`` for a day.

They are found by a random word; no name from a browser becomes a path. The folder is no part of a backup and
may be deleted at any time.
"""

import secrets
import shutil
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from resonance.errors import NotFoundError, ShopError

FOLDER = "made"
KEPT = 24 * 3600.0  # s


@dataclass(frozen=True)
class MadeFile:
    """A file to save: where it is, the name it is saved under, its kind (MIME), and a line on it."""

    id: str
    path: Path
    name: str
    media_type: str
    words: str = ""


class Made:
    """The files made since the bench was opened."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._files: dict[str, MadeFile] = {}

    def make(self, shop_folder: Path, name: str, media_type: str, write: Callable[[Path], str]) -> MadeFile:
        """Make a file; `write(path)` writes it and gives a line on it.

        Raises
        ------
        ShopError   when the disk takes no file
        """
        word = secrets.token_hex(8)
        folder = shop_folder / FOLDER / word
        try:
            _clear(shop_folder / FOLDER)
            folder.mkdir(parents=True)
        except OSError as error:
            raise ShopError(f"{folder} cannot be made: {error.strerror}; make room on the disk") from error
        try:
            path = folder / "file"
            words = write(path)
        except OSError as error:
            raise ShopError(f"{name} cannot be written: {error.strerror}; make room on the disk") from error
        finally:
            if not (folder / "file").is_file():
                shutil.rmtree(folder, ignore_errors=True)
        made = MadeFile(word, path, name, media_type, words)
        with self._lock:
            self._files[word] = made
        return made

    def find(self, word: str) -> MadeFile:
        """Give a file made before.

        Raises
        ------
        NotFoundError   when there is none, or it is gone
        """
        with self._lock:
            made = self._files.get(word)
        if made is None or not made.path.is_file():
            raise NotFoundError("that file is not kept any more; make it again")
        return made


def _clear(folder: Path) -> None:
    """Remove what was made more than a day ago."""
    if not folder.is_dir():
        return
    for each in folder.iterdir():
        with suppress(OSError):
            if time.time() - each.stat().st_mtime > KEPT:
                shutil.rmtree(each)
