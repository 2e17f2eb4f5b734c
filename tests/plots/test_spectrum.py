"""What is drawn of spectra and modes: lines, intervals, labels, refused taps, joined modes."""

from itertools import pairwise
from math import nan

import numpy as np
import pytest
from matplotlib.figure import Figure

from resonance.changes.comparison import ModeShift
from resonance.modes.mode import Mode
from resonance.plots.spectrum import Curve, draw_before_after, draw_spectrum
from resonance.plots.style import AFTER, BEFORE, FAINT, INK

FREQUENCIES = np.arange(20.0, 2000.0, 0.5)


def a_curve(*peaks, level=0.0, text=""):
    power = sum(1.0 / (1.0 + ((FREQUENCIES - peak) / 6.0) ** 2) for peak in peaks) + 1e-4
    return Curve(FREQUENCIES, level + 10.0 * np.log10(power), text)


def a_mode(frequency, u=0.25, kind="body"):
    return Mode(frequency, 0.012, frequency_u=u, kind=kind)


def solid_lines(ax, colour):
    return [line for line in ax.lines if line.get_color() == colour and len(line.get_xdata()) > 10]


def test_the_spectrum_is_drawn_as_it_came():
    ax = draw_spectrum(a_curve(275.0, 460.0), band=(100.0, 1000.0))
    (line,) = solid_lines(ax, AFTER)
    x, y = line.get_xdata(), line.get_ydata()
    assert (x[0], x[-1]) == (100.0, 1000.0)
    assert y[np.argmin(abs(x - 460.0))] == pytest.approx(0.0, abs=0.05)
    assert ax.get_xlabel() == "frequency, Hz"
    assert ax.get_ylabel() == "level, dB"
    assert ax.get_xlim() == (100.0, 1000.0)


def test_modes_carry_their_interval_and_label():
    modes = [a_mode(275.0, 0.5), a_mode(460.0), a_mode(990.0), a_mode(1500.0), a_mode(600.0, nan)]
    labels = ["A0?", "B1−", "high", "outside", "no u"]
    ax = draw_spectrum(a_curve(275.0, 460.0), modes, labels=labels, band=(100.0, 1000.0))
    bars = [bar for bar in ax.containers if bar.has_xerr]
    ends = sorted(tuple(bar[2][0].get_segments()[0][:, 0]) for bar in bars)
    assert ends[0] == pytest.approx((275.0 - 0.98, 275.0 + 0.98), abs=0.001)  # 1.96 u
    assert len(bars) == 3
    assert len(ax.containers) == 4
    shown = [text.get_text() for text in ax.texts]
    assert shown == ["A0?", "B1−", "no u", "high"]


def test_labels_without_words_are_frequencies():
    ax = draw_spectrum(a_curve(275.0), [a_mode(275.04)])
    assert [text.get_text() for text in ax.texts] == ["275.0 Hz"]


def test_strings_and_hum_are_open_and_faint():
    ax = draw_spectrum(a_curve(275.0), [a_mode(196.0, kind="string"), a_mode(275.0)])
    faces = [bar[0].get_markerfacecolor() for bar in ax.containers]
    assert faces == ["white", INK]
    assert [text.get_color() for text in ax.texts] == [FAINT, INK]


def test_close_labels_do_not_overlap():
    modes = [a_mode(f) for f in (440.0, 443.0, 446.0, 449.0)]
    ax = draw_spectrum(a_curve(440.0), modes)
    ax.figure.draw_without_rendering()
    renderer = ax.figure._get_renderer()
    boxes = sorted((text.get_window_extent(renderer) for text in ax.texts), key=lambda box: box.x0)
    assert all(left.x1 <= right.x0 for left, right in pairwise(boxes))


