"""What was worked out once for a job, kept in the shop's folder ``kept/`` so that it need not be again.

Nothing here is a record: every file can be worked out anew, and the folder may be deleted at any time. A file
is named by a digest of all that its content hangs on: what went in, this program, and the libraries that did
the sums. So nothing goes stale; what nobody asked for in a long time is removed.
"""

import json
import os
from collections.abc import Callable
from contextlib import suppress
from functools import cache, lru_cache
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import scipy

import resonance.errors
from resonance import __version__
from resonance.changes.course import History
from resonance.errors import ShopError
from resonance.jobs.records import canonical_json, digest, from_record, to_record
from resonance.sets.tapset import TapSet

T = TypeVar("T")
FOLDER = "kept"
MOST_FILES = 3000


def worked_out(shop_folder: Path, name: str, inputs: Any, kind: type[T], work: Callable[[], T]) -> T:
    """Give what `work` gives, from the shop's folder where it was worked out before.

    Parameters
    ----------
    shop_folder : path of the shop
    name : str   ASCII word for what it is; part of the file's name
    inputs : JSON-ready   all that the result hangs on, but for the program and its libraries
    kind : type of the result, for `resonance.jobs.records.from_record`
    work : function without arguments

    Returns
    -------
    The result, made from its record: the same whether it was worked out now or before
    """
    found = find_kept(shop_folder, name, inputs, kind)
    if found is None:
        data = to_record(work())
        _write(_path(shop_folder, name, inputs), data)
        found = from_record(kind, data)
    return found


def find_kept(shop_folder: Path, name: str, inputs: Any, kind: type[T]) -> T | None:
    """Give what was worked out before from the same inputs; None where it was not."""
    try:
        return _read(_path(shop_folder, name, inputs), kind)
    except (OSError, ValueError, KeyError, TypeError, ShopError):
        return None


def _path(shop_folder: Path, name: str, inputs: Any) -> Path:
    return shop_folder / FOLDER / f"{name}-{digest([name, program_mark(), inputs])[:40]}.json"


@lru_cache(maxsize=1024)
def mark_of(thing: TapSet | History) -> str:
    """Give a digest of all that is in a tap set or a history, worked out once for each object."""
    return digest(to_record(thing))


def _read(path: Path, kind: type[T]) -> T | None:
    held = json.loads(path.read_text("utf-8"))
    if held["digest"] != digest(held["data"]):
        return None
    os.utime(path)
    return from_record(kind, held["data"])


def _write(path: Path, data: Any) -> None:
    """Write a file whole; a disk that takes none is no trouble: it is worked out again next time."""
    unfinished = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        path.parent.mkdir(exist_ok=True)
        unfinished.write_text(canonical_json({"data": data, "digest": digest(data)}), encoding="utf-8")
        unfinished.replace(path)
        _make_room(path.parent)
    except OSError:
        with suppress(OSError):
            unfinished.unlink()


def _make_room(folder: Path) -> None:
    """Remove the files that were asked for longest ago, where there are too many."""
    with os.scandir(folder) as entries:
        files = [(entry.stat().st_mtime, entry.path) for entry in entries]
    for _, path in sorted(files)[: max(0, len(files) - MOST_FILES)]:
        Path(path).unlink(missing_ok=True)


@cache
def program_mark() -> str:
    """Give a mark of this program and the libraries under it; another one after any change of its files."""
    package = Path(resonance.errors.__file__).parent
    files = sorted(
        (path.relative_to(package).as_posix(), path.stat().st_size, path.stat().st_mtime_ns)
        for path in package.rglob("*.py")
    )
    return digest([__version__, np.__version__, scipy.__version__, files])
