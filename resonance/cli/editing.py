"""Corrections of what was noted, typed as KEY=VALUE: of an instrument, a tap set, an adjustment."""

from argparse import ArgumentTypeError
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING, Any, TypeVar

from resonance.cli.options import (
    UsageError,
    check_answers,
    check_repeat,
    did_you_mean,
    key_value,
    moment,
    repeat_kind,
)
from resonance.cli.ordering import future_words

if TYPE_CHECKING:
    from resonance.jobs.store import Shop

T = TypeVar("T")

CLIMATE = ("temperature_c", "humidity_percent", "hours_in_room")
CONDITIONS = ("holding", "string_damping", "tapper", "microphone", "mass_g", "remark")
REPEAT = ("repeat_of", "repeat_kind")
CHECK_KEYS = ("seams", "post", "bridge_upright", "at_pitch")
ADJUSTMENT_KEYS = ("made", "part", "along_mm", "across_mm", "end", "new_chapter", "note")
# Keys as the options of `add`, `adjust` and `job new` write them.
SHORT = {
    "temperature": "temperature_c",
    "humidity": "humidity_percent",
    "mass": "mass_g",
    "repeat": "repeat_kind",
    "along": "along_mm",
    "across": "across_mm",
    "body": "body_mm",
    "string_length": "string_length_mm",
}
SET_KEYS = ("taken", *CLIMATE, *CONDITIONS, *REPEAT, *CHECK_KEYS)


def edit_entry(shop: "Shop", job: str, entry: str, words: Sequence[str]) -> tuple[dict[str, Any], str]:
    """Correct a job's instrument (`entry` ''), one tap set or one adjustment.

    Returns
    -------
    (record, text) : the corrected record for ``--json``, and one line that says what was done

    Raises
    ------
    UsageError, ResonanceError   naming the key or value that does not fit; nothing is changed then
    """
    pairs = dict(_pair(word) for word in words)
    if not entry:
        return _edit_instrument(shop, job, pairs)
    if entry.lower().startswith("adj"):
        return _edit_adjustment(shop, job, entry, pairs)
    return _edit_set(shop, job, entry, pairs)


@contextmanager
def as_typed() -> Iterator[None]:
    """Turn a key or value that does not fit into wrong usage; where a near key is named, that will do."""
    from resonance.jobs.assign import AssignError

    try:
        yield
    except AssignError as wrong:
        text, sign, _ = str(wrong).partition(" The entries are:")
        raise UsageError(text if sign and "did you mean" in text else str(wrong)) from wrong


def _edit_instrument(shop: "Shop", job: str, pairs: dict[str, str]) -> tuple[dict[str, Any], str]:
    from resonance.jobs.assign import apply_instrument
    from resonance.jobs.records import to_record

    with as_typed():
        instrument = apply_instrument(shop.job(job).instrument, pairs)
    changed = shop.edit_job(job, instrument=instrument)
    return to_record(changed), f"Job {changed.id} now says so: {_said(pairs)}."


def _edit_adjustment(shop: "Shop", job: str, entry: str, pairs: dict[str, str]) -> tuple[dict[str, Any], str]:
    from resonance.jobs.assign import apply_fields
    from resonance.jobs.job import find_adjustment
    from resonance.jobs.records import to_record

    adjustment = find_adjustment(shop.job(job), entry)
    _known(pairs, ADJUSTMENT_KEYS)
    with as_typed():
        adjustment = apply_fields(adjustment, pairs)
    adjustment = shop.edit_adjustment(job, adjustment)
    text = f"Adjustment {adjustment.id} now says so: {_said(pairs)}."
    return to_record(adjustment), _with_warning(text, adjustment.made if "made" in pairs else None)


def _edit_set(shop: "Shop", job: str, entry: str, pairs: dict[str, str]) -> tuple[dict[str, Any], str]:
    from resonance.jobs.assign import apply_fields
    from resonance.jobs.job import find_set
    from resonance.jobs.records import to_record

    tap_set = find_set(shop.job(job), entry)
    _known(pairs, SET_KEYS)
    if set(REPEAT) & pairs.keys():
        of, kind = pairs.get("repeat_of", tap_set.repeat_of), pairs.get("repeat_kind", tap_set.repeat_kind)
        check_repeat(of, kind if of or "repeat_kind" in pairs else "", options=("repeat_of=", "repeat="))
    answers = check_answers([(key, value) for key, value in pairs.items() if key in CHECK_KEYS])
    with as_typed():
        conditions = apply_fields(tap_set.conditions, {k: pairs[k] for k in CONDITIONS if k in pairs})
        climate = apply_fields(tap_set.climate, {k: pairs[k] for k in CLIMATE if k in pairs})
    conditions = replace(conditions, checks={**conditions.checks, **answers})
    edited = shop.edit_tap_set(
        job,
        tap_set.id,
        taken=_read(moment, pairs.get("taken")),
        climate=climate,
        conditions=conditions,
        repeat_of=pairs.get("repeat_of"),
        repeat_kind=_read(repeat_kind, pairs.get("repeat_kind")),
    )
    text = f"Tap set {edited.id} now says so: {_said(pairs)}."
    return to_record(edited), _with_warning(text, edited.taken if "taken" in pairs else None)


def _read(reader: Callable[[str], T], text: str | None) -> T | None:
    """Read a value as an option of that kind would be read; None when it is not there."""
    try:
        return reader(text) if text else None
    except ArgumentTypeError as wrong:
        raise UsageError(str(wrong)) from wrong


def _pair(word: str) -> tuple[str, str]:
    try:
        key, value = key_value(word)
        name = key.replace("-", "_")
        return SHORT.get(name, name), value
    except ArgumentTypeError as wrong:
        raise UsageError(str(wrong)) from wrong


def _known(pairs: dict[str, str], keys: Sequence[str]) -> None:
    for key in pairs:
        if key not in keys:
            hint = did_you_mean(key, keys) or f"the entries are: {', '.join(keys)}"
            raise UsageError(f"there is no entry '{key}'; {hint}")


def _with_warning(text: str, moment: datetime | None) -> str:
    return " ".join(filter(None, [text, future_words(moment)]))


def _said(pairs: dict[str, str]) -> str:
    return ", ".join(f"{key} {value or 'cleared'}" for key, value in pairs.items())
