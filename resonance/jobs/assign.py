"""Setup and instrument entries as a maker types them: ``post.behind_mm=2.5``, ``stage=strung``. Pure.

Keys are the field names of the data model joined by dots; strings go by their note
(``strings.A4.gauge_note=medium``). An empty value or ``?`` clears an entry; ``strings.A4=`` takes a string
off. Numbers may have a decimal comma and their unit behind them (``2,5 mm``).
"""

import difflib
import types
from collections.abc import Callable, Iterable, Mapping
from dataclasses import MISSING, Field, fields, is_dataclass, replace
from datetime import datetime
from math import isfinite, nan
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

from resonance.errors import ResonanceError
from resonance.jobs.records import aware, to_record
from resonance.sets.instrument import FAMILIES, PIECES, Instrument
from resonance.sets.setup import ENDS, PARTS, STAGES, Setup, String
from resonance.units import note_frequency

Assignments = Mapping[str, str] | Iterable[str]
T = TypeVar("T")

CHOICES = {
    "stage": STAGES,
    "post.side": ("treble", "bass"),
    "family": FAMILIES,
    "piece": PIECES,
    "part": PARTS,
    "end": ENDS,
}
# Plain limits, to catch a slip of the finger or a wrong unit (common practice, no source).
RANGES = {
    "pitch_a4": (380.0, 480.0),
    "post.position_u_mm": (0.01, 5.0),
    "post.behind_mm": (-50.0, 100.0),
    "post.inward_mm": (-50.0, 100.0),
    "bridge.lean_mm": (-50.0, 50.0),
    "mains": (16.0, 400.0),
    "along_mm": (-50.0, 50.0),
    "across_mm": (-50.0, 50.0),
    "temperature_c": (-30.0, 60.0),
    "humidity_percent": (1.0, 100.0),
}
UNITS = ("mm", "g", "n", "hz")
LARGEST = 5000.0
MAY_BE_BELOW_ZERO = ("behind_mm", "inward_mm", "lean_mm")


class AssignError(ResonanceError):
    """An entry that is not there, or a value that does not fit it: wrong usage."""


def apply_setup(setup: Setup, assignments: Assignments) -> Setup:
    """Give the setup with entries changed; all of them or none.

    Raises
    ------
    AssignError   naming the key or the value, and what would be right
    """
    for key, value in _pairs(assignments):
        parts = key.split(".")
        if parts[0] == "strings" and len(parts) in (2, 3):
            setup = _set_string(setup, key, value)
        else:
            setup = _set(setup, key, value, setup_keys())
    return setup


def apply_instrument(instrument: Instrument, assignments: Assignments) -> Instrument:
    """Give the instrument with entries changed; all of them or none.

    Raises
    ------
    AssignError   naming the key or the value, and what would be right
    """
    return apply_fields(instrument, assignments)


def apply_fields(obj: T, assignments: Assignments) -> T:
    """Give a dataclass with entries changed; all of them or none.

    Raises
    ------
    AssignError   naming the key or the value, and what would be right
    """
    for key, value in _pairs(assignments):
        obj = _set(obj, key, value, keys_of(type(obj)))
    return obj


def setup_keys() -> tuple[str, ...]:
    """Keys that `apply_setup` takes; ``NAME`` stands for a string's note."""
    return keys_of(Setup)


def instrument_keys() -> tuple[str, ...]:
    """Keys that `apply_instrument` takes."""
    return keys_of(Instrument)


def changed_setup(before: Setup, after: Setup) -> tuple[tuple[str, Any, Any], ...]:
    """Entries that differ between two setups: (key, before, after); NaN, None or '' where not noted."""
    left, right = _flat(before), _flat(after)
    keys = dict.fromkeys((*left, *right))
    return tuple(
        (key, left.get(key), right.get(key))
        for key in keys
        if to_record(left.get(key)) != to_record(right.get(key))
    )


def keys_of(kind: Any, prefix: str = "") -> tuple[str, ...]:
    """Dotted keys of a dataclass and of those inside it."""
    found: list[str] = []
    for name, hint in get_type_hints(kind).items():
        if name == "strings":
            found += [f"strings.NAME.{field.name}" for field in fields(String) if field.name != "name"]
        elif is_dataclass(hint):
            found += keys_of(hint, f"{prefix}{name}.")
        else:
            found.append(prefix + name)
    return tuple(found)


def _pairs(assignments: Assignments) -> list[tuple[str, str]]:
    """Split ``KEY=VALUE`` texts."""
    if isinstance(assignments, Mapping):
        return [(key.strip(), str(value).strip()) for key, value in assignments.items()]
    if isinstance(assignments, str):
        assignments = [assignments]
    pairs = []
    for text in assignments:
        key, sign, value = text.partition("=")
        if not sign or not key.strip():
            raise AssignError(f"'{text}' is not KEY=VALUE; write for example post.behind_mm=2.5")
        pairs.append((key.strip(), value.strip()))
    return pairs


def _set(obj: T, key: str, value: str, keys: tuple[str, ...]) -> T:
    """Set one entry along its dotted key."""
    if key not in keys:
        raise _no_such_key(key, keys)
    return _set_inside(obj, key, key.split("."), value)


