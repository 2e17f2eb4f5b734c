"""Codes to the maker's words: one function for each thing, for screen, page and report alike.

Stored codes are ASCII; what a maker reads is made here, from the forms in `resonance.report.codes`. A code
without words still reads sensibly: its words without underscores, its values behind them.

Hertz come first, then cents or a note. A guessed name carries a question mark.
"""

from collections.abc import Iterable
from datetime import date, datetime
from math import isfinite
from string import Formatter

from resonance.modes.mode import Mode
from resonance.reasons import Fault, Reason
from resonance.report.codes import CODES
from resonance.report.numbers import UNKNOWN, number, plain
from resonance.units import nearest_note

KINDS = {
    "body": "body",
    "air": "air",
    "string": "string",
    "room": "room",
    "hum": "mains hum",
    "unsure": "unsure",
}

LIMITS = {
    "noise": "noise",
    "hand": "tap to tap",
    "room": "room",
    "record": "record length",
}

# verdict: (sign, words); the sign stands beside the words, so that colour never carries meaning alone
VERDICTS = {
    "moved": ("●", "moved"),
    "no change seen": ("=", "no change seen"),
    "appeared": ("+", "appeared"),
    "not found": ("○", "not found"),
    "not reached": ("…", "not reached"),
    "ambiguous": ("?", "cannot tell"),
    "not comparable": ("…", "not comparable"),
}

ALIASES = {
    "A0": "main air note",
    "A1": "second air note",
    "A2": "third air note",
    "CBR": "waist shear",
    "B1-": "lower main body note",
    "B1+": "upper main body note",
    "B1": "main body note",
    "B0": "neck and fingerboard",
    "B-1": "lowest bending of the body",
    "T1": "first note of the top",
    "C3": "main body note",
    "#1": "twist of the plate",
    "#2": "bending across the plate",
    "#5": "ring note of the plate",
}

MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip


def reason_words(reason: Reason | Fault) -> str:
    """Say a reason or fault in words, without a full stop (`resonance.report.codes`).

    A form that speaks of values is used when every one of them is there and finite, the short form otherwise.
    """
    variants = [f"{reason.code}:{reason.values[name]}" for name in ("what", "side") if name in reason.values]
    forms = next((CODES[code] for code in (*variants, reason.code) if code in CODES), ())
    if not forms:
        return _spelt_out(reason)
    shown = {name: _Shown(value) for name, value in reason.values.items() if _known(value)}
    for form in sorted(forms[1:], key=lambda form: -len(_fields(form))):
        if _fields(form) <= shown.keys():
            return form.format_map(shown)
    return forms[0]


def reasons_words(reasons: Iterable[Reason | Fault]) -> tuple[str, ...]:
    """Say each reason once, in order."""
    return tuple(dict.fromkeys(reason_words(reason) for reason in reasons))


def marks_of(groups: Iterable[Iterable[str]]) -> dict[str, str]:
    """Give each of some words a mark for notes under a table: a, b, c ... then aa, ab ..."""
    words = dict.fromkeys(text for group in groups for text in group)
    letters = "abcdefghijklmnopqrstuvwxyz"
    marks = [*letters, *(first + second for first in letters for second in letters)]
    return dict(zip(words, marks, strict=False))


def mark_notes(marks: dict[str, str]) -> tuple[tuple[str, str], ...]:
    """Give the notes under a table, (mark, sentence)."""
    return tuple((mark, sentence(words)) for words, mark in marks.items())


def sentence(text: str) -> str:
    """Give text a capital letter and a full stop, where it does not end with a stop already.

    A file's name at the start keeps its letters.
    """
    text = text.strip()
    if not text:
        return ""
    first = text[0] if "." in text.split()[0].rstrip(".") else text[0].upper()
    return first + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


def kind_words(kind: str) -> str:
    """Say what a resonance is: 'mains hum' for 'hum'."""
    return KINDS.get(kind, kind.replace("_", " "))


def limit_words(limited_by: str) -> str:
    """Say what limits a mode's frequency."""
    return LIMITS.get(limited_by, limited_by.replace("_", " "))


def verdict_words(verdict: str) -> str:
    """Say a verdict in words."""
    return VERDICTS.get(verdict, ("", verdict.replace("_", " ")))[1]


def verdict_sign(verdict: str) -> str:
    """Give the sign that stands beside a verdict, '' for an unknown one."""
    return VERDICTS.get(verdict, ("", ""))[0]


def label_sign(label: str) -> str:
    """Write a stored label as the screen shows it: 'B1-' becomes B1−, 'B-1' becomes B−1."""
    return label.replace("-", "−")


def label_alias(label: str) -> str:
    """Say a label plainly: 'main air note' for 'A0'; '' for a name of the maker's own."""
    return ALIASES.get(label, "")


def mode_label(mode: Mode | None, *, guesses: bool = True) -> str:
    """Give a mode's name with its sign, a guess with a question mark; '' when unnamed.

    `guesses=False` leaves out names that the maker has not given or confirmed.
    """
    if mode is None or not mode.label:
        return ""
    if mode.labelled_by == "maker":
        return label_sign(mode.label)
    return f"{label_sign(mode.label)}?" if guesses else ""


