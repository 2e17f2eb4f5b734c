"""One tap set on the page: its readings, its taps heard, refused and restored, read anew."""

import io
import re
import time

import numpy as np
import pytest
import soundfile

from resonance.sets.instrument import Instrument
from tests.bench.making import N, sound, tap_set
from tests.taking.making import RATE

THERE = "/job/fiddle/set/set1"


@pytest.fixture
def kept(shop):
    shop.new_job(Instrument("fiddle"))
    return shop.add_tap_set("fiddle", tap_set())


def fields(text):
    """Take and onset of each tap's form, in order."""
    return re.findall(r'name="take" value="(\d+)"><input type="hidden" name="onset" value="([\d.]+)"', text)


def test_readings_and_every_tap_are_shown(browser, kept):
    text = browser.get(THERE).text
    assert "462.0" in text.replace("\N{NO-BREAK SPACE}", " ")
    assert "B1−?" in text
    assert len(fields(text)) == N
    assert text.count("<audio") == N
    assert "A repeat set pays now" in text


def test_a_tap_is_heard_as_it_was_recorded(browser, kept):
    answer = browser.get(f"{THERE}/tap/2.wav")
    heard, rate = soundfile.read(io.BytesIO(answer.content))
    assert rate == RATE
    first = round((kept.taps[1].onset - 0.15) * RATE)
    part = sound()[first + 1000 : first + 40_000, 0]
    assert np.corrcoef(heard[1000:40_000], part)[0, 1] > 0.9999


@pytest.mark.parametrize("number", [0, N + 1, 99])
def test_a_tap_that_is_not_there(browser, kept, number):
    assert browser.get(f"{THERE}/tap/{number}.wav").status_code == 404


def test_refuse_read_anew_restore(browser, shop, kept):
    take, onset = fields(browser.get(THERE).text)[2]
    text = browser.post(f"{THERE}/judge", data={"take": take, "onset": onset, "what": "refuse"}).text
    assert "Tap refused." in text
    assert "refused by you" in text
    assert [tap.kept for tap in shop.job("fiddle").sets[0].taps] == [True, True, False, True, True]
    assert "Read them anew" in text
    answer = browser.post(f"{THERE}/anew")
    for _ in range(200):
        if "/set/" in str(answer.url):
            break
        time.sleep(0.1)
        answer = browser.get(str(answer.url))
    assert "Read them anew" not in answer.text
    (modes,) = [s.modes for s in shop.job("fiddle").sets]
    assert {mode.n_taps for mode in modes} == {N - 1}
    browser.post(f"{THERE}/judge", data={"take": take, "onset": onset, "what": "restore"})
    assert all(tap.kept for tap in shop.job("fiddle").sets[0].taps)


def test_a_missing_recording_is_told_and_the_rest_is_shown(browser, shop, kept):
    shop.sound_file(kept.takes[0].recording.sha256).unlink()
    text = browser.get(THERE).text
    assert text.count("its recording is missing") == N
    assert "B1−?" in text
    assert browser.get(f"{THERE}/tap/1.wav").status_code == 404
