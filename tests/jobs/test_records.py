"""Records against hand-written JSON, and round trips of whatever the types may hold (Hypothesis)."""

import json
import time
from dataclasses import fields, is_dataclass
from datetime import UTC, datetime, timedelta, timezone
from hashlib import sha256
from math import inf, isnan, nan
from typing import get_type_hints

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from resonance.changes.comparison import Comparison, ModeShift, Scatter
from resonance.changes.post import PostResponse
from resonance.errors import ShopError
from resonance.jobs.records import aware, canonical_json, digest, from_record, to_record
from resonance.modes.mode import Level, Mode, StringReading
from resonance.reasons import Fault, Reason
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Adjustment, Bridge, Fittings, Post, Setup, String, Tail
from resonance.sets.tapset import Analysis, Climate, Conditions, TapSet
from resonance.sound.recording import Recording, Take
from resonance.spectra.bands import BandLevel
from resonance.taps.tap import Tap

ANY_TEXT = st.text(st.characters(), max_size=20)  # half pairs too, as from file names of old disks
NUMBER = st.floats(allow_nan=True, allow_infinity=True)
WORD = ANY_TEXT.filter(lambda text: text not in ("inf", "-inf"))
TIME = st.datetimes(
    timezones=st.sampled_from([UTC, timezone(timedelta(hours=-3, minutes=-30))])
) | st.datetimes(datetime(1980, 1, 1), datetime(2100, 1, 1))
PLAIN = st.floats(allow_nan=False) | WORD | st.booleans() | st.integers(-(2**40), 2**40)
VALUES = st.dictionaries(ANY_TEXT, PLAIN | st.just(nan), max_size=3)


BY_TYPE = {
    float: NUMBER,
    str: ANY_TEXT,
    bool: st.booleans(),
    int: st.integers(-(2**40), 2**40),
    str | None: st.none() | ANY_TEXT,
    int | None: st.none() | st.integers(0, 9),
    float | None: st.none() | st.floats(allow_nan=False),
    bool | None: st.none() | st.booleans(),
    datetime | None: st.none() | TIME,
}


def some(kind, **given_):
    """Anything a dataclass may hold: its plain fields by type, the others as given."""
    plain = {name: BY_TYPE[hint] for name, hint in get_type_hints(kind).items() if hint in BY_TYPE}
    return st.builds(kind, **(plain | given_))


REASONS = st.lists(some(Reason, code=ANY_TEXT, values=VALUES), max_size=2).map(tuple)
FAULTS = st.lists(some(Fault, code=ANY_TEXT, values=VALUES), max_size=2).map(tuple)
BAND = st.tuples(NUMBER, NUMBER)
STRINGS = st.lists(some(StringReading, reasons=REASONS), max_size=2).map(tuple)
MODES = some(Mode, levels=st.lists(some(Level), max_size=2).map(tuple), reasons=REASONS)
RECORDINGS = some(
    Recording,
    samples=st.integers(1, 9).map(lambda n: np.zeros((0, n))),
    warnings=REASONS,
)
SETUPS = some(
    Setup,
    post=some(Post),
    bridge=some(Bridge),
    strings=st.lists(some(String), max_size=2).map(tuple),
    tail=some(Tail),
    fittings=some(Fittings),
)
ANALYSES = some(
    Analysis,
    settings=st.dictionaries(ANY_TEXT, PLAIN | st.none(), max_size=3),
    libraries=st.dictionaries(ANY_TEXT, ANY_TEXT, max_size=2),
    band=BAND,
)
TAP_SETS = some(
    TapSet,
    modes=st.lists(MODES, max_size=2).map(tuple),
    strings=STRINGS,
    takes=st.lists(some(Take, recording=RECORDINGS, channels=st.just(("sound",))), max_size=2).map(tuple),
    taps=st.lists(some(Tap, faults=FAULTS), max_size=2).map(tuple),
    bands=st.lists(some(BandLevel), max_size=2).map(tuple),
    setup=SETUPS,
    climate=some(Climate),
    conditions=some(Conditions, checks=st.dictionaries(ANY_TEXT, st.none() | st.booleans(), max_size=3)),
    analysis=ANALYSES,
    reasons=REASONS,
)
SHIFTS = some(
    ModeShift,
    before=st.none() | MODES,
    after=st.none() | MODES,
    interval_cents=BAND,
    repeatability=st.none() | some(Scatter),
    reasons=REASONS,
)


def alike(one, other):
    """Whether two values hold the same, NaN counting as NaN and a naive time as local."""
    if is_dataclass(one):
        pairs = ((getattr(one, f.name), getattr(other, f.name)) for f in fields(one))
        return type(one) is type(other) and all(alike(a, b) for a, b in pairs)
    if isinstance(one, dict):
        return one.keys() == other.keys() and all(alike(one[key], other[key]) for key in one)
    if isinstance(one, tuple):
        return (
            isinstance(other, tuple)
            and len(one) == len(other)
            and all(alike(a, b) for a, b in zip(one, other, strict=True))
        )
    if isinstance(one, np.ndarray):
        return one.shape == other.shape and bool(np.all(one == other))
    if isinstance(one, datetime):
        return aware(one) == other
    if isinstance(one, float) and isnan(one):
        return isinstance(other, float) and isnan(other)
    return type(one) is type(other) and one == other


