"""Entries as a maker types them."""

from math import isnan

import pytest

from resonance.jobs.assign import (
    AssignError,
    apply_instrument,
    apply_setup,
    instrument_keys,
    setup_keys,
)
from resonance.jobs.settings import Settings, apply_settings, shop_folder
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Setup


@pytest.mark.parametrize(
    ("typed", "read", "value"),
    [
        ("post.behind_mm=2.5", lambda s: s.post.behind_mm, 2.5),
        ("post.behind_mm = 2,5 mm", lambda s: s.post.behind_mm, 2.5),
        ("post.behind_mm=-1", lambda s: s.post.behind_mm, -1.0),
        ("post.side=Bass", lambda s: s.post.side, "bass"),
        ("post.fit=tight = very", lambda s: s.post.fit, "tight = very"),
        ("bridge.mass_g=2.1g", lambda s: s.bridge.mass_g, 2.1),
        ("bridge.lean_mm=-0.5", lambda s: s.bridge.lean_mm, -0.5),
        ("tail.fine_tuners=1", lambda s: s.tail.fine_tuners, 1),
        ("fittings.mute_parked=yes", lambda s: s.fittings.mute_parked, True),
        ("fittings.mute_parked=No", lambda s: s.fittings.mute_parked, False),
        ("projection_mm=27", lambda s: s.projection_mm, 27.0),
        ("pitch_a4=442 Hz", lambda s: s.pitch_a4, 442.0),
        ("stage=Bar In", lambda s: s.stage, "bar in"),
        ("strings.A4.gauge_note=medium", lambda s: s.strings[0].gauge_note, "medium"),
        ("strings.a4.tension_n=55.5", lambda s: (s.strings[0].name, s.strings[0].tension_n), ("A4", 55.5)),
        ("strings.Bb3.fitted=2026-03-02", lambda s: s.strings[0].fitted.date().isoformat(), "2026-03-02"),
    ],
)
def test_an_entry_is_read(typed, read, value):
    assert read(apply_setup(Setup(), [typed])) == value


def test_entries_are_cleared_and_strings_taken_off():
    setup = apply_setup(
        Setup(), ["post.behind_mm=2", "stage=strung", "strings.A4.tension_n=55", "strings.D4.tension_n=50"]
    )
    setup = apply_setup(setup, {"post.behind_mm": "", "stage": "?", "strings.A4": ""})
    assert isnan(setup.post.behind_mm)
    assert setup.stage == ""
    assert [string.name for string in setup.strings] == ["D4"]


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        (
            "post.behnd_mm=2",
            r"no entry 'post\.behnd_mm'; did you mean post\.behind_mm.*The entries are: post\.behind_mm",
        ),
        ("behind_mm=2", r"did you mean post\.behind_mm"),
        ("strings.A4.colour=red", r"strings\.NAME\.gauge_note"),
        ("post=2", "no entry 'post'"),
        ("post.behind_mm", "is not KEY=VALUE; write for example"),
        ("post.behind_mm=far", "a number is needed"),
        ("post.behind_mm=nan", "a number is needed"),
        ("post.behind_mm=2.5 g", "a number is needed"),
        ("post.behind_mm=2500", "out of range; it lies from -50 to 100"),
        ("bridge.mass_g=-2", "out of range; it lies from 0"),
        ("pitch_a4=4420", "from 380 to 480"),
        ("stage=ready", "write one of: white, bar in, closed, varnished, strung, reopened"),
        ("post.side=left", "write one of: treble, bass"),
        ("fittings.mute_parked=perhaps", "write yes or no"),
        ("tail.fine_tuners=1.5", "whole number"),
        ("strings.A.tension_n=55", "by their note with its octave"),
        ("strings.A4=medium", r"strings\.A4\.gauge_note=medium"),
        ("strings.A4.fitted=last week", "write a date such as"),
    ],
)
def test_a_slip_is_named_with_what_would_be_right(typed, says):
    with pytest.raises(AssignError, match=says) as caught:
        apply_setup(Setup(), ["projection_mm=27", typed])
    assert "\n" not in str(caught.value)


def test_every_key_listed_is_taken_and_none_other():
    samples = {
        "side": "bass",
        "stage": "white",
        "fitted": "2026-03-02",
        "mute_parked": "no",
        "pitch_a4": "440",
    }
    for key in setup_keys():
        typed = key.replace("NAME", "A4")
        assert apply_setup(Setup(), {typed: samples.get(key.split(".")[-1], "1")}) != Setup(), key
    samples = {"family": "cello", "piece": "top"}
    for key in instrument_keys():
        changed = apply_instrument(Instrument("x"), {key: samples.get(key, "7")})
        assert changed != Instrument("x"), key


def test_an_instrument_keeps_its_name():
    with pytest.raises(AssignError, match="cannot be left empty"):
        apply_instrument(Instrument("x"), ["name="])
    with pytest.raises(AssignError, match="write one of: violin, viola, cello, bass, other"):
        apply_instrument(Instrument("x"), ["family=harp"])


def test_settings_as_typed():
    assert apply_settings(Settings(), ["mains=60", "heading=Atelier"]) == Settings("Atelier", mains=60.0)


def test_where_the_shop_is(monkeypatch, tmp_path):
    import platformdirs

    monkeypatch.setenv("RESONANCE_SHOP", str(tmp_path / "by variable"))
    assert shop_folder(tmp_path / "named") == tmp_path / "named"
    assert shop_folder() == tmp_path / "by variable"
    monkeypatch.delenv("RESONANCE_SHOP")
    monkeypatch.setattr(platformdirs, "user_data_dir", lambda *a, **k: str(tmp_path / "data"))
    assert shop_folder() == tmp_path / "data" / "shop"