def note_words(frequency: float, *, pitch_a4: float = 440.0) -> str:
    """Give the nearest note and the cents from it, e.g. ``A♯4 −17 cents``; '' when there is none."""
    name, off = nearest_note(frequency, pitch_a4=pitch_a4)
    if not name:
        return ""
    if round(off) == 0:
        return name
    return f"{name} {number(off, 0, signed=True)} cents"


def set_words(set_id: str) -> str:
    """Name a tap set: 'tap set 3' for 'set3'."""
    return _numbered(set_id, "set", "tap set")


def adjustment_id_words(adjustment_id: str) -> str:
    """Name an adjustment: 'adjustment 2' for 'adj2'; several for 'adj2, adj3'."""
    return list_words(_numbered(each, "adj", "adjustment") for each in adjustment_id.split(", "))


def day_words(day: date | datetime | None) -> str:
    """Write a day, e.g. ``3 March 2025``; 'date not noted' for None."""
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}" if day else "date not noted"


def moment_words(moment: datetime | None) -> str:
    """Write a day and time as the clock on the wall showed it, e.g. ``3 March 2025, 14:30``."""
    return f"{day_words(moment)}, {moment:%H:%M}" if moment else "date not noted"


def list_words(items: Iterable[str], *, last: str = "and") -> str:
    """Join words: 'a', 'a and b', 'a, b and c'."""
    words = list(items)
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


def count_words(count: int, one: str, many: str = "") -> str:
    """Write a count with its noun: '1 tap', '3 taps'."""
    return f"{count} {one if count == 1 else many or one + 's'}"


class _Shown:
    """A value of a reason that writes itself by kind inside a form."""

    def __init__(self, value: float | str | bool) -> None:
        self._value = value

    def __format__(self, kind: str) -> str:
        if isinstance(self._value, str):
            return _TEXT_AS.get(kind, str)(self._value)
        if isinstance(self._value, bool) or kind not in _SHOWN_AS:
            return _plain_words(self._value)
        return _SHOWN_AS[kind](float(self._value))


def time_words(hours: float) -> str:
    """Write a time as minutes, hours or days, whichever reads best."""
    if not isfinite(hours):
        return UNKNOWN
    if hours < 1.0:
        return count_words(round(60.0 * hours), "minute")
    return count_words(round(hours), "hour") if hours < 47.5 else count_words(round(hours / 24.0), "day")


def off_words(cents: float) -> str:
    """Say how far a string is off its note: ``35 cents flat``, ``2 cents sharp`` or ``in tune``."""
    if not isfinite(cents):
        return UNKNOWN
    rounded = abs(round(cents))
    return f"{count_words(rounded, 'cent')} {'flat' if cents < 0.0 else 'sharp'}" if rounded else "in tune"


def string_words(name: str) -> str:
    """Name an open string as a player does, by its note without the octave: 'D' for 'D4'."""
    return name.rstrip("0123456789-") or name


_TEXT_AS = {"string": string_words, "set": set_words, "adj": adjustment_id_words, "kind": kind_words}
_SHOWN_AS = {
    "hz": lambda value: plain(value, "Hz"),
    "about_hz": lambda value: plain(value, "Hz", digits=2),
    "s": lambda value: plain(value, "s", digits=2),
    "ms": lambda value: number(value * 1000.0, 0) + " ms",
    "db": lambda value: plain(value, "dB", digits=2),
    "cents": lambda value: number(value, 0) + " cents",
    "shift": lambda value: number(value, 0, signed=True) + " cents",
    "off": off_words,
    "percent": lambda value: number(value, 0) + " %",
    "share": lambda value: number(value * 100.0, 0) + " %",
    "c": lambda value: plain(value, "°C", digits=3),
    "g": lambda value: plain(value, "g"),
    "n": lambda value: number(value, 0),
    "time": time_words,
}


def _fields(form: str) -> frozenset[str]:
    return frozenset(name for _, name, _, _ in Formatter().parse(form) if name)


def _known(value: float | str | bool | None) -> bool:
    if isinstance(value, str):
        return bool(value)
    return value is not None and (isinstance(value, bool) or isfinite(value))


def _plain_words(value: float | str | bool) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value.replace("_", " ") if isinstance(value, str) else plain(float(value))


def _spelt_out(reason: Reason | Fault) -> str:
    values = [
        f"{name.replace('_', ' ')} {_plain_words(value)}"
        for name, value in reason.values.items()
        if _known(value)
    ]
    words = reason.code.replace("_", " ").strip() or UNKNOWN
    return f"{words} ({', '.join(values)})" if values else words


def _numbered(identity: str, prefix: str, noun: str) -> str:
    tail = identity.removeprefix(prefix)
    if identity.startswith(prefix) and tail.isdigit():
        return f"{noun} {tail}"
    return f"{noun} {identity}" if identity else noun
