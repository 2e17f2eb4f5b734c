"""The line of a mode's damping against an envelope that falls by the closed form."""

from math import nan

import numpy as np
import pytest
from matplotlib.figure import Figure

from resonance.modes.mode import Mode
from resonance.plots.decay import draw_decay
from resonance.plots.style import AFTER, LINE

# FACTS of decay: f 460 Hz, Q 40, damping 1.25 %: 313.81 dB/s (27.288 f / Q)
MODE = Mode(460.0, 0.0125, damping_u=0.0005)
TIMES = np.linspace(0.0, 0.4, 401)
ENVELOPE = -3.0 - 313.81 * TIMES


def dashed(ax):
    return [line for line in ax.lines if line.get_color() == AFTER]


def test_the_line_lies_on_a_matching_decay():
    ax = draw_decay(TIMES, ENVELOPE, MODE, fitted=(0.02, 0.2), text="1.25 %")
    (line,) = dashed(ax)
    x, y = line.get_xdata(), line.get_ydata()
    assert (x[0], x[-1]) == pytest.approx((0.02, 0.2))
    assert y == pytest.approx(-3.0 - 313.81 * x, abs=0.02)
    assert ax.get_xlabel() == "time after the blow, s"
    assert ax.get_ylabel() == "level, dB"
    assert "1.25 %" in [text.get_text() for text in ax.texts]


def test_a_decay_that_is_slower_than_the_damping_shows():
    ax = draw_decay(TIMES, ENVELOPE / 2.0, MODE)
    (line,) = dashed(ax)
    x, y = line.get_xdata(), line.get_ydata()
    assert (y[-1] - y[0]) / (x[-1] - x[0]) == pytest.approx(-313.81, rel=1e-3)


def test_the_wedge_is_the_interval_of_the_damping():
    ax = draw_decay(TIMES, ENVELOPE, MODE)
    (wedge,) = ax.collections
    corners = wedge.get_paths()[0].vertices
    height = np.ptp(corners[np.isclose(corners[:, 0], 0.4), 1])
    # 1.96 times 0.0005 of damping is 0.0784 of 313.81 dB/s, over 0.2 s to each side, both ways
    assert height == pytest.approx(2.0 * 0.0784 * 313.81 * 0.2, rel=1e-3)


def test_without_damping_there_is_no_line_but_the_reason():
    ax = draw_decay(TIMES, ENVELOPE, Mode(460.0, nan), text="damping not shown")
    assert not dashed(ax)
    assert not ax.collections
    assert "damping not shown" in [text.get_text() for text in ax.texts]


def test_single_taps_and_noise_are_named():
    ax = draw_decay(TIMES, ENVELOPE, MODE, others=[ENVELOPE - 1.0, ENVELOPE + 1.0], noise_db=-60.0)
    assert len([line for line in ax.lines if line.get_color() == LINE]) == 2
    said = [text.get_text() for text in ax.texts]
    assert "quiet before\nthe blow" in said
    assert "measured, all taps; single taps fine" in said


def test_an_envelope_with_gaps():
    gappy = np.where(TIMES > 0.3, -np.inf, ENVELOPE)
    (line,) = dashed(draw_decay(TIMES, gappy, MODE))
    assert np.all(np.isfinite(line.get_ydata()))


def test_axes_handed_in_come_back():
    ax = Figure().add_subplot()
    assert draw_decay(TIMES, ENVELOPE, MODE, ax=ax) is ax
