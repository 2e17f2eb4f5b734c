"""What is drawn of histories and of the post."""

import numpy as np
import pytest

from resonance.plots.changes import Event, Readings, TimeAxis, readings_figure
from resonance.plots.history import Fitted, Noted
from resonance.plots.post import Slopes, post_sketch

PLACES = np.array([0.0, 1.0, 2.0, 3.0])


def readings():
    hertz = np.array([460.0, 459.0, 455.0, 454.5])
    return Readings("B1−", PLACES, hertz, np.full(4, 0.5), np.zeros(4, bool))


def test_the_course_its_band_and_what_was_noted_below():
    at = np.array([0.0, 1.5, 1.5, 3.0])
    course = Fitted(at, np.array([460.0, 459.0, 455.5, 454.0]), np.full(4, 1.0), np.array([2.0]))
    noted = Noted("Humidity at the bench", "%", PLACES, np.array([45.0, np.nan, 40.0, 38.0]))
    figure = readings_figure(
        [readings()], [Event(1.5, "post moved")], TimeAxis(tuple(PLACES)), courses=[[course]], below=[noted]
    )
    _, panel, low = figure.axes
    drawn = [
        line for line in panel.lines if len(line.get_xdata()) == 4 and np.array_equal(line.get_xdata(), at)
    ]
    assert np.array_equal(drawn[0].get_ydata(), course.frequency)
    (band,) = [c for c in panel.collections if type(c).__name__.startswith(("FillBetween", "Poly"))]
    ends = band.get_paths()[0].vertices[:, 1]
    assert (ends.min(), ends.max()) == (453.0, 461.0)
    assert any(list(line.get_xdata()) == [2.0] and line.get_marker() == "o" for line in panel.lines)
    assert list(low.lines[0].get_ydata()) == [45.0, 40.0, 38.0]
    assert low.get_ylabel() == "%"
    assert low.get_title(loc="left") == "Humidity at the bench"
    assert any(list(line.get_xdata()) == [1.5, 1.5] for line in low.lines)


def test_a_wide_band_stays_inside_its_panel_and_all_panels_span_the_same_cents():
    at = np.array([0.0, 3.0])
    wide = Fitted(at, np.array([459.0, 470.0]), np.array([2.0, 14.0]), np.zeros(0))
    other = Fitted(at, np.array([459.0, 455.0]), np.array([1.0, 1.0]), np.zeros(0))
    figure = readings_figure([readings(), readings()], [], TimeAxis(tuple(PLACES)), courses=[[wide], [other]])
    low, high = figure.axes[1].get_ylim()
    assert low < 454.0 < 484.0 < high
    spans = [np.log2(panel.get_ylim()[1] / panel.get_ylim()[0]) for panel in figure.axes[1:3]]
    assert spans[0] == pytest.approx(spans[1], rel=0.01)


def test_remarks_are_lettered_under_the_adjustments_without_a_line_through_the_panels():
    figure = readings_figure(
        [readings()], [Event(1.5, "post moved")], TimeAxis(tuple(PLACES)), remarks=[Event(2.5, "“darker”")]
    )
    strip, panel = figure.axes
    told = {text.get_text(): text.get_position() for text in strip.texts}
    assert {"1", "post moved", "a", "“darker”"} <= told.keys()
    assert told["“darker”"][1] < told["post moved"][1]
    assert not any(list(line.get_xdata()) == [2.5, 2.5] for line in panel.lines)


def test_the_post_with_what_is_known_and_what_is_not():
    places = np.array([[0.0, 0.0], [0.25, 0.0], [0.25, 0.5]])
    slopes = Slopes(
        "moved away", ["B1−", "B1+", "CBR"], np.array([-10.0, 4.0, np.nan]), np.array([-15.0, -9.0, np.nan]),
        np.array([-5.0, 17.0, np.nan]), np.array([True, False, False]),
    )  # fmt: skip
    figure = post_sketch(places, 0.2, [slopes], title="3 moves", note="filled: known")
    where, what = figure.axes
    assert [text.get_text() for text in where.texts] == ["first", "1", "now"]
    ring = next(line for line in where.lines if len(line.get_xdata()) == 60)
    assert np.ptp(ring.get_ydata()) == pytest.approx(2 * 1.96 * 0.2, rel=0.01)
    low, high = where.get_xlim()
    assert low <= min(ring.get_xdata())
    assert max(ring.get_xdata()) <= high
    marks = {line.get_xdata()[0]: line for line in what.lines if line.get_marker() in ("o", "x")}
    assert marks[-10.0].get_markerfacecolor() != "white"
    assert marks[4.0].get_markerfacecolor() == "white"
    assert marks[0.0].get_marker() == "x"
    assert [tick.get_text() for tick in what.get_yticklabels()] == ["B1−", "B1+", "CBR"]


def test_before_three_moves_only_the_places_are_drawn():
    figure = post_sketch(np.zeros((1, 2)), 0.2, [], title="0 moves")
    assert len(figure.axes) == 1
