"""Readings over time: values, 95 % bars, adjustments, chapters, missing readings, one span for all panels."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest
from matplotlib.figure import Figure

from resonance.plots.changes import (
    Event,
    Readings,
    TimeAxis,
    day_number,
    draw_readings,
    draw_time,
    readings_figure,
)
from resonance.units import cents

START = datetime(2025, 3, 1, 10, tzinfo=UTC)
EAST = timezone(timedelta(hours=2))
DAYS = np.array([day_number(START + timedelta(days=day)) for day in (0, 2, 5, 9)])


def readings(frequency=(460.0, 461.0, 459.5, 462.0), half=0.8, open_=(False,) * 4, text="B1−"):
    values = np.array(frequency, float)
    return Readings(text, DAYS, values, np.full(4, half), np.array(open_))


def marks(ax, marker="o"):
    return [line for line in ax.lines if line.get_marker() == marker]


def test_readings_and_bars():
    ax = draw_readings(readings())
    (dots,) = marks(ax)
    assert dots.get_ydata() == pytest.approx([460.0, 461.0, 459.5, 462.0])
    (bars,) = ax.containers
    segments = bars[2][0].get_segments()
    assert segments[0][:, 1] == pytest.approx([459.2, 460.8])
    assert ax.get_ylabel() == "Hz"


def test_an_unconfirmed_tap_set_is_an_open_mark():
    ax = draw_readings(readings(open_=(False, False, True, False)))
    faces = {line.get_markerfacecolor(): list(line.get_ydata()) for line in marks(ax)}
    assert faces["white"] == [459.5]


def test_a_reading_in_doubt_is_a_question_mark_and_joined_to_nothing():
    doubtful = replace(readings(), doubtful=np.array([False, True, False, False]))
    ax = draw_readings(doubtful)
    (asked,) = marks(ax, "$?$")
    assert (list(asked.get_xdata()), list(asked.get_ydata())) == ([DAYS[1]], [461.0])
    joined = [line for line in ax.lines if line.get_linestyle() == "-" and len(line.get_xdata()) > 1]
    assert [list(line.get_ydata()) for line in joined] == [[460.0, 459.5, 462.0]]
    assert np.concatenate([line.get_ydata() for line in marks(ax)]) == pytest.approx([460.0, 459.5, 462.0])


def test_a_missing_reading_leaves_a_cross():
    ax = draw_readings(readings((460.0, np.nan, 459.5, 462.0)))
    (crosses,) = marks(ax, "x")
    assert list(crosses.get_xdata()) == [DAYS[1]]
    assert np.concatenate([line.get_ydata() for line in marks(ax)]) == pytest.approx([460.0, 459.5, 462.0])


def test_a_reading_without_uncertainty_has_no_bar():
    ax = draw_readings(readings(half=np.nan))
    (bars,) = ax.containers
    assert all(np.ptp(segment[:, 1]) == 0.0 for segment in bars[2][0].get_segments())


def test_adjustments_are_upright_lines_dotted_when_not_confirmed():
    events = [Event(DAYS[0] + 1, "post"), Event(DAYS[1] + 1, "bridge", confirmed=False)]
    ax = draw_readings(readings(), events)
    upright = [
        line for line in ax.lines if line.get_linestyle() in ("-", ":") and len(set(line.get_xdata())) == 1
    ]
    assert [(line.get_xdata()[0], line.get_linestyle()) for line in upright] == [
        (DAYS[0] + 1, "-"),
        (DAYS[1] + 1, ":"),
    ]


def test_readings_are_not_joined_across_a_new_chapter():
    events = [Event(DAYS[1] + 1, "new strings", new_chapter=True)]
    ax = draw_readings(readings(), events)
    joins = [line for line in ax.lines if line.get_alpha() == 0.55]
    assert [list(line.get_xdata()) for line in joins] == [list(DAYS[:2]), list(DAYS[2:])]


def test_all_panels_span_the_same_interval_and_their_readings():
    wide = readings((460.0, 480.0, 459.5, 462.0))
    low = readings((275.0, 275.1, 275.2, 275.0), text="A0")
    figure = readings_figure([low, wide], [Event(DAYS[0] + 1, "post")], TimeAxis(tuple(DAYS)))
    panels = figure.axes[1:]
    spans = [float(cents(top, bottom)) for bottom, top in (panel.get_ylim() for panel in panels)]
    assert spans[0] == pytest.approx(spans[1])
    bottom, top = panels[1].get_ylim()
    assert bottom < 459.5 - 0.8
    assert top > 480.8
    assert [panel.get_title(loc="left") for panel in panels] == ["A0", "B1−"]
    assert "post" in [text.get_text() for text in figure.axes[0].texts]
    assert any("cents" in text.get_text() for text in panels[0].texts)


def test_words_of_an_unconfirmed_adjustment_say_so():
    figure = readings_figure(
        [readings()], [Event(DAYS[0] + 1, "post", confirmed=False)], TimeAxis(tuple(DAYS))
    )
    assert "post (order not confirmed)" in [text.get_text() for text in figure.axes[0].texts]


def test_time_as_dates_and_as_order():
    ax = Figure().add_subplot()
    ax.set_xlim(0.0, 3.0)
    draw_time(ax, TimeAxis((0.0, 1.0, 2.0), ("1", "2", "7"), dated=False))
    assert [text.get_text() for text in ax.get_xticklabels()] == ["1", "2", "7"]
    assert "not to scale" in ax.get_xlabel()
    dated = readings_figure([readings()], [], TimeAxis(tuple(DAYS))).axes[-1]
    dated.figure.draw_without_rendering()
    assert any("Mar" in text.get_text() for text in dated.get_xticklabels())


@pytest.mark.parametrize(
    ("hours", "label"),
    [((0, 1, 4), "time of day, 1 March 2025"), ((0, 16, 30), "date"), ((0, 48, 200), "date")],
)
def test_no_two_ticks_of_time_read_alike(hours, label):
    places = np.array([day_number(START.astimezone(EAST) + timedelta(hours=h)) for h in hours])
    one = Readings("B1−", places, np.full(3, 460.0), np.full(3, 0.8), np.zeros(3, bool))
    axis = readings_figure([one], [], TimeAxis(tuple(places))).axes[-1]
    axis.figure.draw_without_rendering()
    low, high = axis.get_xlim()
    ticks = zip(axis.get_xticks(), axis.get_xticklabels(), strict=True)
    said = [text.get_text() for place, text in ticks if low <= place <= high]
    days = np.cumsum(["Mar" in text for text in said])  # an hour belongs to the date on its left
    assert len(set(zip(days, said, strict=True))) == len(said) >= 3
    assert axis.get_xlabel() == label
    if "time" in label:
        assert said[0] in ("12:00", "12:30")  # the first tap set was at 12:00 on the clock on the wall


def test_texts_of_the_strip_stay_inside_the_figure():
    long = "Soundpost 0.25 mm away from the bridge, and the maker had very much more to say about it " * 2
    events = [Event(day + 0.5, long) for day in DAYS]
    figure = readings_figure([readings()], events, TimeAxis(tuple(DAYS)))
    figure.draw_without_rendering()
    renderer = figure._get_renderer()
    boxes = [text.get_window_extent(renderer) for text in figure.axes[0].texts]
    assert len(boxes) == 3 * len(DAYS)  # a number at each line, and a number and the words in the list
    for k, box in enumerate(boxes):
        assert box.x0 >= 0.0
        assert box.x1 <= figure.bbox.x1
        assert box.y1 <= figure.bbox.y1
        assert not any(box.overlaps(other) for other in boxes[k + 1 :])
    assert figure.axes[1].get_window_extent(renderer).width > 0.75 * figure.bbox.width
