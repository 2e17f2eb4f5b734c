"""A job at a glance: what comes next, in the order of the work; remarks; plates; help beside it."""

import pytest

from resonance.bench.help import MEANINGS, help_page
from resonance.bench.job import job_page, next_of
from resonance.report.words import VERDICTS
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Adjustment
from tests.bench.making import tap_set


@pytest.fixture
def job(shop):
    return shop.new_job(Instrument("fiddle"))


def test_what_comes_next_follows_the_work(shop, job):
    assert next_of(job).path.endswith("/tap")
    assert "before anything is changed" in next_of(job).words
    shop.add_tap_set("fiddle", tap_set())
    assert next_of(shop.job("fiddle")).path.endswith("/adjust")
    shop.add_adjustment("fiddle", Adjustment("", part="soundpost", along_mm=0.25))
    shop.add_remark("fiddle", "strings still stretch")
    told = next_of(shop.job("fiddle"))
    assert told.path.endswith("/tap")
    assert "Adjustment 1 is noted" in told.words
    assert "the strings hold" in told.words


def test_the_page_tells_newest_first_with_the_last_readings(browser, shop, job):
    shop.add_tap_set("fiddle", tap_set())
    shop.add_adjustment("fiddle", Adjustment("", part="soundpost", along_mm=-0.25, note="a hair"))
    view = job_page(shop.job("fiddle"))
    assert [line.name for line in view.lines] == ["Adjustment 1", "Tap set 1"]
    assert [name for name, _ in view.readings] == ["A0?", "B1−?", "B1+?"]
    text = browser.get("/job/fiddle").text.replace("\N{NO-BREAK SPACE}", " ")
    assert "Soundpost 0.25 mm towards the bridge: a hair" in text
    assert 'href="/job/fiddle/set/set1"' in text


def test_a_remark_is_noted_as_written(browser, shop, job):
    answer = browser.post("/job/fiddle/remark", data={"text": "<b>bright</b> A string"})
    assert "&lt;b&gt;bright&lt;/b&gt; A string" in answer.text
    assert [entry.text for entry in shop.job("fiddle").timeline] == ["<b>bright</b> A string"]
    assert browser.post("/job/fiddle/remark", data={"text": "  "}).status_code == 422


def test_a_plate_asks_for_weight_and_hold(browser, shop, monkeypatch):
    monkeypatch.setattr("resonance.bench.tap.microphones", lambda: ())
    shop.new_job(Instrument("top 12", piece="top"))
    text = browser.get("/job/top-12/tap").text
    assert "Weight of the plate now" in text
    assert "Held at" in text
    assert "Strings quietened" not in text
    assert "free top plate" in text


def test_help_says_what_every_verdict_means(browser):
    assert set(MEANINGS) == set(VERDICTS) - {"not comparable"}
    text = browser.get("/help").text
    for sign, words, meaning in help_page().verdicts:
        assert f"{sign} {words}" in text
        assert meaning in text
    assert text.count("<figcaption>") == 6
    assert "restorer" in text
