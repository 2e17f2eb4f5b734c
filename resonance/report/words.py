"""Codes to the maker's words: one function for each thing, for screen, page and report alike.

Stored codes are ASCII; what a maker reads is made here. Each code has a short form, that always fits, and
may have a longer form, used when all the values it speaks of are known. In the longer form a value is
written by its kind: hz, s, ms, db, cents, percent, c, n (a count) or text. A code without words still reads
sensibly: its words without underscores, its values behind them.

Hertz come first, then cents or a note. A guessed name carries a question mark.
"""

from collections.abc import Iterable, Mapping
from datetime import date, datetime
from math import isfinite

from resonance.modes.mode import Mode
from resonance.reasons import Fault, Reason
from resonance.report.numbers import UNKNOWN, number, plain
from resonance.units import nearest_note

Values = Mapping[str, float | str | bool]

# code: (short form, longer form)
CODES: dict[str, tuple[str, str]] = {
    # recordings
    "lossy": (
        "compressed sound file: frequencies hold, levels and damping may not",
        "compressed sound file ({format:text}): frequencies hold, levels and damping may not",
    ),
    "gain_controlled": (
        "the recorder seems to have changed its gain by itself: levels and damping may be wrong",
        "",
    ),
    "noise_gated": (
        "the recorder seems to have cut quiet sound away: damping and weak resonances may be wrong",
        "",
    ),
    # taps
    "clipped": ("clipped: the recording was too loud; turn the gain down", ""),
    "double_hit": ("double hit", "double hit: a second blow {delay:ms} after the first"),
    "too_quiet": (
        "too quiet for this room",
        "too quiet for this room: {snr_db:db} above the noise, {needed_db:db} needed",
    ),
    "cut_short": ("cut short: the recording ends too soon", "cut short: only {left:s} left to ring"),
    "overlaps_next": ("the next tap comes too soon", "the next tap comes too soon, {after:s} later"),
    "dull": ("dull blow", "dull blow: it excites little above {reach:hz}"),
    "unlike_others": ("unlike the other taps", ""),
    # modes and tap sets
    "one_tap": ("only one tap: its spread from tap to tap is not known", ""),
    "few_taps": ("few taps: the uncertainty itself is uncertain", "only {n:n} taps: the uncertainty is wide"),
    "one_microphone_place": (
        "one microphone place only: the room may bias these values; a second place would show how much",
        "",
    ),
    "room_limits": ("the room limits this value", ""),
    "record_too_short": (
        "damping not shown: the recording of each tap is too short",
        "damping not shown: a tap must ring {needed:s} or longer to show it",
    ),
    "damping_uncertain": ("damping uncertain", ""),
    "model_misfit": (
        "refused: the sound does not behave like taps on ringing wood",
        "refused: {misfit:percent} of the sound is not explained by ringing resonances",
    ),
    "no_taps": ("no usable tap found", ""),
    "no_modes": ("no resonance stands out of the noise", ""),
    "not_reached": (
        "the blows excite too little up here",
        "the blows excite little above {reach:hz}; a harder tip and a lighter blow reach higher",
    ),
    "below_noise": ("hidden in the noise", ""),
    "assumed_strings": ("open strings assumed at the usual notes", ""),
    # comparisons
    "repeatability_assumed": (
        "put-back scatter assumed, not measured; repeat tap sets would show the true one",
        "put-back scatter of about {scatter_cents:cents} assumed, not measured; repeat tap sets would show "
        "the true one",
    ),
    "place_differs": (
        "microphone or tap place differs: shifts may come from the room, levels cannot be compared",
        "",
    ),
    "place_not_noted": ("microphone or tap place not noted: levels cannot be compared", ""),
    "condition_changed": (
        "the conditions changed as well",
        "{what:text} changed as well: {before:text} before, {after:text} after",
    ),
    "several_adjustments": (
        "several adjustments lie between: what each did cannot be told apart",
        "{n:n} adjustments lie between: what each did cannot be told apart",
    ),
    "new_chapter": ("a new chapter began between: post, strings or body are no longer the same", ""),
    "bounds": ("none found in the resonance frequencies measured; the sound may still differ", ""),
    "checks_first": (
        "many resonances fell or broadened together: check seams, cracks, bar and post first",
        "{fallen:n} of {of:n} resonances fell and {broadened:n} broadened: check seams, cracks, bar and post "
        "first",
    ),
    "time_between": ("much time lies between", "{days:n} days lie between: settling and weather add to it"),
    "order_not_confirmed": ("the order of tap sets and adjustments is not confirmed", ""),
    "humidity_changed": (
        "humidity changed: wood resonances follow it with days of lag",
        "humidity {before:percent} before, {after:percent} after: wood resonances follow it with days of lag",
    ),
    "temperature_changed": (
        "temperature changed: air notes follow it at once",
        "{before:c} before, {after:c} after: air notes follow the temperature at once",
    ),
}

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
    """Say a reason or fault in words, without a full stop.

    The longer form is used when every value it names is there and finite, the short form otherwise.
    """
    if reason.code not in CODES:
        return _spelt_out(reason)
    short, longer = CODES[reason.code]
    shown = {name: _Shown(value) for name, value in reason.values.items() if _known(value)}
    try:
        return longer.format_map(shown) if longer else short
    except KeyError:
        return short


def reasons_words(reasons: Iterable[Reason | Fault]) -> tuple[str, ...]:
    """Say each reason once, in order."""
    return tuple(dict.fromkeys(reason_words(reason) for reason in reasons))


def sentence(text: str) -> str:
    """Give text a capital letter and a full stop, where it does not end with a stop already."""
    text = text.strip()
    if not text:
        return ""
    return text[0].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


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
    """Name an adjustment: 'adjustment 2' for 'adj2'."""
    return _numbered(adjustment_id, "adj", "adjustment")


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
    """A value of a reason that writes itself by kind inside a longer form."""

    def __init__(self, value: float | str | bool) -> None:
        self._value = value

    def __format__(self, kind: str) -> str:
        if isinstance(self._value, str):
            return self._value
        if kind == "text" or isinstance(self._value, bool):
            return _plain_words(self._value)
        return _SHOWN_AS[kind](float(self._value))


_SHOWN_AS = {
    "hz": lambda value: number(value, 0) + " Hz",
    "s": lambda value: plain(value, "s", digits=2),
    "ms": lambda value: number(value * 1000.0, 0) + " ms",
    "db": lambda value: number(value, 0) + " dB",
    "cents": lambda value: number(value, 0) + " cents",
    "percent": lambda value: number(value, 0) + " %",
    "share": lambda value: number(value * 100.0, 0) + " %",
    "c": lambda value: plain(value, "°C", digits=3),
    "n": lambda value: number(value, 0),
}


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
