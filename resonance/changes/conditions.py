"""What else changed between two tap sets, beside the adjustment; nothing is corrected for it.

Reason codes
------------
condition_changed : {'what', 'before', 'after'}   only where noted on both sides; 'what' is 'holding',
    'string damping', 'tapper', 'microphone', a check ('seams', 'post', 'bridge upright', 'at pitch'),
    'temperature' (deg C; with 'expected_a0_cents', where the air alone would take A0), 'humidity' (%),
    'mass' (g) or 'pitch' (Hz, A4)
string_pitch : {'string', 'before', 'after'}   pitch of an open string as read from the taps, cents from its
    note; 'before' or 'after' is left out where it was not heard and the other is far off
strings_pitch : {'n', 'before', 'after'}   as many strings went together: their mean
check_failed : {'what', 'side'}    a check said no; 'side' is 'before' or 'after'
several_adjustments : {'n'}        what each of them did cannot be told apart
new_chapter : {'adjustment'}       a new post, a full string change or an opened body lies between
time_between : {'hours', 'days', 'adjustment'}   from the last adjustment to the set after; without adjustment
    between the two sets: what is seen happened since, not at once
dates_disagree : {'hours'}         by the dates, sets and adjustments stand in another order
"""

from collections.abc import Sequence
from datetime import datetime
from math import hypot, isfinite, log, log2

from resonance.modes.mode import StringReading
from resonance.reasons import Reason
from resonance.sets.setup import Adjustment
from resonance.sets.tapset import CHECKS, TapSet

KELVIN = 273.15
TEMPERATURE_C = 2.0
HUMIDITY_PERCENT = 5.0
MASS_G = 0.5
PITCH = 0.5  # ISO 16: accuracy of A4
STRING_CENTS = 10.0  # 1.2 % of a string's tension; a semitone on all of them moves B1 by 1-2 Hz (from memory)
STRING_SIGMAS = 3.0
TOGETHER_CENTS = 8.0  # strings whose changes differ by no more went together
FEWEST_TOGETHER = 3
ALONE_CENTS = 20.0  # a string read in one set only is spoken of when it is so far off its note
WALLS = 0.9  # A0 follows the speed of sound by this much, the walls of the box moving with the air
WALLS_U = 0.1


def changed_conditions(before: TapSet, after: TapSet) -> tuple[Reason, ...]:
    """Conditions noted on both sides that differ, and checks that failed."""
    return (
        *_words_changed(before, after),
        *_checks(before, after),
        *_temperature(before, after),
        *_number_changed(
            "humidity", before.climate.humidity_percent, after.climate.humidity_percent, HUMIDITY_PERCENT
        ),
        *_number_changed("mass", before.conditions.mass_g, after.conditions.mass_g, MASS_G),
        *_number_changed("pitch", before.setup.pitch_a4, after.setup.pitch_a4, PITCH),
        *strings_changed(before.strings, after.strings),
    )


def strings_changed(before: Sequence[StringReading], after: Sequence[StringReading]) -> tuple[Reason, ...]:
    """Open strings whose pitch, read from the taps, differs; what pulls on the body moves its modes."""
    left, right = ({reading.name: reading for reading in side} for side in (before, after))
    changed = {
        name: (reading.cents_off, reading.cents_off + change)
        for name, reading in left.items()
        if name in right and (change := _string_change(reading, right[name]))
    }
    changes = [second - first for first, second in changed.values()]
    if len(changes) >= FEWEST_TOGETHER and max(changes) - min(changes) < TOGETHER_CENTS:
        mean = [sum(pair[side] for pair in changed.values()) / len(changed) for side in (0, 1)]
        return (Reason("strings_pitch", {"n": len(changed), "before": mean[0], "after": mean[1]}),)
    found = [Reason("string_pitch", {"string": n, "before": b, "after": a}) for n, (b, a) in changed.items()]
    for side, here, there in (("before", left, right), ("after", right, left)):
        alone = [reading for name, reading in here.items() if there and name not in there]
        far = [reading for reading in alone if abs(reading.cents_off) >= ALONE_CENTS]
        found += [Reason("string_pitch", {"string": r.name, side: r.cents_off}) for r in far]
    return tuple(found)


def _string_change(before: StringReading, after: StringReading) -> float:
    """Cents from the one pitch to the other; 0 where it is small or may be chance."""
    change = 1200.0 * log2(after.pitch / before.pitch)
    u = hypot(*(1200.0 / log(2.0) * r.pitch_u / r.pitch for r in (before, after)))
    return change if abs(change) >= max(STRING_CENTS, STRING_SIGMAS * u) else 0.0


