"""Dataclasses to records and back: what the store, the export and ``--json`` write.

A record is a plain dict by field names: NaN is null, times are aware ISO 8601 (a naive time is taken as
local), tuples and arrays are lists, an infinite number is the string 'inf' or '-inf'. Sound itself is
left out: a recording keeps ``n_samples`` and ``n_channels`` and comes back with samples of shape
(0, n_channels). Reading is forgiving forwards and backwards: keys a version does not know are ignored,
keys that are missing take the default of the field.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import is_dataclass
from datetime import datetime
from functools import cache
from math import inf, isfinite, isnan, nan
from types import UnionType
from typing import Any, TypeVar, Union, get_args, get_origin

import cattrs
import numpy as np
from cattrs.gen import make_dict_structure_fn

from resonance.errors import ShopError
from resonance.sound.recording import Recording

Record = dict[str, Any]
T = TypeVar("T")


def to_record(obj: object) -> Any:
    """Give the JSON-ready form of a dataclass (or of a list, mapping or value of them)."""
    return _plain(_converter().unstructure(obj))


def from_record(kind: type[T], data: Any) -> T:
    """Give the dataclass of a record.

    Raises
    ------
    ShopError   when the record does not hold what the type needs
    """
    try:
        return _converter().structure(data, kind)
    except (cattrs.BaseValidationError, AttributeError, KeyError, TypeError, ValueError) as error:
        raise ShopError(f"a stored {kind.__name__} cannot be read: {_first_cause(error)}") from error


def canonical_json(data: Any) -> str:
    """Give one and the same text for the same content: sorted keys, no blanks, no NaN.

    A sign that UTF-8 cannot hold (half of a pair, from a file name of an old disk) is written as its
    JSON escape, so that the text always can be stored.
    """
    text = json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def digest(data: Any) -> str:
    """SHA-256 of the canonical JSON of `data`, in hexadecimal."""
    return hashlib.sha256(canonical_json(data).encode("utf-8")).hexdigest()


def aware(time: datetime) -> datetime:
    """Give the time as an aware one; a naive time is taken as local."""
    return time.astimezone() if time.tzinfo is None else time


def _first_cause(error: BaseException) -> str:
    """Name the innermost failure in one line."""
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    said = f"'{error.args[0]}' is missing" if isinstance(error, KeyError) and error.args else str(error)
    return " ".join(said.split()) or type(error).__name__


def _plain(value: Any) -> Any:
    """Turn what cattrs leaves (numpy values, NaN, tuples) into what JSON can hold."""
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return value if isfinite(value) else None if isnan(value) else "inf" if value > 0 else "-inf"
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain(item) for item in value]
    if isinstance(value, datetime):
        return aware(value).isoformat()
    return value


def _number(value: Any, _: object = float) -> float:
    """Read a float: null is NaN, 'inf' and '-inf' are infinite."""
    if value is None:
        return nan
    if value in ("inf", "-inf"):
        return inf if value == "inf" else -inf
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError(f"{value!r} is not a number")
    return float(value)


def _whole_number(value: Any, _: object = int) -> int:
    if isinstance(value, bool) or not isinstance(value, int | float) or value != int(value):
        raise TypeError(f"{value!r} is not a whole number")
    return int(value)


def _exactly(kind: type[Any]) -> Any:
    """Give a reader that takes a value of one type and nothing else."""

    def read(value: Any, _: object) -> Any:
        if type(value) is not kind:
            raise TypeError(f"{value!r} is not {'a text' if kind is str else 'true or false'}")
        return value

    return read


def _time(value: Any, _: object) -> datetime:
    if not isinstance(value, str):
        raise TypeError(f"{value!r} is not a date")
    return aware(datetime.fromisoformat(value))


def _array(value: Any, _: object) -> Any:
    if not isinstance(value, list):
        raise TypeError("a list of numbers was expected")
    return np.array(value, dtype=float)


def _is_bare_union(kind: Any) -> bool:
    """Whether a type is a union of plain values such as ``float | str | bool | None``."""
    if get_origin(kind) not in (Union, UnionType):
        return False
    parts = set(get_args(kind)) - {type(None)}
    return len(parts) > 1 and parts <= {float, int, str, bool}


def _bare_value(value: Any, kind: Any) -> Any:
    """Read a value of a union of plain ones; null is None where the union has it, else NaN."""
    if value is None:
        return None if type(None) in get_args(kind) else nan
    if value in ("inf", "-inf") and isinstance(value, str) and float in get_args(kind):
        return _number(value)
    if not isinstance(value, bool | int | float | str):
        raise TypeError(f"{value!r} is not a plain value")
    return value


def _is_array(kind: Any) -> bool:
    return get_origin(kind) is np.ndarray or kind is np.ndarray


@cache
def _converter() -> cattrs.Converter:
    """Build the one converter: by field names, strict about types, forgiving about keys."""
    converter = cattrs.Converter(forbid_extra_keys=False)
    converter.register_structure_hook(float, _number)
    converter.register_structure_hook(int, _whole_number)
    converter.register_structure_hook(str, _exactly(str))
    converter.register_structure_hook(bool, _exactly(bool))
    converter.register_structure_hook(datetime, _time)
    converter.register_structure_hook_func(_is_bare_union, _bare_value)
    converter.register_structure_hook_func(_is_array, _array)
    converter.register_unstructure_hook(datetime, lambda time: aware(time).isoformat())
    converter.register_unstructure_hook_func(lambda kind: kind is not Recording and _opaque(kind), _plain)
    _register_recording(converter)
    return converter


def _opaque(kind: Any) -> bool:
    """Whether values of a type need no look inside by cattrs: plain values, arrays, mappings of them."""
    if kind in (float, int, str, bool) or _is_array(kind) or _is_bare_union(kind):
        return True
    return isinstance(kind, type) and issubclass(kind, np.generic) and not is_dataclass(kind)


def _register_recording(converter: cattrs.Converter) -> None:
    """Leave the samples out of a recording's record, and bring it back with none."""

    def write(recording: Recording) -> Record:
        n_samples, n_channels = recording.samples.shape
        return {
            "sample_rate": converter.unstructure(recording.sample_rate, float),
            "started": converter.unstructure(recording.started),
            "source": recording.source,
            "sha256": recording.sha256,
            "lost_blocks": int(recording.lost_blocks),
            "warnings": converter.unstructure(recording.warnings),
            "n_samples": int(n_samples),
            "n_channels": int(n_channels),
        }

    plain = make_dict_structure_fn(Recording, converter)

    def read(data: Record, kind: Any) -> Recording:
        n_channels = _whole_number(data.get("n_channels", 1))
        empty = {key: value for key, value in data.items() if key != "samples"}
        recording: Recording = plain({**empty, "samples": []}, kind)
        object.__setattr__(recording, "samples", np.zeros((0, n_channels)))
        return recording

    converter.register_unstructure_hook(Recording, write)
    converter.register_structure_hook(Recording, read)
