"""The terminal picture of a set: what its head names at each stage."""

import io
import os
import sys
from types import SimpleNamespace

import numpy as np
import pytest

from resonance.cli.live import Picture, calm_libraries, whole_screen
from resonance.taking.level import check_level
from resonance.taking.session import Began, Checked, Dropped, Judged, Move, Plan
from resonance.taps.tap import Tap


def drawn(event, *, take, stage):
    out = io.StringIO()
    picture = Picture(SimpleNamespace(), stream=out, title="viola", wanted=4, n_places=2)
    plan = Plan(microphone_places=("bridge side", "tail side"))
    picture.show(
        event, SimpleNamespace(plan=plan, take=take, stage=stage, meter_dbfs=-50.0, sample_rate=48e3)
    )
    return out.getvalue()


@pytest.mark.parametrize(
    ("event", "take", "stage", "place", "count"),
    [
        (Began(0, 0), 0, "listening", "bridge side", "place 1 of 2"),
        (Move("tail side", 1), 0, "moving", "tail side", "place 2 of 2"),  # where it is to go
        (Began(1, 99), 1, "listening", "tail side", "place 2 of 2"),
    ],
)
def test_the_head_names_the_place_the_microphone_is_wanted_at(event, take, stage, place, count):
    head = drawn(event, take=take, stage=stage).split("\x1b[K")[0]
    assert f"microphone: {place}" in head
    assert count in head


def test_the_note_that_no_sound_came_goes_when_sound_comes():
    picture = Picture(SimpleNamespace(), stream=io.StringIO(), title="viola", wanted=4, n_places=1)
    level = check_level(np.zeros(48000), 48000.0)
    session = SimpleNamespace(plan=Plan(), take=0, stage="listening", meter_dbfs=-np.inf, sample_rate=48e3)
    picture.show(Checked(level), session)
    assert any("No sound" in line for line in picture._drawn)
    picture.show(Began(0, 0), session)
    assert any("No sound" in line for line in picture._drawn)
    session.meter_dbfs = -60.0
    picture.show(Began(0, 0), session)
    assert not any("No sound" in line for line in picture._drawn)


def picture_of(**options):
    settings = {"title": "viola", "wanted": 4, "n_places": 2} | options
    return Picture(SimpleNamespace(), stream=io.StringIO(), **settings)


def at(stage, *, take=0):
    plan = Plan(microphone_places=("bridge side", "tail side"))
    return SimpleNamespace(plan=plan, take=take, stage=stage, meter_dbfs=-50.0, sample_rate=48e3)


def test_cautions_stand_until_the_first_verdict():
    picture = picture_of(cautions=("Never on varnish.",))
    picture.show(Began(0, 0), at("listening"))
    assert "Never on varnish." in picture._drawn
    picture.show(Judged(Tap(1.0), 1), at("listening"))
    assert "Never on varnish." not in picture._drawn


def test_the_keys_that_count_stand_last_however_low_the_terminal_is(monkeypatch):
    for rows in (24, 18, 12):
        monkeypatch.setattr("resonance.cli.live.shutil.get_terminal_size", lambda *_, rows=rows: (80, rows))
        picture = picture_of(cautions=tuple(f"Caution {k}, " * 6 for k in range(9)))
        picture.show(Began(0, 0), at("listening"))
        assert len(picture._drawn) <= rows - 1
        assert picture._drawn[-1] == "d: take the last tap back    q: finish"
        picture.show(Move("tail side", 1), at("moving"))
        assert picture._drawn[-1].startswith("space: the microphone has moved")


def test_a_tap_taken_back_while_the_microphone_moves_leaves_said_what_is_to_be_done():
    picture = picture_of()
    picture.show(Move("tail side", 1), at("moving"))
    large = picture._drawn[2:7]
    picture.show(Dropped(Tap(1.0), 3), at("moving"))
    assert picture._drawn[2:7] == large
    said = " ".join(picture._drawn)
    assert "Taken back; 3 of 4 left." in said
    assert "Move the microphone to: tail side." in said


def test_only_lines_that_changed_are_written_and_a_new_size_draws_all_anew(monkeypatch):
    picture = picture_of()
    picture.show(Began(0, 0), at("listening"))
    picture._stream.truncate(0)
    picture.show(Began(0, 0), at("listening"))
    assert picture._stream.getvalue() == ""
    louder = at("listening")
    louder.meter_dbfs = -20.0
    picture.show(Began(0, 0), louder)
    assert picture._stream.getvalue().count("\x1b[K") == 1
    monkeypatch.setattr("resonance.cli.live.shutil.get_terminal_size", lambda *_: (60, 20))
    picture.show(Began(0, 0), louder)
    assert "\x1b[2J" in picture._stream.getvalue()
    assert max(map(len, picture._drawn)) <= 60 + len("\x1b[32m\x1b[0m")


def test_what_is_said_while_the_picture_stands_is_said_after_it(capsys):
    out = io.StringIO()
    with whole_screen(out):
        print("a warning", file=sys.stderr)
        assert capsys.readouterr().err == ""
    assert capsys.readouterr().err == "a warning\n"
    assert out.getvalue().endswith("\x1b[?1049l")


def test_what_libraries_print_by_themselves_is_kept_off_the_screen(capfd):
    with calm_libraries():
        os.write(2, b"ALSA lib pcm.c: underrun\n")
        print("a message", file=sys.stderr, flush=True)
    os.write(2, b"after\n")
    assert capfd.readouterr().err == "a message\nafter\n"
