"""The standard figures: what is drawn of a job, in whose words, and that hostile words do no harm."""

from dataclasses import replace

import numpy as np
import pytest

from resonance.jobs.job import Entry
from resonance.modes.mode import Level, Mode
from resonance.plots.spectrum import Curve
from resonance.plots.style import figure_svg
from resonance.reasons import Reason
from resonance.report.pictures import (
    before_after,
    before_after_picture,
    mode_decay,
    readings_over_time,
    readings_picture,
    set_spectrum,
    set_spectrum_picture,
)
from resonance.sets.setup import Adjustment

FREQUENCIES = np.arange(20.0, 1500.0, 1.0)


def a_curve(level=0.0):
    return Curve(FREQUENCIES, level - 10.0 - 5.0 * np.cos(FREQUENCIES / 40.0))


def a_mode(frequency, **more):
    return Mode(frequency, 0.012, frequency_u=0.3, frequency_dof=7.0, kind="body", **more)


def texts(figure):
    found = [text.get_text() for axes in figure.axes for text in axes.texts]
    return found + [axes.get_title(loc="left") for axes in figure.axes]


def lines_at(axes):
    """Places of the upright lines of a panel, with their styles."""
    lines = [line for line in axes.lines if line.get_marker() in ("None", "")]
    upright = [line for line in lines if len(line.get_xdata()) == 2 and len(set(line.get_xdata())) == 1]
    return [(float(line.get_xdata()[0]), line.get_linestyle()) for line in upright]


def test_readings_over_time_have_a_panel_a_track_and_a_line_an_adjustment(job):
    figure = readings_over_time(job)
    _, *panels = figure.axes
    assert len(panels) == 6
    assert [style for _, style in lines_at(panels[0])] == ["-", ":"]
    said = texts(figure)
    assert "Soundpost 0.25 mm away from the bridge and 0.1 mm out at the top end" in said
    assert "Bridge: waist thinned (order not confirmed)" in said
    assert "B1−, lower main body note" in said
    assert "B1+?, upper main body note" in said
    marks = [line for line in panels[2].lines if line.get_marker() == "D"]
    drawn = np.sort(np.concatenate([line.get_ydata() for line in marks]))
    assert drawn == pytest.approx([352.6, 354.7, 354.9])


def test_guessed_names_stay_out_of_the_customers_figure(job):
    said = texts(readings_over_time(job, guesses=False))
    assert not [text for text in said if "?" in text]
    assert "near 444 Hz" in said


def test_dates_that_contradict_the_order_make_an_axis_of_order(job):
    dated = readings_over_time(job).axes[-1]
    assert dated.get_xlabel() == "date"
    first, second, third = job.sets
    swapped = replace(job, sets=(replace(first, taken=third.taken), second, third))
    for odd in (swapped, replace(job, sets=(replace(first, taken=None), second, third), timeline=())):
        axes = readings_over_time(odd).axes[-1]
        assert "in the order they were made" in axes.get_xlabel()
        assert lines_at(axes)[0][0] == pytest.approx(0.5)


def test_a_job_with_one_set_has_no_readings_over_time(job):
    assert readings_over_time(replace(job, sets=job.sets[:1])) is None
    assert readings_picture(replace(job, sets=())) is None


def test_before_and_after_name_what_moved(job, comparisons):
    axes = before_after(job, comparisons[0], a_curve(), a_curve(3.0))
    said = {text.get_text(): text.get_weight() for text in axes.texts}
    assert said["B1− 352.6 → 354.7 Hz"] == "bold"
    assert said["A0? 231.4 → 231.4 Hz"] == "normal"
    picture = before_after_picture(job, comparisons[0], a_curve(), a_curve())
    assert picture.key == "set1 set2"


def test_only_the_chief_modes_are_labelled(job, comparisons):
    quiet = [
        a_mode(700.0 + k, levels=(Level("bass corner", "near f-hole", -20.0 - k, 0.4),)) for k in range(30)
    ]
    crowded = replace(job.sets[0], modes=(*job.sets[0].modes, *quiet))
    said = [text.get_text() for text in set_spectrum(crowded, a_curve()).texts]
    assert len(said) == 16
    assert {"A0? 231.4 ± 1.2 Hz", "B1− 352.6 ± 0.6 Hz", "700.0 ± 0.7 Hz"} <= set(said)
    assert "729.0 ± 0.7 Hz" not in said
    assert "196.30 ± 0.05 Hz" not in said  # a string gives way


def test_refused_taps_are_drawn_as_such(job):
    refused = [a_curve(-8.0).db, a_curve(-12.0).db]
    axes = set_spectrum(job.sets[1], a_curve(), refused)
    dashed = [line for line in axes.lines if line.get_linewidth() == 0.6 and line.get_linestyle() == "--"]
    assert len(dashed) == 2
    said = [text.get_text() for text in axes.texts]
    assert "tap 9 refused:\nclipped" in said
    assert "tap 10 refused:\ndull blow" in said
    assert set_spectrum_picture(job.sets[1], a_curve(), refused).key == "set2"


def test_a_decay_is_worded(job):
    mode = job.sets[0].modes[3]
    times = np.linspace(0.0, 0.5, 200)
    db = -8.685889638 * 2.0 * np.pi * mode.frequency * mode.damping * times
    said = [text.get_text() for text in mode_decay(mode, times, db).texts]
    assert "B1− 352.6 ± 0.6 Hz\nF4 +17 cents\ndamping 1.20 ± 0.14 %, Q 42 ± 5" in said  # F4 is 349.228 Hz
    silent = replace(mode, damping=float("nan"), reasons=(Reason("record_too_short", {"needed": 0.9}),))
    said = [text.get_text() for text in mode_decay(silent, times, db).texts]
    assert any("damping not shown: a tap must ring 0.9 s" in text for text in said)


@pytest.mark.filterwarnings("error")
def test_words_that_are_no_formulas_and_letters_the_font_lacks(job):
    notes = ("cost $5_{ & <b>$", "上弦 $x$", "--> ]]> &")
    adjustments = tuple(Adjustment(f"adj{k}", None, "bridge", note=note) for k, note in enumerate(notes, 1))
    entries = tuple(Entry("adjustment", a.id) for a in adjustments)
    odd = replace(job, adjustments=adjustments, timeline=(job.timeline[0], *entries, job.timeline[2]))
    odd = replace(odd, sets=odd.sets[:2])
    figure = readings_over_time(odd)
    said = texts(figure)
    assert "Bridge: cost $5_{ & <b>$" in said
    assert "Bridge: □□ $x$" in said
    assert "<b>" not in figure_svg(figure)
