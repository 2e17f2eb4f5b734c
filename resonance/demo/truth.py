"""What is in each made-up recording: modes, places, taps and faults; and the sound itself.

The truth of a tap set is drawn once from `scenario.SEED` and the set's number, so that any recording can be
made again by itself. Faults as made: 'double_hit', 'clipped', 'dull' (the flesh of a finger), 'handling'
(a slow bump before the tap, which stays a good tap).
"""

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from resonance.demo import scenario
from resonance.demo.scenario import (
    ADJUSTMENTS,
    BASS,
    DOWN,
    INSTRUMENT,
    MODES,
    NEAR,
    SEED,
    SIDE,
    TREBLE,
    Sitting,
    TakePlan,
    TrueMode,
    sitting,
)
from resonance.sound.recording import FloatArray, Recording
from resonance.sound.synthesis import (
    Blow,
    BodyMode,
    Bump,
    Hum,
    even_blows,
    room_response,
    seen_from,
    string_partials,
    tap_recording,
)
from resonance.units import note_frequency

SAMPLE_RATE = 48_000.0
SPACING = 0.9  # s from tap to tap
TIP = 0.00035  # s: width of a blow with a pencil's end
FINGER = 0.004  # s: the flesh of a finger
SNR_DB = 34.0
SCATTER = 0.10  # Hz, of each mode from tap to tap
ROOM_DECAY = 0.3  # s, a small workshop full of wood and cloth
DIRECT_TO_ROOM_DB = {NEAR: 28.0, SIDE: 27.0}  # a microphone very near; farther off, the room would rule
ROOM_MOVES = 0.3  # share of the room's answer that a microphone set up anew hears differently
HUM = Hum(50.0, (0.0004, 0.0002, 0.0003))
STRINGS = ("C3", "G3", "D4", "A4")
STRING_PARTIALS, STRING_DAMPING, STRING_LEVEL = 2, 0.0015, 0.015  # under a felt strip
INVENTED = "Invented: every sound was synthesised, no instrument stands behind it."


@dataclass(frozen=True)
class ModeTruth:
    """One mode in one tap set; cents from the day of stringing, seating included."""

    name: str
    kind: str
    frequency: float
    damping: float
    cents: float


@dataclass(frozen=True)
class TapTruth:
    """One blow as made: onset (s) and what is wrong with it ('' for a good one)."""

    onset: float
    fault: str = ""


@dataclass(frozen=True)
class TakeTruth:
    """One recording as made."""

    tap_place: str
    microphone_place: str
    taps: tuple[TapTruth, ...]
    bumps: tuple[float, ...] = ()


@dataclass(frozen=True)
class SetTruth:
    """One tap set as made."""

    number: int
    taken: datetime
    after: tuple[str, ...]
    repeat_of: int
    repeat_kind: str
    temperature_c: float
    humidity_percent: float
    lagged_humidity_percent: float
    modes: tuple[ModeTruth, ...]
    takes: tuple[TakeTruth, ...]


def seating_cents(number: int) -> FloatArray:
    """What putting the instrument back has done to each mode by this tap set; array (n_modes,), cents."""
    plan = sitting(number)
    rng = np.random.default_rng([SEED, 2, number])
    if plan.repeat_kind == "untouched":
        return seating_cents(plan.repeat_of) + rng.normal(0, scenario.SEATING_CENTS["untouched"], len(MODES))
    kind = "slackened and retuned" if plan.after or plan.repeat_kind.startswith("slack") else "put back"
    return np.asarray(rng.normal(0.0, scenario.SEATING_CENTS[kind], len(MODES)))


def modes_of(number: int) -> tuple[ModeTruth, ...]:
    """The modes of one tap set."""
    plan, seating = sitting(number), seating_cents(number)
    moisture = scenario.lagged_humidity(scenario.days(plan.taken)) - scenario.REFERENCE_HUMIDITY
    widened = 1.06 if any(a.part == "fitting" for a in made_before(plan)) else 1.0
    return tuple(
        _mode_truth(mode, scenario.drift_cents(mode, plan.taken) + float(seat), moisture, widened)
        for mode, seat in zip(MODES, seating, strict=True)
    )


def _mode_truth(mode: TrueMode, cents: float, moisture: float, widened: float) -> ModeTruth:
    """One mode after its drift; wood damps more when moist."""
    damping = mode.damping * widened
    if mode.kind == "body":
        damping *= 1.0 + scenario.DAMPING_PER_PERCENT * moisture
    frequency = mode.frequency * 2.0 ** (cents / 1200.0)
    return ModeTruth(mode.name, mode.kind, round(frequency, 4), round(damping, 6), round(cents, 3))


def made_before(plan: Sitting) -> list[Any]:
    """Adjustments made before a tap set."""
    return [a for a in ADJUSTMENTS if a.made is not None and a.made < plan.taken]


def take_truth(number: int, index: int) -> TakeTruth:
    """Places, onsets and faults of one recording."""
    blows, bumps = _blows(number, index)
    plan = sitting(number).takes[index]
    faults = dict(plan.faults)
    marks = {k: ("" if code == "handling" else code) for k, code in faults.items()}
    taps = tuple(TapTruth(round(b.onset, 6), marks.get(k, "")) for k, b in enumerate(blows))
    return TakeTruth(plan.tap_place, plan.microphone_place, taps, tuple(round(b.at, 6) for b in bumps))