def _set_inside(obj: T, key: str, path: list[str], value: str) -> T:
    name, *rest = path
    if rest:
        return _replaced(obj, name, _set_inside(getattr(obj, name), key, rest, value))
    field = next(field for field in fields(obj) if field.name == name)  # type: ignore[arg-type]
    hint = get_type_hints(type(obj))[name]
    return _replaced(obj, name, _read(key, value, hint, field))


def _replaced(obj: T, name: str, value: Any) -> T:
    changed: T = replace(obj, **{name: value})  # type: ignore[type-var]
    return changed


def _set_string(setup: Setup, key: str, value: str) -> Setup:
    """Set one entry of one string, put a new string on, or take it off."""
    _, name, *rest = key.split(".")
    name = _string_name(name)
    others = {string.name: string for string in setup.strings}
    if not rest:
        if value:
            raise AssignError(f"'{key}={value}' names no entry; write for example {key}.gauge_note={value}")
        others.pop(name, None)
    else:
        if f"strings.NAME.{rest[0]}" not in setup_keys():
            raise _no_such_key(key, setup_keys())
        others[name] = _set_inside(others.get(name, String(name)), key, rest, value)
    return replace(setup, strings=tuple(others.values()))


def _string_name(name: str) -> str:
    """Check that a string is called by its note, and write it in one way."""
    name = name[:1].upper() + name[1:]
    try:
        note_frequency(name)
    except ValueError as error:
        raise AssignError(f"strings go by their note with its octave, e.g. strings.A4: {error}") from error
    return name


def _no_such_key(key: str, keys: tuple[str, ...]) -> AssignError:
    """Name the keys there are, the likeliest first."""
    near = difflib.get_close_matches(key, keys, n=3, cutoff=0.6)
    near += [each for each in keys if each.split(".")[-1] == key and each not in near]
    hint = f"did you mean {' or '.join(near)}? " if near else ""
    return AssignError(f"there is no entry '{key}'; {hint}The entries are: {', '.join(keys)}")


def _read(key: str, value: str, hint: Any, field: "Field[Any]") -> Any:
    """Turn a typed value into what the entry holds."""
    if value in ("", "?"):
        return _cleared(key, field)
    if key in CHOICES:
        return _choice(key, value, CHOICES[key])
    kinds = get_args(hint) if get_origin(hint) in (Union, types.UnionType) else (hint,)
    for kind, reader in _READERS:
        if kind in kinds:
            return reader(key, value)
    return value


def _cleared(key: str, field: "Field[Any]") -> Any:
    if field.default is MISSING:
        raise AssignError(f"'{key}' cannot be left empty")
    return field.default


def _choice(key: str, value: str, choices: tuple[str, ...]) -> str:
    wanted = value.casefold()
    if wanted not in choices:
        near = difflib.get_close_matches(wanted, choices, n=1)
        hint = f"did you mean {near[0]}?" if near else f"write one of: {', '.join(choices)}"
        raise AssignError(f"'{value}' does not fit {key}; {hint}")
    return wanted


def _number(key: str, value: str) -> float:
    text = value.casefold().replace(",", ".")
    for unit in UNITS:
        if text.endswith(unit) and (key.endswith("_" + unit) or unit == "hz"):
            text = text.removesuffix(unit).strip()
    try:
        number = float(text)
    except ValueError:
        number = nan
    if not isfinite(number):
        raise AssignError(f"'{value}' does not fit {key}: a number is needed, e.g. {key}=2.5")
    low = -LARGEST if key.split(".")[-1] in MAY_BE_BELOW_ZERO else 0.0
    low, high = RANGES.get(key, (low, LARGEST))
    if not low <= number <= high:
        raise AssignError(f"{key}={value} is out of range; it lies from {low:g} to {high:g}")
    return number


def _count(key: str, value: str) -> int:
    if not value.isdecimal() or int(value) > 12:
        raise AssignError(f"'{value}' does not fit {key}: a small whole number is needed, e.g. {key}=1")
    return int(value)


def _yes_no(key: str, value: str) -> bool:
    wanted = value.casefold()
    if wanted not in ("yes", "no", "true", "false"):
        raise AssignError(f"'{value}' does not fit {key}; write yes or no")
    return wanted in ("yes", "true")


def _date(key: str, value: str) -> datetime:
    try:
        return aware(datetime.fromisoformat(value))
    except ValueError as error:
        raise AssignError(f"'{value}' does not fit {key}; write a date such as 2025-03-08") from error


_READERS: tuple[tuple[Any, Callable[[str, str], Any]], ...] = (
    (bool, _yes_no),
    (int, _count),
    (datetime, _date),
    (float, _number),
)


def _flat(obj: Any, prefix: str = "") -> dict[str, Any]:
    """Give all entries of a setup by their dotted keys."""
    found: dict[str, Any] = {}
    for field in fields(obj):
        value = getattr(obj, field.name)
        if field.name == "strings":
            for string in value:
                inside = _flat(string, f"strings.{string.name}.")
                found |= {key: each for key, each in inside.items() if not key.endswith(".name")}
        elif is_dataclass(value):
            found |= _flat(value, f"{prefix}{field.name}.")
        else:
            found[prefix + field.name] = value
    return found
