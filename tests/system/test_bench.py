"""The page in a real Chromium, from an empty shop on: by mouse, by touch, by keyboard alone, without scripts.

Taps are played into a private sound server and recorded from it by the bench, as in test_take.py. Truth: the
modes that the taps are made from (tests/taking/making.py), and what the shop holds afterwards.
"""

import re
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from resonance.jobs.store import Shop
from resonance.sets.instrument import Instrument
from tests.bench.making import tap_set
from tests.bench.test_moved import softer
from tests.system import browser
from tests.system.sound_server import RATE, SoundServer
from tests.system.sound_server import missing as sound_missing
from tests.taking.making import VIOLIN, good_taps, taken

MISSING = browser.missing() or sound_missing()
pytestmark = [pytest.mark.slow, pytest.mark.skipif(bool(MISSING), reason=MISSING or "all there")]
TRUTH = {mode.name: mode.frequency for mode in VIOLIN if mode.name}
LONG = 60_000  # ms


@pytest.fixture(scope="module")
def chromium():
    with browser.browser() as started:
        yield started


@pytest.fixture
def shop(tmp_path):
    return Shop(tmp_path / "shop")


@pytest.fixture
def server(tmp_path):
    server = SoundServer(tmp_path / "server")
    yield server
    server.close()


@pytest.fixture
def here(shop, server):
    """The address of a bench whose microphone is the sound server's."""
    with browser.bench(shop.folder, environment=server.environment) as running:
        yield running.address


def played(folder, count):
    """A file of so many good taps."""
    rng = np.random.default_rng(7)
    path = folder / f"{count}.wav"
    soundfile.write(
        path, taken(good_taps(count, rng=rng), 2.5 + 1.2 * count, rng=rng), RATE, subtype="PCM_24"
    )
    return path


@pytest.fixture
def five(tmp_path):
    return played(tmp_path, 5)


@pytest.fixture
def two(tmp_path):
    """Fewer than a set wants, so that it waits for what is pressed."""
    return played(tmp_path, 2)


def large(page):
    return page.locator("#large")


def until(page, stage):
    """Wait for a stage of the set."""
    from playwright.sync_api import expect

    expect(page.locator("#live")).to_have_attribute("data-stage", re.compile(stage), timeout=LONG)


def says(locator, words):
    from playwright.sync_api import expect

    expect(locator).to_contain_text(words, timeout=LONG)


def choose_microphone(page):
    page.locator("summary", has_text="Microphone").click()
    page.get_by_label("Microphone", exact=True).select_option("bench")


def true_readings(tap_set):
    """See that the named modes are where they were made, within 0.2 Hz: a tenth of what matters."""
    named = {mode.label: mode.frequency for mode in tap_set.modes if mode.label in TRUTH}
    assert {"A0", "B1-", "B1+"} <= set(named)
    for label, hertz in named.items():
        assert hertz == pytest.approx(TRUTH[label], abs=0.2)


def test_by_mouse_from_an_empty_shop(chromium, here, shop, server, two, five):
    with browser.opened(chromium) as page:
        page.goto(here)
        page.get_by_role("link", name="New job").click()
        page.get_by_role("textbox", name="Instrument").fill("Fiddle no. 7")
        page.get_by_role("button", name="Begin the job").click()
        says(page.locator(".said"), "Job begun: Fiddle no. 7")

        page.get_by_role("link", name="Take a tap set").first.click()
        choose_microphone(page)
        page.get_by_label("Second place").fill("")
        page.get_by_label("Held").fill("cradle")
        page.get_by_role("button", name="Begin", exact=True).click()
        says(large(page), "READY")
        server.play(two)
        says(large(page), "2 OF 4")
        page.get_by_role("button", name="Take the last tap back").click()
        says(large(page), "1 OF 4")
        server.play(five)
        until(page, "kept")
        page.get_by_role("button", name="See the readings").click()
        says(page.locator("h1"), "Tap set 1")
        (first,) = shop.job("fiddle-no-7").sets
        assert [tap.judged_by for tap in first.taps if not tap.kept] == ["maker"]
        assert first.conditions.holding == "cradle"
        true_readings(first)

        page.get_by_role("button", name="Refuse tap 1", exact=True).click()
        says(page.locator(".said"), "Tap refused")
        page.get_by_role("button", name="Read them anew").click()
        page.wait_for_url("**/set/set1", timeout=LONG)
        assert not shop.job("fiddle-no-7").sets[0].taps[0].kept
        true_readings(shop.job("fiddle-no-7").sets[0])

        page.get_by_role("link", name="Adjust").click()
        page.get_by_role("link", name="soundpost").click()
        says(page.locator("caption").first, "What could be seen today, against tap set 1")
        for _ in range(2):
            page.get_by_role("button", name="¼ mm towards the bridge").click()
        page.get_by_role("button", name="¼ mm out").click()
        says(page.locator("#post-words"), "0.5\u00a0mm towards the bridge and 0.25\u00a0mm out.")
        page.get_by_role("button", name="Note it").last.click()
        says(page.locator(".said"), "Noted as adjustment 1")
        (adjustment,) = shop.job("fiddle-no-7").adjustments
        assert (adjustment.along_mm, adjustment.across_mm) == (-0.5, -0.25)
        says(page.locator(".next"), "tap again")


