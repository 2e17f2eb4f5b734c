"""A tap set taken on the page: from the form to the store, two who look on, keys, trouble, a set cut off.

Truth: the sound the microphone plays, and what the same recorder keeps at the terminal (tests/taking).
"""

import json
import time

import pytest

from resonance.bench import tap
from resonance.bench.live import LiveSet, Microphones, Picture
from resonance.bench.state import Bench
from resonance.errors import MicrophoneError, ResonanceError
from resonance.jobs.settings import Settings
from resonance.sets.instrument import Instrument
from resonance.sound.microphone import Microphone
from resonance.taking.keep import Noted
from resonance.taking.session import Plan
from resonance.taking.spool import unfinished
from tests.bench.making import opener, sound, tap_set

LIVE = "ws://127.0.0.1:8321/job/fiddle/live"
MICROPHONE = Microphone(0, "bench mic")
ONE_PLACE = Plan(tap_place="bass corner", microphone_places=("treble f-hole",), wanted=4)


@pytest.fixture
def job(shop):
    return shop.new_job(Instrument("fiddle"))


@pytest.fixture
def microphone(monkeypatch):
    """One microphone is there, and it plays five good taps."""
    monkeypatch.setattr(tap, "microphones", lambda: (MICROPHONE,))
    monkeypatch.setattr(tap, "find_microphone", lambda name: MICROPHONE)
    monkeypatch.setattr("resonance.bench.live._opened", opener(sound(), stays=True))


def ended(live, seconds=60.0):
    live.wait(seconds)
    assert live.over
    return live.picture


def test_a_set_is_taken_kept_and_told(shop, job):
    live = LiveSet(shop, Noted(job.id, ONE_PLACE, "bench mic"), MICROPHONE, opener=opener(sound()))
    live.start()
    picture = ended(live)
    assert (picture.stage, picture.set_id, picture.kept) == ("kept", "set1", 4)
    assert len(picture.held) == 256
    assert sum(line.startswith("✓") for line in picture.verdicts) == 4
    (kept,) = shop.job(job.id).sets
    assert sum(each.kept for each in kept.taps) == 4
    assert kept.takes[0].microphone_place == "treble f-hole"
    assert unfinished(shop.folder) == ()


def test_a_microphone_pulled_out_leaves_the_set_to_be_kept(shop, job, browser, monkeypatch):
    plan = Plan(tap_place="bass corner", microphone_places=("near",), wanted=9)
    live = LiveSet(shop, Noted(job.id, plan, "bench mic"), MICROPHONE, opener=opener(sound()))
    live.start()
    picture = ended(live)
    assert picture.stage == "over"
    assert "plug it in" in picture.line
    monkeypatch.setattr(tap, "microphones", lambda: (MICROPHONE,))
    text = browser.get("/job/fiddle/tap").text
    assert "was cut off: 5 good taps." in text
    (left,) = unfinished(shop.folder)
    answer = browser.post(
        "/job/fiddle/tap/cut-off", data={"name": "../" + left.folder.name, "what": "discard"}
    )
    assert "kept or discarded already" in answer.text
    browser.post("/job/fiddle/tap/cut-off", data={"name": left.folder.name, "what": "keep"})
    assert len(shop.job("fiddle").sets) == 1
    assert unfinished(shop.folder) == ()


def test_silence_keeps_nothing(shop, job):
    live = LiveSet(shop, Noted(job.id, ONE_PLACE), MICROPHONE, opener=opener(sound()[:20_000]))
    live.start()
    picture = ended(live)
    assert picture.stage == "over"
    assert shop.job(job.id).sets == ()
    assert unfinished(shop.folder) == ()


def test_one_set_at_a_time(shop, job):
    desk = Microphones()
    slow = LiveSet(shop, Noted(job.id, ONE_PLACE), MICROPHONE, opener=opener(sound()))
    desk.begin(slow)
    with pytest.raises(ResonanceError, match="in the taking; finish it first"):
        desk.begin(LiveSet(shop, Noted(job.id, ONE_PLACE), MICROPHONE, opener=opener(sound())))
    ended(slow)


