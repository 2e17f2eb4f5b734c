"""What moved, on the page: the pair asked for, the drawing against its spectra, the sounds at equal loudness.

Truth: two tap sets made from one sound, the second 6 dB softer; a peak put where it is looked for;
loudness by pyloudnorm (ITU-R BS.1770).
"""

import io
import re
import time
from dataclasses import replace

import numpy as np
import pyloudnorm
import pytest
import soundfile

from resonance.bench.chart import ALL, HIGHEST, LOWEST, Level, chart_of, fitting_stretch, stretches
from resonance.changes.comparison import ModeShift
from resonance.modes.mode import Mode
from resonance.sets.analyse import analyse_set
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Adjustment
from resonance.sound.recording import Recording, Take
from tests.bench.making import sound, tap_set
from tests.taking.making import RATE

THERE = "/job/fiddle/moved"


def softer():
    """The same taps, 6 dB softer, from a millisecond of noise on, so that it is another recording."""
    quiet = 0.5 * sound() + 1e-6 * np.random.default_rng(5).standard_normal(sound().shape)
    return Take(Recording(quiet, RATE, source="softer.wav"), "bass corner", "treble f-hole")


@pytest.fixture
def pair(shop):
    """A job with a tap set, a move of the post and a softer one."""
    shop.new_job(Instrument("fiddle"))
    shop.add_tap_set("fiddle", tap_set())
    shop.add_adjustment("fiddle", Adjustment("", part="soundpost", along_mm=0.25, across_mm=0.0))
    taken = replace(analyse_set([softer()]), modes=tap_set().modes)
    return shop.add_tap_set("fiddle", taken)


def waited(browser, path):
    """The page once the work behind it is done."""
    answer = browser.get(path)
    for _ in range(300):
        if "/work/" not in str(answer.url):
            return answer
        time.sleep(0.2)
        answer = browser.get(str(answer.url))
    raise AssertionError(answer.text)


def plain(text):
    return text.replace("\N{NO-BREAK SPACE}", " ")


def test_with_fewer_than_two_sets_it_says_what_is_needed(browser, shop):
    shop.new_job(Instrument("fiddle"))
    assert "a comparison needs two" in browser.get(THERE).text


def test_the_same_sound_twice_moves_nothing(browser, pair):
    text = plain(waited(browser, THERE).text)
    assert "no change seen" in text
    assert "0.25 mm away from the bridge" in text
    assert not re.search(r"resonances? moved", text)
    assert "What to bear in mind" in text
    assert 'class="curve before"' in text
    assert text.count("<audio") == 3
    assert " style=" not in text


def test_another_stretch_is_drawn_alone_and_on_the_page(browser, pair):
    waited(browser, THERE)
    page = browser.get(f"{THERE}?before=set1&after=set2&from=400&to=500").text
    alone = browser.get(f"{THERE}/set1/set2/spectra?from=400&to=500").text
    for text in (page, alone):
        assert "400 to 500 Hz" in text
    assert "<html" not in alone
    assert "180 to 1050 Hz" in browser.get(f"{THERE}?from=nan&to=x").text


@pytest.mark.parametrize("path", [f"{THERE}?before=set1&after=set9", f"{THERE}/set1/set2/loud.wav"])
def test_what_is_not_there(browser, pair, path):
    assert browser.get(path).status_code == 404


def test_both_are_heard_at_equal_loudness(browser, pair):
    heard = [
        soundfile.read(io.BytesIO(browser.get(f"{THERE}/set1/set2/{way}.wav").content))
        for way in ("before", "after", "turns")
    ]
    assert {rate for _, rate in heard} == {RATE}
    meter = pyloudnorm.Meter(RATE)
    levels = [meter.integrated_loudness(samples) for samples, _ in heard]
    assert levels[1] == pytest.approx(levels[0], abs=0.1)  # 6 dB apart as recorded
    assert len(heard[2][0]) == 2 * len(heard[0][0])
    slot = len(heard[0][0]) // 4
    first, second = heard[2][0][:slot], heard[2][0][slot : 2 * slot]
    np.testing.assert_allclose(first, heard[0][0][:slot], atol=1e-4)
    np.testing.assert_allclose(second, heard[1][0][:slot], atol=1e-4)


def level_with_peak(at):
    grid = np.arange(40.0, 6000.0, 0.25)
    return Level(grid, -40.0 + 40.0 / (1.0 + ((grid - at) / 0.3) ** 2))


@pytest.mark.parametrize("stretch", [ALL, (430.0, 470.0), (40.0, 6000.0)])
def test_a_peak_is_drawn_where_it_is_and_read_there(stretch):
    chart = chart_of(level_with_peak(440.0), level_with_peak(450.0), (), stretch)
    places = np.array([float(xy.split(",")[0]) for xy in chart.before[1:].split(" L")])
    heights = np.array([float(xy.split(",")[1]) for xy in chart.before[1:].split(" L")])
    share = np.log(440.0 / stretch[0]) / np.log(stretch[1] / stretch[0])
    left, right = chart.ends
    step = places[1] - places[0]
    assert places[np.argmin(heights)] == pytest.approx(left + share * (right - left), abs=1.5 * step)
    k = int(np.argmax(chart.reading.after))
    assert chart.reading.frequencies[k] == pytest.approx(450.0, rel=np.log(stretch[1] / stretch[0]) / 600)
    assert chart.reading.after[k] == pytest.approx(0.0, abs=0.3)  # no peak is lost between two points
    assert chart.reading.notes[k].startswith("A4")


def test_joins_bear_note_names_and_what_has_no_partner_is_told_apart():
    one, other = Mode(440.0, 0.01, frequency_u=0.2), Mode(445.0, 0.01, frequency_u=0.2)
    shifts = (ModeShift(None, "B1-", one, other, verdict="moved"), ModeShift(None, None, one, None))
    joins = chart_of(level_with_peak(440.0), level_with_peak(445.0), shifts, ALL).joins
    assert "A4" in joins[0].words
    assert joins[0].moved
    assert joins[1].after is None
    rows = [(j.label[0], j.label[0] + 8.0 * len(j.words), j.label[1]) for j in joins if j.words]
    assert all(a[2] != b[2] or a[1] < b[0] or b[1] < a[0] for a in rows for b in rows if a is not b)


@pytest.mark.parametrize(("low", "high"), [(0.0, 1.0), (9e9, 1.0), (440.0, 440.0), (6000.0, 6000.0)])
def test_any_stretch_asked_for_can_be_drawn(low, high):
    found = fitting_stretch(low, high)
    for a, b in (found, *stretches(found).values()):
        assert LOWEST * 0.999 <= a < b <= HIGHEST * 1.001
        assert b / a > 1.05
