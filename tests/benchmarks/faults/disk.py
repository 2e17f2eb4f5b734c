"""What a disk may hold after a power cut, worked out from a trace of the calls (shim.c, TRACE).

The model, as POSIX promises it and no more: what was written to a file is safe after fsync of that file; that
a name stands in a folder (created, renamed, removed) is safe after fsync of that folder. Everything else may
be there or not: in the strictest case none of it, else any part of the writes, torn at sectors of 512 bytes,
and for each folder its changes up to any one of them, in their order. Limits: a disk that lies about fsync
and sectors half written are not modelled; SQLite's -shm is left out, as it is rebuilt.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

SECTOR = 512


@dataclass(eq=False)
class Node:
    """A file or folder. `safe` is what survives for sure, `live` what the program sees."""

    folder: bool
    live: dict | bytearray
    safe: dict | bytes
    pending: list = field(default_factory=list)


@dataclass(frozen=True)
class Call:
    """One call of a trace."""

    what: str
    path: str
    other: str
    offset: int
    data: bytes


def read_trace(path: Path) -> list[Call]:
    """Read a log of the shim."""
    raw, calls, place = path.read_bytes(), [], 0
    while place < len(raw):
        end = raw.index(b"\n", place)
        what, one, other, offset, size = raw[place:end].decode().split("\t")
        place = end + 1 + int(size)
        calls.append(Call(what, one, other, int(offset), raw[end + 1 : place]))
    return calls


def load(folder: Path) -> Node:
    """Take a folder as it is for safe."""
    if folder.is_dir():
        inside = {path.name: load(path) for path in folder.iterdir()}
        return Node(True, dict(inside), dict(inside))
    data = folder.read_bytes()
    return Node(False, bytearray(data), data)


class Disk:
    """A disk on which calls are played back."""

    def __init__(self, root: Path) -> None:
        self.root, self.top = root, load(root)

    def play(self, call: Call) -> None:
        """Do one call."""
        if call.path.endswith(" (deleted)"):
            return
        if call.what == "fsync":
            node = self._node(call.path)
            node.safe = dict(node.live) if node.folder else bytes(node.live)
            node.pending.clear()
        elif call.what == "write":
            self._write(self._node(call.path), call.offset, call.data)
        elif call.what == "truncate":
            node = self._node(call.path)
            node.live[call.offset :] = bytes(max(0, call.offset - len(node.live)))
            node.pending.append((call.offset, None))
        elif call.what == "rename":
            self._rename(call)
        else:
            gone = call.what in ("unlink", "rmdir")
            folder = call.what == "mkdir"
            new = None if gone else Node(folder, {} if folder else bytearray(), {} if folder else b"")
            self._change(call.path, {self._name(call.path): new})

    def _rename(self, call: Call) -> None:
        node = self._node(call.path)
        one, two = self._name(call.path), self._name(call.other)
        if self._parent(call.path) is self._parent(call.other):
            self._change(call.path, {one: None, two: node})
        else:
            self._change(call.other, {two: node})
            self._change(call.path, {one: None})

    def _write(self, node: Node, offset: int, data: bytes) -> None:
        put(node.live, offset, data)
        node.pending.append((offset, data))

    def _change(self, path: str, names: dict) -> None:
        folder = self._parent(path)
        change(folder.live, names)
        folder.pending.append(names)

    def _node(self, path: str) -> Node:
        node = self.top
        for part in Path(path).relative_to(self.root).parts:
            node = node.live[part]
        return node

    def _parent(self, path: str) -> Node:
        return self._node(str(Path(path).parent))

    @staticmethod
    def _name(path: str) -> str:
        return Path(path).name

    def write_out(self, target: Path, rng: np.random.Generator | None) -> None:
        """Write what is left after a power cut: only what is safe (rng None), or that and a random part."""
        _write_out(self.top, target, rng)


def put(data: bytearray, offset: int, new: bytes) -> None:
    """Write into a file, filling a gap with zeros."""
    if offset > len(data):
        data.extend(bytes(offset - len(data)))
    data[offset : offset + len(new)] = new


def change(names: dict, new: dict) -> None:
    """Change names of a folder."""
    for name, node in new.items():
        if node is None:
            names.pop(name, None)
        else:
            names[name] = node


def _write_out(node: Node, target: Path, rng: np.random.Generator | None) -> None:
    if node.folder:
        names = dict(node.safe)
        for names_ in node.pending[: rng.integers(len(node.pending) + 1)] if rng is not None else ():
            change(names, names_)
        target.mkdir()
        for name, inside in names.items():
            if not name.endswith("-shm"):
                _write_out(inside, target / name, rng)
        return
    data = bytearray(node.safe)
    for offset, new in _some(node.pending, rng):
        if new is None:
            data[offset:] = bytes(max(0, offset - len(data)))
        else:
            put(data, offset, new)
    target.write_bytes(data)


def _some(pending: list, rng: np.random.Generator | None) -> Iterator[tuple]:
    """Some of the writes, in their order, some of them torn."""
    for offset, new in pending if rng is not None else ():
        fate = rng.random()
        if fate < 0.4:
            yield offset, new
        elif fate < 0.6 and new is not None and len(new) > SECTOR:
            kept = int(rng.integers(1, len(new) // SECTOR + 1)) * SECTOR
            yield offset, new[:kept]
