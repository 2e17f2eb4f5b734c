"""What reaches the maker's terminal: blocks of a report as text, messages, questions, progress.

Results go to stdout; messages, questions and progress go to stderr, so that ``--json`` stays one object.
Nothing is wider than `WIDTH` columns, but an error, which is one line.
"""

import json
import shutil
import sys
import textwrap
import time
from typing import Any, TextIO

from resonance.report.blocks import Block, Paragraph

WIDTH = 100


def use_utf8() -> None:
    """Make stdout and stderr UTF-8, so that no console or pipe breaks on a sign such as ± or −."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(encoding="utf-8", errors="replace")


def line_width() -> int:
    """Columns to use: those of the terminal, 60 at least and `WIDTH` at most."""
    return max(60, min(WIDTH, shutil.get_terminal_size((WIDTH, 24)).columns))


def show(*blocks: Block | str) -> None:
    """Print results on stdout, an empty line between blocks; text alone counts as a paragraph."""
    from resonance.report.text import blocks_text

    whole = [Paragraph(block) if isinstance(block, str) else block for block in blocks if block]
    text = blocks_text(whole, width=line_width())
    if text:
        print(text)


def gap() -> None:
    """Print an empty line on stdout, between one `show` and the next."""
    print()


def note(*lines: str) -> None:
    """Print messages on stderr, each wrapped, the empty ones left out."""
    sys.stdout.flush()
    for line in filter(None, lines):
        print(textwrap.fill(line, line_width(), break_on_hyphens=False), file=sys.stderr, flush=True)


def error(text: str) -> None:
    """Print what stopped the work, as one plain line on stderr."""
    sys.stdout.flush()
    print(f"resonance: {' '.join(text.split())}", file=sys.stderr, flush=True)


def print_json(record: dict[str, Any]) -> None:
    """Print one JSON object on stdout; the record holds no NaN (`resonance.jobs.records`)."""
    print(json.dumps(record, ensure_ascii=False, indent=2, allow_nan=False))


def can_ask() -> bool:
    """Whether a person sits at the terminal: both questions and answers get through."""
    return sys.stdin is not None and sys.stdin.isatty() and sys.stderr.isatty()


def confirm(question: str, *, default: bool = True) -> bool:
    """Ask a yes-or-no question on stderr; an empty answer, or none to be had, is the default."""
    answers = {"": default, "y": True, "yes": True, "n": False, "no": False}
    sys.stdout.flush()
    while True:
        print(f"{question} {'[Y/n]' if default else '[y/N]'} ", end="", file=sys.stderr, flush=True)
        answer = sys.stdin.readline().strip().lower()
        if answer in answers:
            return answers[answer]


class Progress:
    """A progress line on stderr; pass it as ``progress`` and leave the ``with`` block when done.

    On a terminal the line is rewritten in place. Elsewhere nothing shows within the first second, then
    one line every few seconds, so that a log stays readable.
    """

    def __init__(self, *, stream: TextIO | None = None, quiet_for: float = 1.0, every: float = 5.0) -> None:
        self._stream = stream or sys.stderr
        self._terminal = self._stream.isatty()
        self._next = time.monotonic() + (0.0 if self._terminal else quiet_for)
        self._every = 0.1 if self._terminal else every
        self._drawn = 0

    def __enter__(self) -> "Progress":
        return self

    def __exit__(self, *_: object) -> None:
        self.clear()

    def __call__(self, fraction: float, text: str) -> None:
        """Show how far the work is: `fraction` from 0 to 1, and what is being done."""
        now = time.monotonic()
        if now < self._next:
            return
        self._next = now + self._every
        shown = f"{100 * min(max(fraction, 0.0), 1.0):3.0f} %  {text}"[: line_width() - 1]
        if self._terminal:
            self._stream.write("\r" + shown.ljust(self._drawn))
            self._drawn = max(self._drawn, len(shown))
        else:
            self._stream.write(shown + "\n")
        self._stream.flush()

    def part(self, start: float, end: float) -> "ProgressPart":
        """Give a progress callable that fills only the stretch from `start` to `end`."""
        return ProgressPart(self, start, end)

    def clear(self) -> None:
        """Take the line off the terminal, so that what follows starts clean."""
        if self._drawn:
            self._stream.write("\r" + " " * self._drawn + "\r")
            self._stream.flush()
            self._drawn = 0


class ProgressPart:
    """One stretch of a longer progress line."""

    def __init__(self, whole: Progress, start: float, end: float) -> None:
        self._whole, self._start, self._end = whole, start, end

    def __call__(self, fraction: float, text: str) -> None:
        """Show how far this stretch is."""
        self._whole(self._start + (self._end - self._start) * fraction, text)
