"""Keys pressed while a set is taken, read without waiting.

At a terminal each key counts at once. Where the input is a pipe, each line is a key; after its end no more
come, which `over` tells.
"""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager

FINISH, DROP = "qe", "du\x7f\x08"


class Keys:
    """Keys of the standard input; see `open_keys`."""

    def __init__(self, *, terminal: bool) -> None:
        self._terminal = terminal
        self.over = sys.stdin is None

    def pressed(self) -> list[str]:
        """Give what was pressed since the last call: 'go', 'drop' or 'finish'."""
        text = "" if self.over else self._waiting()
        keys = text if self._terminal else [line[:1] or "\n" for line in text.split("\n")[:-1]]
        return ["finish" if key in FINISH else "drop" if key in DROP else "go" for key in keys]

    def _waiting(self) -> str:
        """Text that is there to be read."""
        if os.name == "nt":
            return _windows_keys()
        import select

        found = b""
        handle = sys.stdin.fileno()
        while select.select([handle], [], [], 0.0)[0]:
            piece = os.read(handle, 1024)
            if not piece:
                self.over = True
                break
            found += piece
        return found.decode("utf-8", "replace")


@contextmanager
def open_keys() -> Iterator[Keys]:
    """Read keys one by one within the block; the terminal is left as it was."""
    terminal = sys.stdin is not None and sys.stdin.isatty()
    if not terminal or os.name == "nt":
        yield Keys(terminal=terminal or os.name == "nt")
        return
    import termios
    import tty

    handle = sys.stdin.fileno()
    before = termios.tcgetattr(handle)
    try:
        tty.setcbreak(handle)
        yield Keys(terminal=True)
    finally:
        termios.tcsetattr(handle, termios.TCSADRAIN, before)


def _windows_keys() -> str:
    import importlib

    msvcrt = importlib.import_module("msvcrt")
    found = ""
    while msvcrt.kbhit():
        found += msvcrt.getwch()
    return found
