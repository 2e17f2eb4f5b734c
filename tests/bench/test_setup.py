"""The setup on the page: every entry of the data model, noted, corrected and cleared."""

import re

import pytest

from resonance.bench.setup import GROUPS, WORDS, noted_text, setup_page
from resonance.jobs.assign import setup_keys
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Bridge, Post, Setup, String

THERE = "/job/fiddle/setup"
NOTED = Setup(post=Post(2.5, 1.5), bridge=Bridge(33.0, 2.2), strings=(String("A4", gauge_note="medium"),))


@pytest.fixture
def job(shop):
    return shop.new_job(Instrument("fiddle", year="2025"), setup=NOTED)


def typed(text):
    """What a browser would send back of the page's form."""
    form = text[text.index('class="setup"') :]
    fields = dict(re.findall(r'<input id="[^"]*" name="([^"]*)" type="[^"]*" value="([^"]*)"', form))
    for name, options in re.findall(r'<select id="[^"]*" name="([^"]*)">(.*?)</select>', form, re.S):
        fields[name] = (re.findall(r'value="([^"]*)" selected', options) or [""])[0]
    return fields


def test_every_entry_of_a_setup_has_a_field(browser, job):
    fields = typed(browser.get(THERE).text)
    missing = {key for key in setup_keys() if not key.startswith("strings.")} - set(fields)
    assert missing == set()
    assert {f"strings.{name}.fitted" for name in ("G3", "D4", "A4", "E5")} <= set(fields)
    assert {key.split(".")[0] for key in WORDS if "." in key} == {
        prefix[:-1] for _, prefix in GROUPS if prefix
    }


def test_sending_the_page_back_changes_nothing(browser, shop, job):
    before = noted_text(shop.job("fiddle"))
    answer = browser.post(THERE, data=typed(browser.get(THERE).text))
    assert "Nothing was changed." in answer.text
    assert noted_text(shop.job("fiddle")) == before


def test_what_is_typed_is_noted_and_what_is_emptied_is_cleared(browser, shop, job):
    fields = typed(browser.get(THERE).text)
    fields |= {
        "post.behind_mm": "2,6", "bridge.mass_g": "", "bridge.lean_mm": "-0.5", "stage": "strung",
        "strings.A4.gauge_note": "", "strings.E5.fitted": "2025-03-01", "fittings.mute_parked": "no",
        "tail.fine_tuners": "4", "pitch_a4": "442", "maker": "A. Maker", "post.side": "bass",
    }  # fmt: skip
    answer = browser.post(THERE, data=fields)
    assert "Instrument and setup noted." in answer.text
    known = shop.job("fiddle")
    setup, strings = known.setup, {string.name: string for string in known.setup.strings}
    assert setup.post == Post(2.6, 1.5, side="bass")
    assert noted_text(known)["bridge.mass_g"] == ""
    assert (setup.bridge.height_mm, setup.bridge.lean_mm) == (33.0, -0.5)
    assert (setup.stage, setup.pitch_a4, setup.tail.fine_tuners) == ("strung", 442.0, 4)
    assert setup.fittings.mute_parked is False
    assert strings["A4"].gauge_note == ""
    assert f"{strings['E5'].fitted:%Y-%m-%d}" == "2025-03-01"
    assert known.instrument == Instrument("fiddle", maker="A. Maker", year="2025")


def test_a_slip_changes_nothing_at_all(browser, shop, job):
    fields = typed(browser.get(THERE).text) | {"maker": "A. Maker", "bridge.height_mm": "high"}
    answer = browser.post(THERE, data=fields)
    assert answer.status_code == 422
    assert "a number is needed" in answer.text
    assert 'value="A. Maker"' in answer.text
    assert shop.job("fiddle").instrument.maker == ""


def test_steps_move_the_drawing_and_note_nothing(browser, shop, job):
    fields = typed(browser.get(THERE).text)
    text = browser.post(THERE, data={**fields, "step": "post.behind_mm +0.25"}).text
    assert typed(text)["post.behind_mm"] == "2.75"
    assert shop.job("fiddle").setup.post.behind_mm == 2.5


def test_a_plate_has_no_bridge(shop):
    view = setup_page(shop.new_job(Instrument("top", piece="top")))
    assert (view.groups, view.strings, view.drawing) == ((), (), None)
