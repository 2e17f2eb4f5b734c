"""Before a set is taken: what is prefilled, asked and said; no terminal, no microphone."""

import os
import sys
import time
from dataclasses import replace
from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
import pytest

from resonance.cli import beforehand
from resonance.cli.main import build_parser
from resonance.cli.options import UsageError
from resonance.errors import ResonanceError
from resonance.jobs.job import Job
from resonance.sets.instrument import Instrument
from resonance.sets.tapset import CHECKS, Climate, Conditions, TapSet
from resonance.sound.recording import Recording, Take


def given(*words):
    return build_parser().parse_args(["take", "fiddle", *words])


def job(*sets, piece="whole"):
    return Job("fiddle", Instrument("fiddle", piece=piece), sets=sets)


def last_set(**conditions):
    sound = Recording(np.zeros((0, 1)), 48_000.0)
    takes = tuple(Take(sound, "treble corner", place) for place in ("near", "side"))
    taken = datetime(2026, 3, 2, tzinfo=UTC)
    return TapSet("set1", taken, (), takes=takes, conditions=Conditions(**conditions))


@pytest.fixture
def answers(monkeypatch):
    """Answers typed one after another; what is asked is gathered in the list that comes back."""

    def typed(*lines):
        left, asked = list(lines), []

        def ask(question):
            asked.append(question)
            return left.pop(0)

        monkeypatch.setattr(beforehand, "_ask", ask)
        monkeypatch.setattr(beforehand.screen, "can_ask", lambda: True)
        return asked

    return typed


def test_conditions_are_as_last_time_unless_said():
    last = last_set(holding="cradle", string_damping="felt", tapper="Ann", microphone="old", remark="hot")
    found = beforehand.conditions_before(given("--holding", "lap"), job(last), "new")
    assert found == Conditions(holding="lap", string_damping="felt", tapper="Ann", microphone="new")


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ((), ("treble corner", ("near", "side"))),
        (("--places", "1"), ("treble corner", ("near",))),
        (("--mic", "above"), ("treble corner", ("above",))),
        (("--mic", "above", "--places", "2"), ("treble corner", ("above", "near"))),
        (("--place", "bass corner", "--places", "3"), ("bass corner", ("near", "side", "treble f-hole"))),
    ],
)
def test_places_are_as_last_time_unless_said(words, expected):
    assert beforehand.places_before(given(*words), job(last_set())) == expected


def test_places_of_a_first_set_and_of_a_plate():
    assert beforehand.places_before(given(), job()) == ("bass corner", ("treble f-hole", "bass side"))
    assert beforehand.places_before(given(), job(piece="top")) == ("", ("above",))


def test_more_places_named_than_asked_for_are_refused():
    with pytest.raises(UsageError, match="given 2 times for 1 places"):
        beforehand.places_before(given("--places", "1", "--mic", "a", "--mic", "b"), job())


def confirmed(one, conditions=Conditions(), climate=Climate()):  # noqa: B008
    return beforehand.confirmed(one, conditions, climate, "bass corner", ("near", "side"))


def test_two_keys_confirm_all(answers, capsys):
    asked = answers("", "y")
    conditions, climate, tap_place, places = confirmed(job(), Conditions(holding="cradle"))
    assert len(asked) == 2
    assert dict(conditions.checks) == dict.fromkeys(CHECKS, True)
    assert (climate, tap_place, places) == (Climate(), "bass corner", ("near", "side"))
    shown = capsys.readouterr().out
    assert "cradle" in shown
    assert "near then side" in shown


@pytest.mark.parametrize(
    ("text", "air"),
    [
        ("21 45", (21.0, 45.0)),
        ("21,5  44", (21.5, 44.0)),
        ("21.5 °C, 45 %", (21.5, 45.0)),
        ("19", (19.0, None)),
        ("-2 80", (-2.0, 80.0)),
    ],
)
def test_typing_the_air_confirms_the_rest(answers, text, air):
    asked = answers(text, "y")
    _, climate, _, _ = confirmed(job(), climate=Climate(15.0, 30.0, 2.0))
    assert (climate.temperature_c, climate.humidity_percent, climate.hours_in_room) == (*air, 2.0)
    assert len(asked) == 2


@pytest.mark.parametrize("text", ["x", "hello", "210 45", "21 145", "21 45 3", "70 F"])
def test_what_is_no_air_is_asked_again(answers, text, capsys):
    answers(text, "", "")
    _, climate, _, _ = confirmed(job())
    assert climate == Climate()
    assert f"'{text}' is neither" in capsys.readouterr().err


def test_each_line_can_be_changed(answers):
    answers("c", "lap", "", "Ben", "treble corner", "", "over there", "20 40", "", "n", "y", "n", "", "y")
    conditions, climate, tap_place, places = confirmed(job(), Conditions(string_damping="felt"))
    assert (conditions.holding, conditions.string_damping, conditions.tapper) == ("lap", "felt", "Ben")
    assert (tap_place, places) == ("treble corner", ("near", "over there"))
    assert climate == Climate(20.0, 40.0)
    assert [conditions.checks[check] for check in CHECKS] == [True, False, None, True]


def test_checks_that_were_answered_are_not_asked_again(answers):
    asked = answers("")
    all_well = dict.fromkeys(CHECKS, True)
    conditions, _, _, _ = confirmed(job(), Conditions(checks=all_well))
    assert len(asked) == 1
    assert dict(conditions.checks) == all_well


def test_what_differs_from_the_last_set_is_said(answers, capsys):
    answers("", "")
    confirmed(job(last_set(holding="cradle")), Conditions(holding="lap"))
    shown = " ".join(capsys.readouterr().out.split())
    assert "Other than in tap set 1" in shown
    assert "cradle" in shown
    assert "bass corner" in shown


def test_nobody_there_is_asked_nothing(monkeypatch, capsys):
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(isatty=lambda: False))
    conditions, _, _, _ = confirmed(job(), Conditions(holding="cradle"))
    assert conditions == Conditions(holding="cradle")
    assert capsys.readouterr().err == ""


def test_the_air_comes_from_the_loggers_file_unless_typed(tmp_path, capsys):
    log = tmp_path / "log.csv"
    log.write_text("time;Temperatur;Feuchte\n1;19,0;40\n2;21,4;45,5\n")
    found = beforehand.air(given("--climate-file", str(log)))
    assert found == Climate(21.4, 45.5)
    assert capsys.readouterr().err == ""
    both = beforehand.air(given("--climate-file", str(log), "--humidity", "50", "--hours-in-room", "3"))
    assert both == replace(found, humidity_percent=50.0, hours_in_room=3.0)
    old = time.time() - 5.0 * 3600.0
    os.utime(log, (old, old))
    beforehand.air(given("--climate-file", str(log)))
    assert "last written 5 hours ago" in capsys.readouterr().err


def test_a_loggers_file_that_is_not_there_is_one_line(tmp_path):
    with pytest.raises(ResonanceError, match=r"log\.csv cannot be read: No such file"):
        beforehand.air(given("--climate-file", str(tmp_path / "log.csv")))
