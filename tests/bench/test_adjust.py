"""An adjustment logged on the page: what is said first, and what is noted."""

import re
from math import isnan

import pytest

from resonance.bench.adjust import adjust_page, adjustment_of, step
from resonance.errors import ResonanceError
from resonance.jobs.answers import put_back_scatter
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Post, Setup
from tests.bench.making import tap_set

THERE = "/job/fiddle/adjust"


@pytest.fixture
def job(shop):
    return shop.new_job(Instrument("fiddle"), setup=Setup(post=Post(behind_mm=2.5, inward_mm=1.5)))


def plain(text):
    return text.replace("\N{NO-BREAK SPACE}", " ")


def test_it_asks_what_is_adjusted_and_says_first_what_could_be_seen(browser, shop, job):
    text = plain(browser.get(THERE).text)
    assert "What do you adjust?" in text
    text = plain(browser.get(f"{THERE}?part=soundpost").text)
    assert "No tap set precedes this" in text
    assert "Take a tap set first" in text
    assert "Let the strings down before you move the post" in text
    shop.add_tap_set("fiddle", tap_set())
    text = plain(browser.get(f"{THERE}?part=soundpost").text)
    assert "What could be seen today, against tap set 1" in text
    assert re.search(r"Put-back scatter of about \d+ cents is assumed", text)
    assert "Take a tap set first" not in text
    assert text.index("What could be seen today") < text.index("Take care") < text.index("What was changed")


def test_a_second_adjustment_without_a_tap_set_is_warned_of(shop, job):
    shop.add_tap_set("fiddle", tap_set())
    shop.add_adjustment("fiddle", adjustment_of("bridge", {"note": "thinned"}))
    view = adjust_page(shop.job("fiddle"), "tail", put_back_scatter(shop.job("fiddle")))
    assert "No tap set since adjustment 1" in view.missing


def test_a_post_move_is_noted_and_the_setup_follows(browser, shop, job):
    typed = {
        "part": "soundpost",
        "along": "0,25",
        "along_way": "towards",
        "across": "0.1",
        "across_way": "in",
    }
    answer = browser.post(THERE, data={**typed, "end": "top", "note": "a hair"})
    assert "Noted as adjustment 1: Soundpost 0.25 mm towards the bridge and 0.1 mm in" in plain(answer.text)
    known = shop.job("fiddle")
    (noted,) = known.adjustments
    assert (noted.along_mm, noted.across_mm, noted.end, noted.note) == (-0.25, 0.1, "top", "a hair")
    assert (known.setup.post.behind_mm, known.setup.post.inward_mm) == (2.25, 1.6)


def test_steps_work_without_scripts_and_note_nothing(browser, shop, job):
    typed = {"part": "soundpost", "along": "", "along_way": "away", "across": "", "across_way": "in"}
    text = plain(browser.post(THERE, data={**typed, "step": "along -0.25"}).text)
    assert "0.25 mm towards the bridge" in text
    assert '<option value="towards" selected' in text
    assert shop.job("fiddle").adjustments == ()
    assert browser.post(THERE, data={**typed, "step": "up 99"}).status_code == 422


def test_steps_pass_through_nothing_to_the_other_side():
    typed = {"along": "0.25", "along_way": "away"}
    typed = step(typed, "along -0.25")
    assert (typed["along"], typed["along_way"]) == ("0", "away")
    typed = step(typed, "along -0.25")
    assert (typed["along"], typed["along_way"]) == ("0.25", "towards")


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"along": "12"}, "hardly moved by more than 3 mm"),
        ({"along": "a bit"}, "a number is needed"),
        ({"made": "yesterday"}, "no date and time"),
        ({"end": "middle"}, "does not fit end"),
    ],
)
def test_a_slip_is_told(typed, words):
    with pytest.raises(ResonanceError, match=words):
        adjustment_of("soundpost", typed)


def test_far_is_noted_when_it_is_said_to_be_right():
    found = adjustment_of("soundpost", {"along": "12", "along_way": "away", "anyway": "yes"})
    assert found.along_mm == 12.0
    assert isnan(found.across_mm)


@pytest.mark.parametrize(
    ("part", "typed", "opens"),
    [
        ("strings", {"new_chapter": "yes"}, True),
        ("strings", {}, False),
        ("tail", {"new_chapter": "yes"}, False),
        ("body", {"stage": "reopened"}, True),
        ("body", {"stage": "varnished"}, False),
    ],
)
def test_what_opens_a_new_chapter(part, typed, opens):
    assert adjustment_of(part, typed).new_chapter is opens


def test_reopening_the_body_notes_the_stage_too(browser, shop, job):
    browser.post(THERE, data={"part": "body", "stage": "reopened", "note": "bar replaced"})
    known = shop.job("fiddle")
    assert known.setup.stage == "reopened"
    assert known.adjustments[0].new_chapter


def test_a_plate_is_asked_about_wood_not_strings(browser, shop):
    shop.new_job(Instrument("top 12", piece="top"))
    text = browser.get("/job/top-12/adjust?part=body").text
    assert "soundpost" not in text
    assert "Wood taken away cannot be put back" in text