def test_the_form_knows_how_the_last_set_was_taken(browser, shop, job, microphone):
    text = browser.get("/job/fiddle/tap").text
    assert 'value="bass corner"' in text
    assert 'value="bass side"' in text
    assert "Does it repeat" not in text
    shop.add_tap_set("fiddle", tap_set())
    text = browser.get("/job/fiddle/tap").text
    assert "as in tap set 1" in text
    assert "Does it repeat the last tap set?" in text


def test_what_was_typed_is_noted(job):
    typed = {
        "holding": "cradle", "temperature_c": "21,5", "humidity_percent": "45",
        "check seams": "yes", "check post": "no", "place1": "near", "place2": "", "taps": "3",
        "tap_place": "bass corner", "mass_g": "412 g", "chimes": "yes",
    }  # fmt: skip
    noted = tap.noted_of(job, Settings(mains=60.0), typed, "bench mic")
    assert noted.conditions.holding == "cradle"
    assert noted.conditions.mass_g == 412.0
    assert noted.conditions.checks == {"seams": True, "post": False, "bridge upright": None, "at pitch": None}
    assert (noted.climate.temperature_c, noted.climate.humidity_percent) == (21.5, 45.0)
    assert noted.plan.microphone_places == ("near",)
    assert (noted.plan.wanted, noted.plan.most, noted.plan.chimes, noted.plan.mains) == (3, 6, True, 60.0)


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"taps": "0"}, "four are usual"),
        ({"taps": "4", "temperature_c": "warm"}, "a number is needed"),
        ({"taps": "4", "temperature_c": "210"}, "out of range"),
        ({"taps": "4", "repeat": "put back"}, "no tap set to repeat"),
        ({"taps": "4", "repeat": "again"}, "kind of repeat"),
    ],
)
def test_a_slip_is_told_before_the_microphone_opens(job, typed, words):
    with pytest.raises(ResonanceError, match=words):
        tap.noted_of(job, Settings(), typed, "mic")


@pytest.mark.parametrize(
    ("picture", "key"),
    [
        (Picture("x", stage="opening"), ""),
        (Picture("x", stage="listening"), ""),
        (Picture("x", stage="listening", kept=2), "drop"),
        (Picture("x", stage="moving", kept=0), "go"),
        (Picture("x", stage="keeping"), ""),
    ],
)
def test_the_large_button_never_ends_a_set(picture, key):
    words, pressed = tap.large_button(picture)
    assert pressed == key
    assert words


def test_two_browsers_see_the_same_set_and_either_may_press(browser, shop, job, microphone):
    plan = {"place1": "near", "place2": "side", "taps": "4", "chimes": "no", "tap_place": "bass corner"}
    answer = browser.post("/job/fiddle/tap", data=plan)
    assert answer.status_code == 200
    with (
        browser.websocket_connect(LIVE) as one,
        browser.websocket_connect(LIVE) as two,
    ):
        seen = [until(socket, lambda now: now["stage"] == "moving") for socket in (one, two)]
        assert seen[0]["key"] == "go"
        assert seen[0] == seen[1]
        one.send_text("nonsense")
        one.send_text("go")
        seen = [
            until(socket, lambda now: now["take"] == 1 and now["stage"] == "listening")
            for socket in (one, two)
        ]
        two.send_text("finish")
        seen = [until(socket, lambda now: now["stage"] in ("kept", "over")) for socket in (one, two)]
    assert seen[0] == seen[1]


def until(socket, wanted, seconds=60.0):
    """Read a socket until its picture is as wanted; level and spectrum come in between."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        message = socket.receive()
        if message["type"] == "websocket.close":
            raise AssertionError("closed")
        if message.get("text") and wanted(now := json.loads(message["text"])):
            return now
    raise AssertionError("too late")


def test_no_microphone_is_one_line_and_the_form_stays(browser, job, monkeypatch):
    def none(*_):
        raise MicrophoneError("no microphone is there; plug one in")

    monkeypatch.setattr(tap, "microphones", none)
    monkeypatch.setattr(tap, "find_microphone", none)
    assert "No microphone is there; plug one in." in browser.get("/job/fiddle/tap").text
    answer = browser.post("/job/fiddle/tap", data={"taps": "3", "holding": "on my knee"})
    assert answer.status_code == 422
    assert 'value="on my knee"' in answer.text


def test_bench_holds_what_is_shared(shop):
    assert Bench(shop).microphones is not Bench(shop).microphones