def test_by_touch_on_a_tablet_with_the_laptop_looking_on(chromium, here, shop, server, five):
    shop.new_job(Instrument("fiddle"))
    with (
        browser.opened(chromium, "tablet", touch=True, dark=True) as tablet,
        browser.opened(chromium) as laptop,
    ):
        tablet.goto(f"{here}/job/fiddle")
        tablet.get_by_role("link", name="Take a tap set").first.tap()
        tablet.locator("summary", has_text="Microphone").tap()
        tablet.get_by_label("Microphone", exact=True).select_option("bench")
        tablet.get_by_role("button", name="Begin", exact=True).tap()
        says(large(tablet), "READY")
        laptop.goto(f"{here}/job/fiddle/tap")
        server.play(five)
        for page in (tablet, laptop):
            says(large(page), "MOVE MIC")
            says(page.locator("#line"), "bass side")
        button = tablet.get_by_role("button", name="The microphone has moved")
        assert button.bounding_box()["height"] >= 44.0
        button.tap()
        for page in (tablet, laptop):
            says(page.locator("#where"), "place 2 of 2")
            until(page, "listening")
        server.play(five)
        for page in (tablet, laptop):
            until(page, "kept")
        assert tablet.locator("#readings li").count() == 3
        assert laptop.locator("#readings").inner_text() == tablet.locator("#readings").inner_text()
    (kept,) = shop.job("fiddle").sets
    assert [take.microphone_place for take in kept.takes] == ["treble f-hole", "bass side"]
    true_readings(kept)


def test_by_keyboard_alone(chromium, here, shop, server, two, five):
    with browser.opened(chromium) as page:
        page.goto(here)

        def reach(name, *, most=60):
            """Press Tab until what has the focus bears a name."""
            for _ in range(most):
                page.keyboard.press("Tab")
                focus = page.locator("*:focus")
                if (
                    name in (focus.get_attribute("aria-label") or focus.text_content() or "")
                    or focus.get_attribute("name") == name
                ):
                    return
            raise AssertionError(f"{name} is out of reach")

        reach("New job")
        page.keyboard.press("Enter")
        page.wait_for_url("**/new")
        reach("name")
        page.keyboard.type("Fiddle")
        page.keyboard.press("Enter")
        says(page.locator(".said"), "Job begun")
        reach("Take a tap set")
        page.keyboard.press("Enter")
        page.wait_for_url("**/tap")
        reach("place2")
        page.keyboard.press("Delete")
        reach("Microphone, sound cue")
        page.keyboard.press("Enter")
        reach("device")
        page.keyboard.type("bench")
        reach("taps")
        page.keyboard.press("Enter")
        says(large(page), "READY")
        server.play(two)
        says(large(page), "2 OF 4")
        page.keyboard.press(" ")
        says(large(page), "1 OF 4")
        server.play(five)
        until(page, "kept")
        page.keyboard.press(" ")
        page.wait_for_url("**/set/set1")
    (kept,) = shop.job("fiddle").sets
    assert sum(tap.kept for tap in kept.taps) == 4


def test_recordings_are_dropped_with_their_progress(chromium, here, shop, five):
    shop.new_job(Instrument("fiddle"))
    with browser.opened(chromium) as page:
        page.goto(f"{here}/job/fiddle/files")
        notes = five.with_name("notes.wav")
        notes.write_text("not a sound")
        page.locator("#files").set_input_files([str(five), str(notes)])
        says(page.locator("#sent"), "✓ 5.wav, 8 s, 48.0 kHz, 1 channel")
        says(page.locator("#sent"), "✗ notes.wav is not a sound file")
        page.get_by_role("button", name="Go on").click()
        says(page.locator(".arrived"), "5.wav")
        page.get_by_role("button", name="Keep them").click()
        page.wait_for_url("**/set/set1", timeout=LONG)
    true_readings(shop.job("fiddle").sets[0])