def test_labels_stay_inside_the_axes():
    modes = [a_mode(f) for f in (62.0, 300.0, 1190.0)]
    labels = ["B1−? 1190.0 ± 1.2 Hz, and a good deal more"] * 3
    ax = draw_spectrum(a_curve(300.0), modes, labels=labels)
    ax.figure.draw_without_rendering()
    renderer = ax.figure._get_renderer()
    inside = ax.get_window_extent(renderer)
    for text in ax.texts:
        box = text.get_window_extent(renderer)
        assert box.y1 <= inside.y1 + 1.0
        assert box.x1 <= inside.x1 + 4.0
        assert text.get_text().startswith("B1−")
        assert text.get_text().endswith("and a good deal more")


def test_refused_taps_are_thin_dashed_and_named():
    refused = [
        a_curve(275.0, level=-8.0, text="tap 3 refused"),
        a_curve(275.0, level=-9.0, text="tap 4 refused"),
    ]
    ax = draw_spectrum(a_curve(275.0), refused=refused)
    thin = [line for line in ax.lines if line.get_linewidth() == 0.6 and line.get_linestyle() == "--"]
    assert len(thin) == 2
    assert {text.get_text() for text in ax.texts} == {"tap 3 refused", "tap 4 refused"}
    low, high = sorted(text.get_position()[1] for text in ax.texts)
    assert high - low > 0.04


def shifts():
    return [
        ModeShift("m1", before=a_mode(275.0), after=a_mode(275.2), verdict="no change seen"),
        ModeShift("m2", before=a_mode(460.0), after=a_mode(466.0), verdict="moved"),
        ModeShift("m3", before=a_mode(700.0), after=None, verdict="not found"),
        ModeShift("m4", before=None, after=a_mode(800.0), verdict="appeared"),
        ModeShift("m5", before=a_mode(1500.0), after=a_mode(1501.0), verdict="moved"),
    ]


def test_before_and_after_differ_by_line_and_never_cross():
    ax = draw_before_after(a_curve(275.0, 460.0), a_curve(275.0, 466.0, level=9.0), shifts())
    (before,), (after,) = solid_lines(ax, BEFORE), solid_lines(ax, AFTER)
    assert before.get_linestyle() == "--"
    assert after.get_linestyle() == "-"
    grid = np.linspace(200.0, 1000.0, 900)
    gap = np.interp(grid, *before.get_data()) - np.interp(grid, *after.get_data())
    assert gap.min() > 10.0
    assert {"before", "after", "20 dB"} <= {text.get_text() for text in ax.texts}
    assert len(ax.get_yticks()) == 0


def test_matched_modes_are_joined_and_lone_ones_open():
    ax = draw_before_after(a_curve(275.0, 460.0), a_curve(275.0, 466.0), shifts())
    joins = [line for line in ax.lines if line.get_marker() == "o"]
    assert [tuple(line.get_xdata()) for line in joins] == [(275.0, 275.2), (460.0, 466.0), (700.0,), (800.0,)]
    assert joins[1].get_linewidth() > joins[0].get_linewidth()
    assert [line.get_linestyle() for line in joins[:2]] == [":", "-"]
    assert [line.get_markerfacecolor() for line in joins] == [INK, INK, "white", "white"]
    assert len(ax.containers) == 6  # a bar for every dot
    weights = {text.get_text(): text.get_weight() for text in ax.texts}
    assert weights["460.0 → 466.0 Hz"] == "bold"
    assert weights["275.0 → 275.2 Hz"] == "normal"
    assert "1500.0 → 1501.0 Hz" not in weights


def test_levels_that_are_not_numbers_do_no_harm():
    broken = Curve(FREQUENCIES, np.where(FREQUENCIES < 300.0, -np.inf, -20.0))
    ax = draw_spectrum(broken, [a_mode(460.0)])
    assert np.all(np.isfinite(ax.get_ylim()))


def test_axes_handed_in_come_back():
    ax = Figure().add_subplot()
    assert draw_spectrum(a_curve(275.0), ax=ax) is ax
    other = Figure().add_subplot()
    assert draw_before_after(a_curve(275.0), a_curve(275.0), ax=other) is other
