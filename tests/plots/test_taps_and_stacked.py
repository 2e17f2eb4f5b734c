"""Tap quality, and spectra one above the other: what is drawn, in which order, to which scale."""

from math import nan

import numpy as np
import pytest

from resonance.plots.spectrum import Curve
from resonance.plots.stacked import STEP_DB, stacked_figure
from resonance.plots.style import AFTER
from resonance.plots.taps import TapLine, taps_figure


def test_a_used_tap_is_a_dot_and_a_refused_one_a_cross_with_its_reason():
    taps = [TapLine("tap 1", -9.0, 30.0, 2400.0), TapLine("tap 2", 0.0, 12.0, nan, False, "refused: clipped")]
    panels = taps_figure(taps, least_snr_db=15.0).axes
    marks = [(line.get_marker(), float(line.get_xdata()[0]), float(line.get_ydata()[0]))
             for line in panels[0].lines if line.get_marker() in ("o", "x")]  # fmt: skip
    assert marks == [("o", -9.0, 1.0), ("x", 0.0, 0.0)]  # the first tap stands at the top
    assert [label.get_text() for label in panels[0].get_yticklabels()] == ["tap 1", "tap 2"]
    assert "refused: clipped" in [text.get_text() for text in panels[-1].texts]
    assert len([line for line in panels[2].lines if line.get_marker() in ("o", "x")]) == 1  # not known: none
    titles = [panel.get_title(loc="left") for panel in panels]
    assert all("dB" in title or "Hz" in title for title in titles)


def test_no_tap_draws_nothing():
    assert len(taps_figure([]).axes) == 3


def test_curves_stand_one_step_apart_with_their_words():
    grid = np.arange(50.0, 1300.0, 1.0)
    curves = [
        Curve(grid, -20.0 * np.abs(np.log2(grid / f)), f"tap set {k}") for k, f in ((1, 300.0), (2, 310.0))
    ]
    (axes,) = [ax for ax in stacked_figure(curves, ["", "Bridge: thinned"]).axes]
    drawn = [line for line in axes.lines if line.get_color() == AFTER]
    tops = [float(np.max(line.get_ydata())) for line in drawn]
    assert tops == pytest.approx([0.0, -STEP_DB])
    assert [float(line.get_xdata()[np.argmax(line.get_ydata())]) for line in drawn] == [300.0, 310.0]
    said = [text.get_text() for text in axes.texts]
    assert {"tap set 1", "tap set 2", "Bridge: thinned", "20 dB"} <= set(said)
    assert axes.get_xlabel() == "frequency, Hz"
    assert list(axes.get_yticks()) == []