def test_without_scripts(chromium, here, shop, server, five):
    shop.new_job(Instrument("fiddle"))
    context = chromium.new_context(java_script_enabled=False)
    page = context.new_page()
    try:
        page.goto(f"{here}/job/fiddle/adjust?part=soundpost")
        page.get_by_role("button", name="¼ mm in").click()
        says(page.locator("#post-words"), "0.25\u00a0mm in")
        page.goto(f"{here}/job/fiddle/tap")
        choose_microphone(page)
        page.get_by_role("button", name="Begin", exact=True).click()
        says(page.locator(".live p.caution"), "does not move by itself")
        for _ in range(30):
            if page.get_by_role("button", name="Finish now").is_enabled():
                break
            page.wait_for_timeout(300)
            page.get_by_role("link", name="Look again").click()
        page.get_by_role("button", name="Finish now").click()
        page.goto(f"{here}/job/fiddle/files")
        page.locator("#files").set_input_files(str(five))
        page.get_by_role("button", name="Go on").click()
        page.get_by_role("button", name="Keep them").click()
        page.wait_for_url("**/set/set1", timeout=LONG)
    finally:
        context.close()
    assert len(shop.job("fiddle").sets) == 1


def test_a_shared_bench_lets_in_by_its_link_alone(chromium, shop):
    shop.new_job(Instrument("fiddle"))
    with browser.bench(shop.folder, words=("--share",)) as running, browser.opened(chromium) as page:
        link = running.address
        page.goto(link)
        assert "key=" not in page.url
        says(page.locator("h1"), "Jobs")
        page.reload()
        page.get_by_role("link", name="fiddle").click()
        says(page.locator(".instrument"), "fiddle")
        address, _, _ = link.partition("/?")
        stranger = chromium.new_context()
        try:
            other = stranger.new_page()
            assert other.goto(address).status == 403
            assert "asks for its key" in other.inner_text("body")
        finally:
            stranger.close()


@pytest.mark.parametrize("size", browser.SIZES)
def test_all_there_is_to_press_is_large_enough_and_nothing_runs_off_the_side(chromium, here, shop, size):
    shop.new_job(Instrument("fiddle"))
    paths = ("/", "/new", "/help", "/job/fiddle", "/job/fiddle/tap", "/job/fiddle/files",
             "/job/fiddle/adjust?part=soundpost", "/job/fiddle/setup", "/job/none")  # fmt: skip
    small, wide = [], []
    with browser.opened(chromium, size, errors=False) as page:
        for path in paths:
            page.goto(here + path)
            for summary in page.locator("summary").all():
                summary.click()
            for each in page.locator("button:visible, a.button:visible, nav a:visible, select:visible, "
                                     "summary:visible, input:visible:not([type=radio]):not([type=checkbox]), "
                                     "label:has(input):visible").all():  # fmt: skip
                box = each.bounding_box()
                if box["height"] < 44.0 and "unseen" not in (each.get_attribute("class") or ""):
                    small.append((path, each.text_content() or each.get_attribute("name"), box["height"]))
            body = page.locator("body").evaluate("body => [document.documentElement.scrollWidth, innerWidth]")
            if body[0] > body[1]:
                wide.append((path, body))
    assert small == []
    assert wide == []


def test_what_moved_the_weeks_and_a_report(chromium, here, shop, tmp_path):
    """By mouse and keyboard: two sets of one sound are compared, read off, named, followed and reported."""
    from playwright.sync_api import expect

    two_sets_of_one_sound(shop)
    with browser.opened(chromium) as page:
        page.set_default_timeout(LONG)
        page.goto(f"{here}/job/fiddle/moved")
        says(page.locator("h1"), "What moved")
        says(page.locator("main"), "no change seen")
        page.locator(".pick a", has_text="B1−").first.click()
        says(page.locator(".stretch"), "412 to 519 Hz")  # 462 Hz times 2^(-2/12), 2^(2/12)
        page.get_by_label("Read at").focus()
        page.keyboard.press("End")
        says(page.locator(".reads"), "518")
        assert page.evaluate("document.activeElement.getAttribute('aria-valuetext')").startswith("518")
        chart = page.locator("svg.chart").bounding_box()
        middle = chart["y"] + 0.6 * chart["height"]
        page.mouse.move(chart["x"] + 0.4 * chart["width"], middle)
        page.mouse.down()
        page.mouse.move(chart["x"] + 0.6 * chart["width"], middle, steps=3)
        page.mouse.up()
        expect(page.locator(".stretch")).not_to_contain_text("412 to 519")

        page.get_by_role("link", name="Your word").click()
        page.get_by_role("button", name=re.compile("It is so: 462")).click()
        says(page.locator(".said"), "Named by you: B1−")
        page.get_by_role("link", name="The weeks").click()
        says(page.locator("h1"), "The weeks")
        page.get_by_role("link", name="Report and copies").click()
        page.get_by_text("plain text").click()
        page.get_by_role("button", name="Make the report").click()
        says(page.locator("h1"), "Ready")
        with page.expect_download() as saving:
            page.get_by_role("link", name="Save it").click()
        saving.value.save_as(tmp_path / "report.txt")
        assert "B1−" in (tmp_path / "report.txt").read_text("utf-8")


def two_sets_of_one_sound(shop):
    shop.new_job(Instrument("fiddle"))
    shop.add_tap_set("fiddle", tap_set())
    shop.add_tap_set("fiddle", replace(tap_set(), takes=(softer(),)))
