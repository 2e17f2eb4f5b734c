"""A terminal of 80 columns with a program in it: what stands on its screen, what is typed, what flickered."""

import fcntl
import os
import pty
import re
import select
import struct
import subprocess
import termios
import threading
import time

COLUMNS, ROWS = 80, 24
CONTROL = re.compile(r"\x1b\[([?\d;]*)([A-Za-z])|\x1b[=>]|([\r\n\b\x07])")


class Screen:
    """What a terminal shows: the common control sequences of ECMA-48, and xterm's second screen."""

    def __init__(self):
        self.rows = [""] * ROWS
        self.row = self.column = 0
        self.second = None  # while the second screen shows: the first one, and its cursor
        self.blanked = 0  # times that the whole screen was wiped while the second one showed

    def feed(self, text):
        at = 0
        for found in CONTROL.finditer(text):
            self._print(text[at : found.start()])
            at = found.end()
            if found[3]:
                self._move(found[3])
            elif found[2]:
                self._control(found[1], found[2])
        self._print(text[at:])

    def _print(self, text):
        for sign in text:
            if self.column >= COLUMNS:
                self.column = 0
                self._move("\n")
            line = self.rows[self.row].ljust(self.column)
            self.rows[self.row] = line[: self.column] + sign + line[self.column + 1 :]
            self.column += 1

    def _move(self, sign):
        if sign == "\r":
            self.column = 0
        elif sign == "\b":
            self.column = max(0, self.column - 1)
        elif sign == "\n":
            self.row += 1
            if self.row == ROWS:
                self.rows, self.row = [*self.rows[1:], ""], ROWS - 1

    def _control(self, given, letter):
        numbers = [int(part or 1) for part in given.lstrip("?").split(";")]
        if (given, letter) == ("?1049", "h"):
            self.second = (self.rows, self.row, self.column)
            self.rows = [""] * ROWS
        elif (given, letter) == ("?1049", "l") and self.second:
            self.rows, self.row, self.column = self.second
            self.second = None
        elif letter == "H":
            self.row, self.column = (min(numbers[0], ROWS) - 1, (numbers[1:] or [1])[0] - 1)
        elif letter == "K":
            self.rows[self.row] = self.rows[self.row][: self.column]
        elif letter == "J":
            first = 0 if given == "2" else self.row + 1
            self.blanked += given == "2" and self.second is not None
            self.rows = self.rows[:first] + [""] * (ROWS - first)

    @property
    def text(self):
        return "\n".join(line.rstrip() for line in self.rows)


class Terminal:
    """A program that runs in a terminal; `typed` counts the times that something was typed."""

    def __init__(self, command, *, env):
        self.screen, self.seen, self.typed = Screen(), "", 0
        self._lock = threading.Lock()
        self._handle, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", ROWS, COLUMNS, 0, 0))
        self.process = subprocess.Popen(
            command,
            env=env | {"TERM": "xterm", "COLUMNS": "", "LINES": ""},
            stdin=slave,
            stdout=slave,
            stderr=slave,
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
        )
        os.close(slave)
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self):
        left = b""
        while True:
            try:
                ready, _, _ = select.select([self._handle], [], [], 0.2)
                if not ready:
                    continue
                piece = os.read(self._handle, 65536)
            except (OSError, ValueError):  # the program's end, or the terminal closed
                return
            if not piece:
                return
            text, left = _decoded(left + piece)
            with self._lock:
                self.seen += text
                self.screen.feed(text)

    @property
    def shown(self):
        """What stands on the screen now."""
        with self._lock:
            return self.screen.text

    def wait(self, words, *, within=60.0):
        """Wait until some words stand on the screen; give it."""
        end = time.monotonic() + within
        while time.monotonic() < end:
            shown = self.shown
            if words in shown:
                return shown
            if self.process.poll() is not None and not self._reader.is_alive():
                break
            time.sleep(0.02)
        raise AssertionError(f"'{words}' never came:\n{self.shown}")

    def type(self, keys):
        """Type some keys: one action."""
        self.typed += 1
        os.write(self._handle, keys.encode())

    def ended(self, *, within=60.0):
        """Wait for the program's end; give what it left on the screen."""
        self.process.wait(timeout=within)
        self._reader.join(timeout=5.0)
        return self.shown

    def close(self):
        """Close the terminal window, as by its cross; what runs in it is hung up on."""
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1

    def end(self):
        """End whatever still runs."""
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        self._reader.join(timeout=1.0)
        self.close()


def _decoded(piece):
    """Text as far as whole signs and whole control sequences came, and the bytes left over."""
    cut = len(piece)
    while cut and len(piece) - cut < 3 and piece[cut - 1] & 0xC0 == 0x80:
        cut -= 1
    if cut and piece[cut - 1] >= 0xC0 and len(piece) - cut + 1 < _length(piece[cut - 1]):
        cut -= 1
    else:
        cut = len(piece)
    escape = piece.rfind(b"\x1b", max(0, cut - 20), cut)
    if escape >= 0 and not CONTROL.match(piece[escape:cut].decode("utf-8", "replace")):
        cut = escape
    return piece[:cut].decode("utf-8", "replace"), piece[cut:]


def _length(first):
    return 4 if first >= 0xF0 else 3 if first >= 0xE0 else 2