def set_truth(number: int) -> SetTruth:
    """The whole truth of one tap set."""
    plan = sitting(number)
    day = scenario.days(plan.taken)
    temperature, humidity = scenario.air(day)
    return SetTruth(
        number,
        plan.taken,
        plan.after,
        plan.repeat_of,
        plan.repeat_kind,
        round(temperature, 1),
        round(humidity),
        round(scenario.lagged_humidity(day), 2),
        modes_of(number),
        tuple(take_truth(number, k) for k in range(len(plan.takes))),
    )


def take_recording(number: int, index: int, *, source: str = "") -> Recording:
    """Make the sound of one recording of one tap set.

    Parameters
    ----------
    number : int   of the tap set, from 1
    index : int   of the recording within it, from 0
    """
    plan = sitting(number).takes[index]
    blows, bumps = _blows(number, index)
    modes = [
        BodyMode(m.frequency, m.damping, float(10.0 ** (t.level_db / 20.0)), name=m.name)
        for m, t in zip(modes_of(number), MODES, strict=True)
    ]
    return tap_recording(
        seen_from(modes, list(_weights(plan))),
        blows,
        rng=np.random.default_rng([SEED, 4, number, index]),
        sample_rate=SAMPLE_RATE,
        duration=blows[-1].onset + 0.95,
        strings=_strings(),
        room=_room(number, plan),
        hum=HUM,
        bumps=bumps,
        snr_db=SNR_DB,
        peak=0.25,
        scatter=SCATTER,
        source=source,
    )


def _blows(number: int, index: int) -> tuple[list[Blow], list[Bump]]:
    """Blows of one recording, the faulty ones included, and the handling noises."""
    plan = sitting(number).takes[index]
    rng = np.random.default_rng([SEED, 3, number, index])
    blows = even_blows(plan.count, rng=rng, first=0.45, spacing=SPACING, width=TIP, timing_spread=0.02)
    bumps = []
    for k, fault in plan.faults:
        if fault == "double_hit":
            blows[k] = replace(blows[k], again_after=float(rng.uniform(0.025, 0.06)), again_ratio=0.35)
        elif fault == "clipped":
            blows[k] = replace(blows[k], strength=9.0)
        elif fault == "dull":
            blows[k] = replace(blows[k], width=FINGER, strength=3.0)
        else:
            bumps.append(Bump(blows[k].onset - 0.38, peak=0.06, duration=0.24, frequency=22.0))
    return blows, bumps


def _weights(plan: TakePlan) -> FloatArray:
    """How strongly, and with which sign, each mode shows from a tap place to a microphone place."""
    tap = {BASS: 0, TREBLE: 1, DOWN: 2}[plan.tap_place]
    microphone = {NEAR: 0, SIDE: 1}[plan.microphone_place]
    rng = np.random.default_rng([SEED, 5])
    taps = 10.0 ** (rng.normal(0.0, [[0.5], [3.0], [4.0]], (3, len(MODES))) / 20.0)
    taps[1:] *= rng.choice([-1.0, 1.0], (2, len(MODES)))
    microphones = 10.0 ** (rng.normal(0.0, [[0.5], [2.5]], (2, len(MODES))) / 20.0)
    microphones[1, 8:] *= rng.choice([-1.0, 1.0], len(MODES) - 8)  # below 600 Hz sound goes all ways alike
    return np.asarray(taps[tap] * microphones[microphone])


def _strings() -> list[BodyMode]:
    """Partials of the four strings, quietened by a felt strip."""
    heard: list[BodyMode] = []
    for name in STRINGS:
        pitch = note_frequency(name)
        heard += string_partials(
            pitch, damping=STRING_DAMPING, count=STRING_PARTIALS, amplitude=STRING_LEVEL, name=name
        )
    return heard


def _room(number: int, plan: TakePlan) -> FloatArray:
    """The room at a microphone place: the same in substance each day, a little different each set-up."""
    place = {NEAR: 0, SIDE: 1}[plan.microphone_place]
    seat = sitting(number).repeat_of if sitting(number).repeat_kind == "untouched" else number
    usual, today = (
        room_response(
            rng=np.random.default_rng([SEED, 6, place, seed]),
            sample_rate=SAMPLE_RATE,
            decay_time=ROOM_DECAY,
            direct_to_room_db=DIRECT_TO_ROOM_DB[plan.microphone_place],
        )
        for seed in (0, seat)
    )
    mixed = np.sqrt(1.0 - ROOM_MOVES**2) * usual + ROOM_MOVES * today
    mixed[0] = 1.0
    return np.asarray(mixed)


def truth_record(sets: Sequence[SetTruth]) -> dict[str, Any]:
    """The truth as plain data for `truth.json`."""
    adjustments = []
    for a in ADJUSTMENTS:
        steps = {m.name: round(scenario.step_cents(m, a), 2) for m in MODES}
        adjustments.append({**asdict(a), "made": a.made, "step_cents": steps})
    return {
        "invented": INVENTED,
        "instrument": asdict(INSTRUMENT),
        "strung": scenario.STRUNG,
        "law": str(scenario.__doc__).split("\n\n", 2)[2].strip(),
        "adjustments": adjustments,
        "modes_when_strung": [asdict(m) for m in MODES],
        "sets": [asdict(s) for s in sets],
    }


def write_truth(path: Path, record: dict[str, Any]) -> None:
    """Write a truth record as JSON, dates in ISO 8601, NaN as null."""
    text = json.dumps(_plain(record), indent=1, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8", newline="\n")


def _plain(value: Any) -> Any:
    """Dates to text and NaN to None, all the way down."""
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, datetime):
        return value.isoformat()
    return None if isinstance(value, float) and value != value else value
