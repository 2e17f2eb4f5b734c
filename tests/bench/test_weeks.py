"""The weeks on the page: readings in time, the target chosen, drawings under a policy of their own."""

import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from resonance.jobs.store import Shop
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Adjustment
from resonance.sound.recording import Recording, Take
from tests.bench.making import sound, tap_set
from tests.bench.test_moved import plain, waited
from tests.taking.making import RATE

THERE = "/job/fiddle/weeks"
BEGAN = datetime(2026, 3, 2, 10, tzinfo=UTC)


@pytest.fixture
def months(shop: Shop):
    """Four tap sets a week apart, of the same modes, with a move of the post between."""
    shop.new_job(Instrument("fiddle"))
    for week in range(4):
        if week == 2:
            moved = Adjustment("", part="soundpost", along_mm=0.25, across_mm=0.0)
            shop.add_adjustment("fiddle", replace(moved, made=BEGAN + timedelta(days=13)))
        heard = 1e-6 * np.random.default_rng(week).standard_normal(sound().shape) + sound()
        take = Take(Recording(heard, RATE, source=f"{week}.wav"), "bass corner", "treble f-hole")
        shop.add_tap_set("fiddle", replace(tap_set(), takes=(take,), taken=BEGAN + timedelta(weeks=week)))
    return shop.job("fiddle")


def test_the_weeks_are_told_and_drawn(browser, months):
    text = plain(waited(browser, THERE).text)
    assert "Steady or not?" in text
    assert "What each adjustment did" in text
    assert "0.25 mm away from the bridge" in text
    assert "1 move of the post read so far" in text
    assert " style=" not in text
    for name in ("chief", "post"):
        answer = browser.get(f"{THERE}/{name}.svg")
        assert answer.headers["content-type"].startswith("image/svg+xml")
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "script" not in policy.replace("sandbox", "")
        root = ET.fromstring(answer.text)
        assert root.tag.endswith("svg")
        assert not [each for each in root.iter() if each.tag.endswith("script")]


@pytest.mark.parametrize("name", ["more", "..%2Fshop", "chief2"])
def test_a_drawing_that_is_not_there(browser, months, name):
    waited(browser, THERE)
    assert browser.get(f"{THERE}/{name}.svg").status_code == 404


def test_a_tap_set_is_aimed_at_and_no_longer(browser, shop, months):
    waited(browser, THERE)
    browser.post("/job/fiddle/target", data={"target": "set2"})
    assert shop.job("fiddle").target == "set2"
    text = plain(waited(browser, THERE).text)
    assert "You aim at tap set 2." in text
    assert "none can be told from the target" in text  # they are the same sound
    browser.post("/job/fiddle/target", data={"target": ""})
    assert shop.job("fiddle").target is None


def test_without_tap_sets_there_is_nothing_to_tell(browser, shop):
    shop.new_job(Instrument("fiddle"))
    assert "You aim at no tap set yet." in waited(browser, THERE).text
