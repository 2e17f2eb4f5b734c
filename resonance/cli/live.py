"""The terminal while a set is taken: a still picture on a terminal, one line a tap elsewhere."""

import io
import os
import shutil
import sys
import textwrap
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from math import isfinite
from typing import TextIO

from resonance.cli.bigtext import big
from resonance.cli.keys import Keys
from resonance.report.live import advice_line, event_lines, large_words, move_line, reading_line
from resonance.taking.readings import Readings
from resonance.taking.session import Checked, Dropped, Event, Held, Hint, Judged, Session

EVERY = 0.1  # s between two pictures
STDERR = 2  # where a process's libraries write by themselves
LOWEST_DBFS = -60.0
GREEN, RED, BOLD, PLAIN = "\x1b[32m", "\x1b[31m", "\x1b[1m", "\x1b[0m"
COLOURS = {"✓": GREEN, "✗": RED}
KEYS = "d: take the last tap back    q: finish"
KEYS_MOVING = f"space: the microphone has moved    {KEYS}"


class Lines:
    """Tells a set as lines, for a pipe, a log or a screen reader."""

    def __init__(self, keys: Keys, *, stream: TextIO, wanted: int) -> None:
        self._keys, self._stream, self._wanted = keys, stream, wanted
        self._moving = False

    def show(self, event: Event, session: Session) -> None:
        """Print what happened, one line an event."""
        self._moving = session.stage == "moving"
        for line in event_lines(event, self._wanted, sample_rate=session.sample_rate):
            print(line, file=self._stream, flush=True)

    def show_readings(self, readings: Readings, session: Session) -> None:
        """Print readings so far."""
        if readings.modes:
            told = ", ".join(" ".join(reading_line(mode).split()) for mode in readings.modes)
            print(f"  {told}. {advice_line(readings)}", file=self._stream, flush=True)

    def tick(self, session: Session) -> None:
        """Print nothing: a level is for the eye."""

    def pressed(self) -> list[str]:
        """Give the keys; where none can come any more, a set that waits for one is finished."""
        return self._keys.pressed() or (["finish"] if self._keys.over and self._moving else [])


class Picture:
    """Draws a set on a terminal of 80 columns; only lines that changed are written, so nothing flickers."""

    def __init__(
        self,
        keys: Keys,
        *,
        stream: TextIO,
        title: str,
        wanted: int,
        n_places: int,
        cautions: Sequence[str] = (),
        readings: bool = True,
    ) -> None:
        self._keys, self._stream, self._title = keys, stream, title
        self._wanted, self._n_places = wanted, n_places
        self._cautions = tuple(cautions)  # until the first verdict
        self._none = ["No readings yet."] if readings else []
        self._large, self._colour = "WAIT", ""
        self._line = "Waiting for the microphone."
        self._notes: list[str] = []
        self._silent = False  # the note says that no sound came
        self._readings: list[str] = []
        self._drawn: list[str] = []
        self._size = shutil.get_terminal_size((80, 24))
        self._next = 0.0

    def show(self, event: Event, session: Session) -> None:
        """Take in what happened and draw it."""
        large = large_words(event, self._wanted)
        lines = event_lines(event, self._wanted, sample_rate=session.sample_rate)
        if isinstance(event, Dropped) and session.stage == "moving":  # what is to be done stays
            large, lines = "", [f"{lines[0]} {move_line(session.plan.microphone_places[session.take + 1])}"]
        if large:
            self._large, self._colour = large, COLOURS.get(large[0], "")
        if isinstance(event, Judged | Held):
            self._cautions = ()
        if isinstance(event, Hint | Checked):
            self._notes = lines[:2]
            self._silent = isinstance(event, Checked) and any(
                reason.code == "no_sound" for reason in event.level.reasons
            )
        elif lines:
            self._line = lines[0]
        self._draw(session)

    def show_readings(self, readings: Readings, session: Session) -> None:
        """Take in readings and draw them."""
        if readings.modes:
            self._readings = [reading_line(mode) for mode in readings.modes] + [advice_line(readings)]
        self._draw(session)

    def tick(self, session: Session) -> None:
        """Draw the level, ten times a second at most."""
        now = time.monotonic()
        if now >= self._next:
            self._next = now + EVERY
            self._draw(session)

    def pressed(self) -> list[str]:
        """Give the keys."""
        return self._keys.pressed()

    def _draw(self, session: Session) -> None:
        if self._silent and isfinite(session.meter_dbfs):
            self._notes, self._silent = [], False
        columns, rows = size = shutil.get_terminal_size((80, 24))
        width = min(columns, 100)
        keys = (KEYS_MOVING if session.stage == "moving" else KEYS)[:width]
        picture = [*self._picture(session, width)[: rows - 3], "", keys]
        changed = []
        if size != self._size:  # the window was made larger or smaller
            changed, self._drawn, self._size = ["\x1b[2J"], [], size
        for number, line in enumerate(picture):
            if number >= len(self._drawn) or self._drawn[number] != line:
                changed.append(f"\x1b[{number + 1};1H{line}\x1b[K")
        if len(picture) < len(self._drawn):
            changed.append(f"\x1b[{len(picture) + 1};1H\x1b[J")
        if changed:
            self._stream.write("".join(changed))
            self._stream.flush()
        self._drawn = picture

    def _picture(self, session: Session, width: int) -> list[str]:
        take = session.take + (session.stage == "moving")  # while it moves, the place it goes to
        place = session.plan.microphone_places[take]
        where = f"microphone: {place or 'place not named'}"
        count = f"place {take + 1} of {self._n_places}" if self._n_places > 1 else ""
        head = "  ·  ".join(filter(None, [self._title, where, count]))
        large = [f"{self._colour}{row}{PLAIN}" for row in big(self._large, width=width)]
        said = textwrap.wrap(self._line, width)[:2] or [""]
        readings = [f"{BOLD}{line}{PLAIN}" for line in self._readings] or self._none
        below = readings if self._readings or not self._cautions else _wrapped(self._cautions, width)
        return [
            head[:width],
            "",
            *large,
            "",
            *[f"{BOLD}{line}{PLAIN}" for line in said],
            "",
            level_bar(session.meter_dbfs, width),
            "",
            *below,
            "",
            *_wrapped(self._notes, width)[:3],
        ]


