"""The maker's word on the page. Truth: what the shop holds afterwards, and that undo takes it back."""

import re
from dataclasses import replace

import pytest

from resonance.sets.instrument import Instrument
from resonance.sets.setup import Adjustment
from tests.bench.making import tap_set
from tests.bench.test_moved import plain, softer

THERE = "/job/fiddle/overrule"


@pytest.fixture
def job(shop):
    """Two tap sets with a move of the post between."""
    shop.new_job(Instrument("fiddle"))
    shop.add_tap_set("fiddle", tap_set())
    shop.add_adjustment("fiddle", Adjustment("", part="soundpost", along_mm=0.25))
    shop.add_tap_set("fiddle", replace(tap_set(), takes=(softer(),)))
    return shop.job("fiddle")


def mode_near(shop, set_number, hertz):
    modes = shop.job("fiddle").sets[set_number].modes
    return min(modes, key=lambda mode: abs(mode.frequency - hertz))


def ids(shop):
    return [entry.id for entry in shop.job("fiddle").timeline]


def test_who_decided_is_shown(browser, shop, job):
    text = plain(browser.get(f"{THERE}?set=set1").text)
    assert "decided by the program, a guess" in text
    assert "It is so" in text
    assert "decided by you" not in text


def test_a_guess_is_confirmed_renamed_and_taken_away(browser, shop, job):
    guess = mode_near(shop, 0, 462.0)
    data = {"set": "set1", "hertz": f"{guess.frequency:.3f}", "name": "B1−"}
    text = plain(browser.post(f"{THERE}/name", data=data).text)
    assert "Named by you: B1− 462" in text
    assert "decided by you" in text
    assert (mode_near(shop, 0, 462.0).label, mode_near(shop, 0, 462.0).labelled_by) == ("B1-", "maker")
    browser.post(f"{THERE}/name", data=data | {"what": "away", "name": ""})
    assert mode_near(shop, 0, 462.0).label is None
    browser.post(f"{THERE}/undo", data={"act": shop.acts("fiddle", limit=1)[0].id})
    assert mode_near(shop, 0, 462.0).label == "B1-"


@pytest.mark.parametrize(
    "data", [{"name": ""}, {"hertz": "x"}, {"hertz": "nan"}, {"hertz": "9999"}, {"set": "set9"}]
)
def test_a_name_that_fits_nothing_changes_nothing(browser, shop, job, data):
    before = len(shop.acts())
    usual = {"set": "set1", "hertz": "462", "name": "B1-"}
    assert browser.post(f"{THERE}/name", data=usual | data).status_code in (404, 422)
    assert len(shop.acts()) == before


def test_two_are_the_same(browser, shop, job):
    data = {"set": "set1", "hertz": "462", "other": "set2", "other_hertz": "462,0 Hz"}
    assert "One resonance from now on" in browser.post(f"{THERE}/same", data=data).text
    assert mode_near(shop, 0, 462.0).track == mode_near(shop, 1, 462.0).track
    assert mode_near(shop, 0, 462.0).track


def test_a_tap_set_is_not_trusted_and_trusted_again(browser, shop, job):
    text = browser.post(f"{THERE}/order", data={"id": "set1", "what": "suspect"}).text
    assert "left out of the weeks by your word" in text
    assert shop.job("fiddle").suspected == ("set1",)
    browser.post(f"{THERE}/order", data={"id": "set1", "what": "trust"})
    assert shop.job("fiddle").suspected == ()


def test_order_and_dates(browser, shop, job):
    assert ids(shop) == ["set1", "adj1", "set2"]
    browser.post(f"{THERE}/order", data={"id": "adj1", "what": "later"})
    assert ids(shop) == ["set1", "set2", "adj1"]
    browser.post(f"{THERE}/order", data={"id": "adj1", "what": "earlier"})
    assert ids(shop) == ["set1", "adj1", "set2"]
    for line, found in (("set1", lambda j: j.sets[0].taken), ("adj1", lambda j: j.adjustments[0].made)):
        browser.post(f"{THERE}/order", data={"id": line, "what": "date", "at": "2026-03-01T14:30"})
        assert found(shop.job("fiddle")).astimezone().strftime("%Y-%m-%dT%H:%M") == "2026-03-01T14:30"
    assert ids(shop) == ["set1", "adj1", "set2"]
    browser.post(f"{THERE}/order", data={"id": "set2", "what": "aim"})
    assert shop.job("fiddle").target == "set2"


@pytest.mark.parametrize(
    "data",
    [
        {"id": "set1", "what": "earlier"},
        {"id": "set1", "what": "erase"},
        {"id": "set9", "what": "later"},
        {"id": "set1", "what": "date", "at": "yesterday"},
    ],
)
def test_what_cannot_be_done_is_told(browser, shop, job, data):
    before = ids(shop), len(shop.acts())
    answer = browser.post(f"{THERE}/order", data=data)
    assert answer.status_code == 422
    assert (ids(shop), len(shop.acts())) == before


def test_the_order_is_confirmed(browser, shop, job):
    browser.post(f"{THERE}/confirm")
    assert all(entry.confirmed for entry in shop.job("fiddle").timeline)


def test_an_act_of_another_job_is_not_taken_back_here(browser, shop, job):
    shop.new_job(Instrument("other"))
    number = shop.acts("other", limit=1)[0].id
    assert browser.post(f"{THERE}/undo", data={"act": number}).status_code == 422
    assert len(shop.jobs()) == 2


def test_what_was_done_is_listed_and_taken_back(browser, shop, job):
    numbers = re.findall(r'name="act" value="(\d+)"', browser.get(THERE).text)
    assert numbers == [str(act.id) for act in shop.acts("fiddle")]
    text = browser.post(f"{THERE}/undo", data={"act": numbers[0]}).text
    assert "Taken back:" in text
    assert ids(shop) == ["set1", "adj1"]


def test_a_job_without_tap_sets(browser, shop):
    shop.new_job(Instrument("fiddle"))
    assert browser.get(THERE).status_code == 200