def between(before: TapSet, adjustments: Sequence[Adjustment]) -> tuple[Adjustment, ...]:
    """Leave out the adjustments that the first set already has behind it."""
    return tuple(a for a in adjustments if a.id not in before.after)


def adjustment_reasons(
    before: TapSet, after: TapSet, adjustments: Sequence[Adjustment]
) -> tuple[Reason, ...]:
    """Several adjustments, a new chapter, and the time that lies between; `after` is the later set."""
    n = len({a.id for a in adjustments} | (set(after.after) - set(before.after)))
    reasons = [Reason("several_adjustments", {"n": n})] if n > 1 else []
    reasons += [Reason("new_chapter", {"adjustment": a.id}) for a in adjustments if a.new_chapter]
    return (*reasons, *_time_between(before, after, adjustments))


def air_shift_cents(before: TapSet, after: TapSet) -> tuple[float, float]:
    """Shift of the main air note that the air's temperature alone would make, and its standard uncertainty.

    0.9 +- 0.1 times 600 log2(T2 / T1), T in kelvin: 2.95 cents a kelvin at 20 deg C before the factor. (0, 0)
    where a temperature was not noted.
    """
    first, second = before.climate.temperature_c, after.climate.temperature_c
    if first is None or second is None:
        return 0.0, 0.0
    full = 600.0 * log2((second + KELVIN) / (first + KELVIN))
    return WALLS * full, WALLS_U * abs(full)


def _words_changed(before: TapSet, after: TapSet) -> list[Reason]:
    found = []
    for what in ("holding", "string_damping", "tapper", "microphone"):
        left, right = getattr(before.conditions, what), getattr(after.conditions, what)
        if left and right and left.strip().casefold() != right.strip().casefold():
            values = {"what": what.replace("_", " "), "before": left, "after": right}
            found.append(Reason("condition_changed", values))
    return found


def _checks(before: TapSet, after: TapSet) -> list[Reason]:
    found = []
    for what in dict.fromkeys((*CHECKS, *before.conditions.checks, *after.conditions.checks)):
        left, right = before.conditions.checks.get(what), after.conditions.checks.get(what)
        if left is not None and right is not None and left != right:
            found.append(Reason("condition_changed", {"what": what, "before": left, "after": right}))
        for side, passed in (("before", left), ("after", right)):
            if passed is False:
                found.append(Reason("check_failed", {"what": what, "side": side}))
    return found


def _temperature(before: TapSet, after: TapSet) -> list[Reason]:
    changed = _number_changed(
        "temperature", before.climate.temperature_c, after.climate.temperature_c, TEMPERATURE_C
    )
    expected, _ = air_shift_cents(before, after)
    return [Reason(r.code, {**r.values, "expected_a0_cents": expected}) for r in changed]


def _number_changed(what: str, before: float | None, after: float | None, tolerance: float) -> list[Reason]:
    if before is None or after is None or not isfinite(before) or not isfinite(after):
        return []
    if abs(after - before) <= tolerance:
        return []
    return [Reason("condition_changed", {"what": what, "before": before, "after": after})]


def _time_between(before: TapSet, after: TapSet, adjustments: Sequence[Adjustment]) -> list[Reason]:
    made = [(_aware(a.made), a.id) for a in adjustments if a.made is not None]
    against = _hours_against(before.taken, [moment for moment, _ in made], after.taken)
    if against > 0.0:
        return [Reason("dates_disagree", {"hours": against})]
    if after.taken is None or (not made and before.taken is None):
        return []
    values: dict[str, float | str | bool] = {}
    if made:
        start, values["adjustment"] = max(made)
    else:
        assert before.taken is not None
        start = _aware(before.taken)
    hours = (_aware(after.taken) - start).total_seconds() / 3600.0
    if hours == 0.0:
        return []
    return [Reason("time_between", {"hours": hours, "days": hours / 24.0, "set": after.id, **values})]


def _hours_against(first: datetime | None, made: Sequence[datetime], last: datetime | None) -> float:
    """By how many hours, at most, a date lies after one that should follow it; 0 where none does."""
    earlier = [_aware(first)] if first is not None else []
    later = [_aware(last)] if last is not None else []
    pairs = [(a, b) for a in earlier for b in (*made, *later)] + [(a, b) for a in made for b in later]
    return max([(a - b).total_seconds() / 3600.0 for a, b in pairs], default=0.0)


def _aware(moment: datetime) -> datetime:
    """A naive time is taken as local."""
    return moment.astimezone()