def _wrapped(lines: Sequence[str], width: int) -> list[str]:
    return [piece for line in lines for piece in textwrap.wrap(line, width)]


def level_bar(dbfs: float, width: int) -> str:
    """Draw the level as a bar, with its figure."""
    room = max(10, width - 24)
    share = (max(dbfs, LOWEST_DBFS) - LOWEST_DBFS) / -LOWEST_DBFS if isfinite(dbfs) else 0.0
    full = round(min(share, 1.0) * room)
    figure = f"{abs(dbfs):.0f} dB below full" if isfinite(dbfs) else "no sound"
    return f"{'█' * full}{'·' * (room - full)}  {figure}"


@contextmanager
def whole_screen(stream: TextIO) -> Iterator[None]:
    """Use the whole terminal within the block, the cursor hidden, and give it back as it was.

    What the program itself says on stderr meanwhile is held back, and said afterwards.
    """
    held, stderr = io.StringIO(), sys.stderr
    stream.write("\x1b[?1049h\x1b[?25l\x1b[2J")
    stream.flush()
    sys.stderr = held
    try:
        yield
    finally:
        sys.stderr = stderr
        stream.write("\x1b[?25h\x1b[?1049l")
        stream.flush()
        if held.getvalue() and stderr is not None:
            stderr.write(held.getvalue())


@contextmanager
def calm_libraries() -> Iterator[None]:
    """Keep off the screen what the system's sound libraries print by themselves within the block.

    They write to the process's own stderr, past Python; what the program says there still comes through.
    """
    try:
        kept = os.dup(STDERR)
    except OSError:  # there is none
        yield
        return
    before = sys.stderr
    try:
        shared = before.fileno() == STDERR
    except (AttributeError, OSError, ValueError):
        shared = False
    nothing = os.open(os.devnull, os.O_WRONLY)
    if shared:
        before.flush()
        sys.stderr = os.fdopen(os.dup(kept), "w", encoding="utf-8", errors="replace", buffering=1)
    os.dup2(nothing, STDERR)
    os.close(nothing)
    try:
        yield
    finally:
        os.dup2(kept, STDERR)
        os.close(kept)
        if shared:
            sys.stderr.close()
            sys.stderr = before


def draws(stream: TextIO) -> bool:
    """Whether a stream is a terminal that can be drawn on."""
    return (
        stream.isatty() and sys.stdin is not None and sys.stdin.isatty() and os.environ.get("TERM") != "dumb"
    )
