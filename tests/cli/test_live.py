"""The terminal picture of a set: what its head names at each stage."""

import io
from types import SimpleNamespace

import numpy as np
import pytest

from resonance.cli.live import Picture
from resonance.taking.level import check_level
from resonance.taking.session import Began, Checked, Move, Plan


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
