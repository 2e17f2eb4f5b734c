"""The invented viola: what it is, what was done to it when, and the law its resonances follow.

Everything here is made up. The values are plausible for a viola of 405 mm (main air note 210-240 Hz, main
body notes 330-440 Hz: from memory, Hutchins and Jansson; radiating body near 350 and 440 Hz, a maker's
measurements quoted second-hand) and no instrument stands behind them. Sizes of settling, steps and
put-back scatter are working numbers without a source.

The law, in cents from the day the strings went on, with t in days:

    settling * (1 - e^{-t/8}) / (1 - e^{-30/8})
    + sum over adjustments of step * (1 + 0.2 (1 - e^{-(t - t_k)/1.5}))
    + humidity_slope * (lagged humidity - 45) + temperature_slope * (temperature - 20)
    + seating, drawn anew each time the instrument is put back or retuned

Main air note: 600 log2(T2/T1) cents, 2.95 cents a kelvin at 20 C, times 0.9 as its walls move too.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta, timezone

import numpy as np

from resonance.sets.instrument import Instrument
from resonance.sets.setup import Adjustment, Bridge, Fittings, Post, Setup, String, Tail

SEED = 405
ZONE = timezone(timedelta(hours=1))
STRUNG = datetime(2026, 3, 2, 12, 0, tzinfo=ZONE)
SETTLING_DAYS = 8.0
AFTER_STEP = 0.2
AFTER_STEP_DAYS = 1.5
MOISTURE_DAYS = 3.0  # lag of the wood behind the air
REFERENCE_HUMIDITY, REFERENCE_TEMPERATURE = 45.0, 20.0
SEATING_CENTS = {"untouched": 1.0, "put back": 3.0, "slackened and retuned": 4.5}
DAMPING_PER_PERCENT = 0.004  # relative, per % of lagged humidity

BASS, TREBLE, DOWN = "bridge, bass corner", "bridge, treble corner", "bridge, straight down"
NEAR, SIDE = "close above the treble f-hole", "close above the bass f-hole"

INSTRUMENT = Instrument(
    "Demo viola (invented)",
    "viola",
    maker="nobody: invented for the demo",
    year="2026",
    body_mm=405.0,
    string_length_mm=375.0,
    notes="Invented. Every sound of this job was synthesised from known modes; see truth.json.",
)


@dataclass(frozen=True)
class TrueMode:
    """One invented resonance and what moves it; slopes in cents, unit in the name."""

    name: str
    kind: str
    frequency: float
    damping: float
    level_db: float
    settling_cents: float = -8.0
    along_cents_per_mm: float = 0.0
    across_cents_per_mm: float = 0.0
    bridge_cents: float = 0.0
    tail_cents: float = 0.0
    chin_rest_cents: float = 0.0
    humidity_cents_per_percent: float = -2.5
    temperature_cents_per_k: float = -0.3


# name, kind, Hz, damping, dB, settling, along, across, bridge, tail, chin rest, humidity, temperature
_NAMED = (
    TrueMode("tailpiece", "body", 126.0, 0.0180, -18, -2, 2, 0, 0, 85, 3, -0.5, 0.0),
    TrueMode("B-1", "body", 158.0, 0.0110, -17, -6, 3, 0, -1, 6, -4),
    TrueMode("A0", "air", 225.0, 0.0240, -1, -3, -9, 5, -1, 0, 0, -0.6, 2.66),
    TrueMode("CBR", "body", 306.0, 0.0115, -9, -12, -14, 10, -2, 1, -6),
    TrueMode("A1", "air", 336.0, 0.0150, -15, -5, -6, 4, 0, 0, 1, -0.9, 2.3),
    TrueMode("B1-", "body", 353.0, 0.0125, -3, -16, -38, 18, -3, 2, -18),
    TrueMode("B1+", "body", 424.0, 0.0115, 0, -20, -58, 32, -4, 3, -29),
    TrueMode("body 1", "body", 489.0, 0.0120, -10, -14, -22, -20, -5, 1, -11),
    TrueMode("body 2", "body", 547.0, 0.0135, -8, -15, 16, 24, -4, 0, -13),
    TrueMode("body 3", "body", 618.0, 0.0120, -11, -12, -18, 8, -6, 0, 3),
    TrueMode("body 4", "body", 702.0, 0.0140, -7, -13, -12, -15, -5, 0, -4),
    TrueMode("body 5", "body", 779.0, 0.0125, -10, -11, 20, 6, -7, 0, 2),
    TrueMode("body 6", "body", 868.0, 0.0140, -8, -12, -10, 12, -8, 0, -3),
    TrueMode("body 7", "body", 964.0, 0.0130, -9, -10, 14, -9, -9, 0, 1),
    TrueMode("body 8", "body", 1071.0, 0.0145, -8, -10, -8, 10, -10, 0, 2),
    TrueMode("body 9", "body", 1168.0, 0.0140, -10, -9, 9, 7, -12, 0, -2),
)


def _hill() -> tuple[TrueMode, ...]:
    """Background modes to 3 kHz with a swell about 2.2 kHz, the bridge hill; bridge work moves them most."""
    rng = np.random.default_rng([SEED, 1])
    frequencies = 1265.0 + np.cumsum(np.r_[0.0, rng.uniform(75.0, 130.0, 17)])
    swell = 9.0 * np.exp(-(((frequencies - 2200.0) / 350.0) ** 2))
    bridge = -15.0 - 60.0 * np.exp(-(((frequencies - 2200.0) / 500.0) ** 2))
    return tuple(
        TrueMode(
            f"upper {k}",
            "body",
            round(float(f), 1),
            round(float(rng.uniform(0.012, 0.020)), 4),
            round(float(-14.0 + s + rng.normal(0.0, 2.0)), 1),
            round(float(rng.normal(-8.0, 2.0)), 1),
            round(float(rng.normal(0.0, 12.0)), 1),
            round(float(rng.normal(0.0, 12.0)), 1),
            round(float(b), 1),
            chin_rest_cents=round(float(rng.normal(0.0, 2.0)), 1),
        )
        for k, (f, s, b) in enumerate(zip(frequencies, swell, bridge, strict=True), start=1)
    )


MODES = _NAMED + _hill()


@dataclass(frozen=True)
class TakePlan:
    """One recording of a sitting: places, number of taps, and the blows that go wrong (index: fault)."""

    tap_place: str = BASS
    microphone_place: str = NEAR
    count: int = 4
    faults: tuple[tuple[int, str], ...] = ()


@dataclass(frozen=True)
class Sitting:
    """One tap set as planned; `after` lists the adjustments made since the set before it."""

    number: int
    taken: datetime
    takes: tuple[TakePlan, ...]
    after: tuple[str, ...] = ()
    repeat_of: int = 0
    repeat_kind: str = ""
    remark: str = ""


def at(month: int, day: int, hour: int, minute: int = 0) -> datetime:
    """Give a time of the scenario."""
    return datetime(2026, month, day, hour, minute, tzinfo=ZONE)


ADJUSTMENTS = (
    Adjustment(
        "adj1", at(3, 4, 10, 0), "soundpost", 0.25, 0.0, "both", note="a quarter away from the bridge"
    ),
    Adjustment("adj2", at(3, 9, 10, 30), "soundpost", -0.5, 0.0, "both", note="half a mm towards the bridge"),
    Adjustment("adj3", at(3, 13, 11, 0), "bridge", note="waist and ankles thinned, 3.9 g to 3.6 g"),
    Adjustment("adj4", at(3, 26, 10, 30), "soundpost", 0.0, 0.4, "both", note="in towards the centre joint"),
    Adjustment("adj5", at(4, 9, 9, 30), "tail", note="tail cord shortened by 4 mm"),
    Adjustment(
        "adj6", at(4, 9, 11, 30), "soundpost", 0.5, 0.0, "both", note="a touch back, towards the tail"
    ),
    Adjustment("adj7", at(4, 20, 9, 0), "fitting", note="chin rest fitted, side mounted, 62 g"),
)

REMARKS = (
    (at(3, 2, 12, 0), "strung for the first time"),
    (at(3, 17, 8, 0), "heating failed: three cold days"),
    (at(3, 20, 9, 0), "heating mended; the air is warm and dry since"),
)

_TWO = (TakePlan(), TakePlan(microphone_place=SIDE))

SITTINGS = (
    Sitting(1, at(3, 2, 17, 0), (TakePlan(count=7, faults=((3, "double_hit"),)),), remark="first day"),
    Sitting(2, at(3, 4, 9, 30), (TakePlan(count=5, faults=((2, "double_hit"),)), _TWO[1])),
    Sitting(3, at(3, 4, 11, 0), (_TWO[0], TakePlan(BASS, SIDE, 5, ((1, "clipped"),))), ("adj1",)),
    Sitting(4, at(3, 9, 9, 30), (*_TWO, TakePlan(TREBLE, NEAR, 3))),
    Sitting(5, at(3, 9, 9, 50), (*_TWO, TakePlan(TREBLE, NEAR, 3)), repeat_of=4, repeat_kind="untouched"),
    Sitting(6, at(3, 9, 11, 30), (TakePlan(count=5, faults=((4, "dull"),)), _TWO[1]), ("adj2",)),
    Sitting(7, at(3, 13, 14, 0), (*_TWO, TakePlan(DOWN, NEAR, 4, ((2, "handling"),))), ("adj3",)),
    Sitting(8, at(3, 13, 14, 30), _TWO, repeat_of=7, repeat_kind="put back"),
    Sitting(
        9,
        at(3, 26, 9, 30),
        (*_TWO, TakePlan(TREBLE, NEAR, 3), TakePlan(DOWN, NEAR, 3)),
        remark="after the heating was mended",
    ),
    Sitting(10, at(3, 26, 12, 0), (TakePlan(count=5, faults=((3, "clipped"),)), _TWO[1]), ("adj4",)),
    Sitting(11, at(3, 26, 14, 0), _TWO, repeat_of=10, repeat_kind="slackened and retuned"),
    Sitting(12, at(4, 9, 11, 0), (TakePlan(count=6), _TWO[1]), ("adj5",)),
    Sitting(13, at(4, 9, 13, 0), (TakePlan(count=7, faults=((5, "double_hit"),)), _TWO[1]), ("adj6",)),
    Sitting(14, at(4, 20, 10, 0), (TakePlan(count=5), _TWO[1]), ("adj7",), remark="seven weeks"),
)


def sitting(number: int) -> Sitting:
    """Give a tap set of the scenario by its number, from 1."""
    return SITTINGS[number - 1]


# Air at the bench: days since the strings went on, temperature (C), relative humidity (%).
_AIR = np.array(
    [
        (-30.0, 20.0, 46.0),
        (0.0, 20.0, 46.0),
        (4.0, 20.5, 45.0),
        (7.0, 20.0, 47.0),
        (11.0, 20.5, 46.0),
        (14.5, 20.0, 46.0),
        (15.5, 13.5, 55.0),
        (17.0, 12.5, 57.0),
        (18.0, 14.0, 55.0),
        (19.0, 23.0, 36.0),
        (24.0, 23.5, 34.0),
        (30.0, 22.5, 37.0),
        (36.0, 21.5, 39.5),
        (49.0, 21.0, 40.0),
    ]
)


def days(when: datetime) -> float:
    """Days since the strings went on."""
    return (when - STRUNG).total_seconds() / 86_400.0


def air(day: float) -> tuple[float, float]:
    """Temperature (C) and relative humidity (%) at the bench."""
    return float(np.interp(day, _AIR[:, 0], _AIR[:, 1])), float(np.interp(day, _AIR[:, 0], _AIR[:, 2]))


def lagged_humidity(day: float) -> float:
    """Humidity the wood feels: first-order lag of three days behind the air, %."""
    past = np.linspace(0.0, 8.0 * MOISTURE_DAYS, 2000)
    weight = np.exp(-past / MOISTURE_DAYS)
    heard = np.interp(day - past, _AIR[:, 0], _AIR[:, 2])
    return float(np.sum(weight * heard) / np.sum(weight))


def step_cents(mode: TrueMode, adjustment: Adjustment) -> float:
    """What an adjustment does to a mode at once, cents."""
    if adjustment.part == "soundpost":
        along, across = adjustment.along_mm, adjustment.across_mm
        return mode.along_cents_per_mm * along + mode.across_cents_per_mm * across
    by_part = {"bridge": mode.bridge_cents, "tail": mode.tail_cents, "fitting": mode.chin_rest_cents}
    return by_part[adjustment.part]


def drift_cents(mode: TrueMode, when: datetime) -> float:
    """Where a mode stands against the day of stringing, cents, without seating."""
    day = days(when)
    total = mode.settling_cents * (1.0 - np.exp(-day / SETTLING_DAYS)) / (1.0 - np.exp(-30.0 / SETTLING_DAYS))
    for adjustment in ADJUSTMENTS:
        if adjustment.made is not None and adjustment.made < when:
            since = days(when) - days(adjustment.made)
            later = AFTER_STEP * (1.0 - np.exp(-since / AFTER_STEP_DAYS))
            total += step_cents(mode, adjustment) * (1.0 + later)
    total += mode.humidity_cents_per_percent * (lagged_humidity(day) - REFERENCE_HUMIDITY)
    total += mode.temperature_cents_per_k * (air(day)[0] - REFERENCE_TEMPERATURE)
    return float(total)


def setup_after(adjustments: int) -> Setup:
    """How the viola stands after the first so many adjustments."""
    done = ADJUSTMENTS[:adjustments]
    posts = [a for a in done if a.part == "soundpost"]
    parts = {a.part for a in done}
    fitted = "fitting" in parts
    return Setup(
        post=Post(
            behind_mm=round(3.0 + sum(a.along_mm for a in posts), 2),
            inward_mm=round(1.0 + sum(a.across_mm for a in posts), 2),
            length_mm=64.5,
            diameter_mm=6.5,
            fit="full at both ends",
        ),
        bridge=Bridge(height_mm=36.0, mass_g=3.6 if "bridge" in parts else 3.9, lean_mm=0.0),
        strings=tuple(String(name, STRUNG, "synthetic core") for name in ("C3", "G3", "D4", "A4")),
        tail=Tail(28.0, "kevlar", 53.0 if "tail" in parts else 57.0, 62.0, 1),
        fittings=Fittings("side mounted" if fitted else "none", "bass side" if fitted else ""),
        projection_mm=33.0,
        pitch_a4=440.0,
        stage="strung",
    )