@pytest.mark.parametrize(
    "strategy",
    [TAP_SETS, SHIFTS, SETUPS, some(Adjustment), some(Instrument)],
    ids=["tap set", "shift", "setup", "adjustment", "instrument"],
)
@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_what_is_written_is_read_back(strategy, data):
    thing = data.draw(strategy)
    text = canonical_json(to_record(thing))
    text.encode("utf-8")  # can be stored
    assert alike(thing, from_record(type(thing), json.loads(text)))


def test_a_record_reads_as_the_data_model_says():
    mode = Mode(440.0, nan, levels=(Level("bridge", "near", -3.0),), reasons=(Reason("x", {"n": 2}),))
    written = to_record(mode)
    assert written["frequency"] == 440.0
    assert written["damping"] is None
    assert written["levels"] == [
        {"tap_place": "bridge", "microphone_place": "near", "db": -3.0, "db_u": None}
    ]
    assert written["reasons"] == [{"code": "x", "values": {"n": 2}}]
    assert list(written) == [f.name for f in fields(Mode)]


def test_numpy_numbers_become_plain_ones():
    mode = Mode(
        np.float64(440.0), np.float32(0.5), n_taps=np.int64(3), reasons=(Reason("x", {"a": np.True_}),)
    )
    text = canonical_json(to_record(mode))
    assert '"frequency":440.0' in text
    assert '"damping":0.5' in text
    assert '"n_taps":3' in text
    assert '"a":true' in text


def test_infinite_and_unknown_numbers_in_an_interval():
    shift = ModeShift(None, interval_cents=(-inf, nan))
    assert to_record(shift)["interval_cents"] == ["-inf", None]
    low, high = from_record(ModeShift, to_record(shift)).interval_cents
    assert low == -inf
    assert isnan(high)


def test_samples_are_left_out_and_their_shape_is_kept():
    recording = Recording(np.ones((480, 2)), 48000.0, source="a.wav", sha256="ab")
    written = to_record(Take(recording, "bridge"))["recording"]
    assert "samples" not in written
    assert (written["n_samples"], written["n_channels"]) == (480, 2)
    assert from_record(Recording, written).samples.shape == (0, 2)


def test_keys_of_a_newer_version_are_passed_over_and_missing_ones_take_their_default():
    mode = from_record(Mode, {"frequency": 300, "damping": 0.01, "colour": "amber"})
    assert mode == Mode(300.0, 0.01)
    assert from_record(Setup, {}) == Setup()


@pytest.mark.parametrize(
    ("kind", "data", "says"),
    [
        (Mode, {"frequency": "high", "damping": 0.01}, "'high' is not a number"),
        (Mode, {"frequency": 300.0}, "'damping' is missing"),
        (Mode, {"frequency": 300.0, "damping": 0.01, "n_taps": 1.5}, "1.5 is not a whole number"),
        (Mode, {"frequency": 300.0, "damping": 0.01, "kind": 7}, "7 is not a text"),
        (Tap, {"onset": 1.0, "kept": "yes"}, "'yes' is not true or false"),
        (Adjustment, {"id": "adj1", "made": "yesterday"}, "yesterday"),
        (Mode, [1, 2], "cannot be read"),
        (Comparison, {"shifts": {"a": 1}}, "cannot be read"),
    ],
)
def test_what_does_not_fit_is_said_in_one_line(kind, data, says):
    with pytest.raises(ShopError, match=says) as caught:
        from_record(kind, data)
    assert "\n" not in str(caught.value)


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the time zone cannot be set on this system")
def test_a_naive_time_is_local(monkeypatch):
    monkeypatch.setenv("TZ", "Europe/Berlin")
    time.tzset()
    try:
        # Central European Time, UTC+1 in winter and UTC+2 in summer (EU directive 2000/84/EC).
        assert to_record(datetime(2026, 1, 15, 10, 0)) == "2026-01-15T10:00:00+01:00"
        assert to_record(datetime(2026, 7, 15, 10, 0)) == "2026-07-15T10:00:00+02:00"
        assert from_record(datetime, "2026-01-15T10:00:00").utcoffset() == timedelta(hours=1)
        assert from_record(datetime, "2026-01-15T09:00:00Z").utcoffset() == timedelta(0)
    finally:
        monkeypatch.undo()
        time.tzset()


def test_the_digest_is_of_the_canonical_text():
    # Keys sorted, no blanks: the text written by hand, its hash by hashlib.
    assert canonical_json({"b": [1, None], "a": "ä"}) == '{"a":"ä","b":[1,null]}'
    assert digest({"b": [1, None], "a": "ä"}) == sha256('{"a":"ä","b":[1,null]}'.encode()).hexdigest()
    assert digest({"b": 1, "a": 2}) == digest({"a": 2, "b": 1})


def test_nan_never_reaches_the_text():
    with pytest.raises(ValueError, match="JSON"):
        canonical_json({"a": nan})


def test_an_empty_post_response_keeps_its_shape():
    back = from_record(PostResponse, to_record(PostResponse()))
    assert back.cents_per_mm[[], 0].shape == back.intervals[[], 1, 0].shape == (0,)
