"""The drawing of holding, tap and microphone places: words that are known stand where they belong."""

from dataclasses import replace

import numpy as np
import pytest

from resonance.plots.places import BRIDGE
from resonance.plots.style import figure_svg
from resonance.report.places import places_drawing, places_picture
from resonance.sets.instrument import Instrument
from resonance.sets.tapset import Conditions, TapSet
from resonance.sound.recording import Recording, Take

VIOLIN = Instrument("x")


def a_set(*places, holding="cradle"):
    bare = Recording(np.zeros((0, 1)), 48000.0)
    takes = tuple(Take(bare, tap, heard) for tap, heard in places)
    return TapSet("set1", None, (), takes=takes, conditions=Conditions(holding=holding))


def texts(figure):
    return [text.get_text().replace("\n", " ") for axes in figure.axes for text in axes.texts]


def dots(axes):
    return {tuple(float(v[0]) for v in line.get_data()) for line in axes.lines if line.get_marker() == "o"}


def test_known_places_are_drawn_where_they_are():
    figure, caption = places_drawing(VIOLIN, a_set(("bridge, bass corner", "treble f-hole")))
    body, bridge = figure.axes
    found = dots(body)
    assert any(x < 0.0 and y == pytest.approx(BRIDGE) for x, y in found)  # the bass side is at the left
    assert any(x > 0.1 for x, y in found)
    said = texts(figure)
    assert {"tap: bridge, bass corner", "microphone: treble f-hole", "held: cradle"} <= set(said)
    assert "bass side" in [text.get_text() for text in bridge.texts]
    assert "Not drawn" not in caption


def test_places_that_nobody_knows_are_told_and_not_guessed():
    figure, caption = places_drawing(
        VIOLIN, a_set(("on the button", "from the ceiling"), holding="in a tree")
    )
    assert dots(figure.axes[0]) == set()
    words = (
        "Not drawn, since only its words are known: tap at on the button and microphone at from the ceiling"
    )
    assert words in caption
    assert not [text for text in texts(figure) if "tree" in text]


def test_a_plate_has_neither_bridge_nor_neck():
    plate = replace(VIOLIN, piece="top")
    figure, _ = places_drawing(plate, a_set(("middle", "above"), holding="between finger and thumb"))
    (body,) = figure.axes
    assert dots(body) == {(0.0, 0.5)}
    assert body.get_ylim()[1] < 1.2


def test_the_picture_is_the_same_every_time():
    one, two = (places_picture(VIOLIN, a_set(("treble corner", "bass f-hole"))) for _ in range(2))
    assert one.svg == two.svg
    assert one.place == "repeat"
    odd = places_drawing(VIOLIN, a_set(("bridge <b>$x_ 上", "treble f & hole")))[0]
    assert "<b>" not in figure_svg(odd)
