"""The real program run in a child of its own, with the disk under it made to fail (shim.c).

`reload_with_shim` starts the running script again with the shim in front of the C library; from then on `run`
forks: the child has all modules loaded already, so that a run costs little more than its own work.
"""

import ctypes
import os
import re
import shutil
import signal
import struct
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

OFF, TRACE, KILL, TEAR, FAIL, SLOW = range(6)
SOURCE = Path(__file__).with_name("shim.c")
MARK = "RESONANCE_FAULT_SHIM"
TIMES = re.compile(r"\d{4}-\d\d-\d\dT[0-9:.+-]+")


@dataclass(frozen=True)
class Ran:
    """What became of a run: exit code (minus the signal that killed it), calls counted, what it printed."""

    code: int
    calls: int
    out: str
    err: str

    @property
    def killed(self) -> bool:
        return self.code == -signal.SIGKILL


def compiler() -> str | None:
    """The C compiler, None where there is none."""
    return shutil.which("cc") or shutil.which("gcc")


def reload_with_shim() -> None:
    """Build the shim and start this script again with it, unless it is there already."""
    if os.environ.get(MARK):
        return
    cc = compiler()
    if cc is None:
        sys.exit("no C compiler: install gcc and libc6-dev")
    library = Path(tempfile.mkdtemp(prefix="resonance-shim-")) / "shim.so"
    words = [cc, "-shared", "-fPIC", "-O2", "-o", str(library), str(SOURCE), "-ldl", "-pthread"]
    subprocess.run(words, check=True)
    environment = {**os.environ, MARK: str(library), "LD_PRELOAD": str(library)}
    os.execve(sys.executable, [sys.executable, *sys.argv], environment)


def fast_folder() -> Path:
    """A folder in memory where there is one: thousands of runs must not wear a disk."""
    memory = Path("/dev/shm")
    return Path(tempfile.mkdtemp(prefix="resonance-faults-", dir=memory if memory.is_dir() else None))


def run(
    words, root: Path, *, mode=OFF, at=0, times=10**9, error=0, log: Path | None = None, stop=None
) -> Ran:
    """Run a command of the program in a child; the shim counts what it does below `root`.

    `stop`: seconds after which the child is killed, None for never.
    """
    from resonance.cli.main import main

    aside = Path(tempfile.mkdtemp(prefix="ran-", dir=root.parent))
    for name in ("out", "err"):
        (aside / name).touch()
    inlet, outlet = os.pipe()
    child = os.fork()
    if child == 0:
        code = 99
        try:
            os.close(inlet)
            for number, name in ((1, "out"), (2, "err")):
                os.dup2(os.open(aside / name, os.O_WRONLY), number)
            os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
            handle = os.open(log, os.O_CREAT | os.O_WRONLY | os.O_APPEND, 0o644) if log else -1
            shim = ctypes.CDLL(None)
            shim.fault_count.restype = ctypes.c_long
            shim.fault_arm(mode, ctypes.c_long(at), ctypes.c_long(times), error, os.fsencode(root), handle)
            code = main([str(word) for word in words])
            sys.stdout.flush()
            sys.stderr.flush()
            os.write(outlet, struct.pack("q", shim.fault_count()))
        finally:
            os._exit(code)
    os.close(outlet)
    if stop is not None:
        _kill_after(child, stop)
    _, status = os.waitpid(child, 0)
    with os.fdopen(inlet, "rb") as pipe:
        told = pipe.read(8)
    out, err = ((aside / name).read_text("utf-8", "replace") for name in ("out", "err"))
    shutil.rmtree(aside)
    code = os.waitstatus_to_exitcode(status)
    return Ran(code, struct.unpack("q", told)[0] if len(told) == 8 else -1, out, err)


def _kill_after(child: int, seconds: float) -> None:
    import time

    time.sleep(seconds)
    os.kill(child, signal.SIGKILL)  # not yet waited for, so the number is still the child's own
