"""Recordings dropped on a job: on the disk under our names, asked about, kept byte for byte.

Truth: the files sent, and what `analyse_set` finds in them.
"""

import hashlib
import os
import time

import pytest
import soundfile

from resonance.bench import incoming
from resonance.errors import ResonanceError
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Adjustment
from tests.bench.making import N, sound, tap_set
from tests.taking.making import RATE

THERE = "/job/fiddle/files"


@pytest.fixture
def job(shop):
    return shop.new_job(Instrument("fiddle"))


@pytest.fixture
def wav(tmp_path):
    path = tmp_path / "source.wav"
    soundfile.write(path, sound(), round(RATE), subtype="PCM_24")
    return path.read_bytes()


def dropped(browser, *files):
    """Drop files by the form; give the address of the page that asks about them."""
    parts = [("files", (name, data, "audio/wav")) for name, data in files]
    answer = browser.post(THERE, files=parts)
    assert answer.status_code == 200, answer.text
    return str(answer.url)


def done(browser, answer, seconds=60.0):
    """Wait for the work that an answer leads to; give the page after it."""
    end = time.monotonic() + seconds
    while "/work/" in str(answer.url) and 'class="trouble"' not in answer.text:
        assert time.monotonic() < end
        time.sleep(0.1)
        answer = browser.get(str(answer.url))
    return answer


def on_disk(shop):
    return sorted(path for path in (shop.folder / "incoming").rglob("*") if path.is_file())


def test_a_recording_is_kept_byte_for_byte_with_what_was_said(browser, shop, job, wav):
    where = dropped(browser, ("taps before.wav", wav))
    text = browser.get(where).text
    assert "<b>taps before.wav</b>" in text
    typed = {
        "use 1": "yes", "mic 1": "near", "tap_place": "bass corner", "taken": "2025-03-01T14:30",
        "temperature_c": "21", "together": "yes", "what": "keep",
    }  # fmt: skip
    answer = done(browser, browser.post(where, data=typed))
    assert str(answer.url).endswith("/set/set1")
    (kept,) = shop.job("fiddle").sets
    assert sum(tap.kept for tap in kept.taps) == N
    assert f"{kept.taken:%Y-%m-%d %H:%M}" == "2025-03-01 14:30"
    assert (kept.takes[0].tap_place, kept.takes[0].microphone_place) == ("bass corner", "near")
    assert kept.takes[0].recording.source == "taps before.wav"
    assert kept.climate.temperature_c == 21.0
    assert shop.sound_file(kept.takes[0].recording.sha256).read_bytes() == wav
    assert on_disk(shop) == []


def test_one_after_another_as_they_come(browser, shop, job, wav):
    path = browser.post(f"{THERE}/new").json()["path"]
    written = 1_740_839_400.0
    answer = browser.put(
        path, params={"name": "a.wav", "written": written}, content=iter([wav[:5000], wav[5000:]])
    )
    assert answer.json()["trouble"] == ""
    assert "8 s, 48.0 kHz, 1 channel" in answer.json()["words"]
    bad = browser.put(path, params={"name": "b.wav"}, content=b"no sound").json()
    assert "b.wav" in bad["trouble"]
    text = browser.get(path).text
    assert "proposed by the file" in text
    assert f'value="{time.strftime("%Y-%m-%dT%H:%M", time.localtime(written))}"' in text


def test_names_of_a_browser_never_become_paths(browser, shop, job, wav):
    path = browser.post(f"{THERE}/new").json()["path"]
    for name in (
        "../../evil.wav",
        "/etc/passwd",
        "a\\..\\b.exe",
        "x" * 5000 + ".flac",
        "",
        "\x00\n",
        "con.wav",
    ):
        browser.put(path, params={"name": name}, content=wav[:100])
    folder = shop.folder / "incoming" / path.rpartition("/")[2]
    names = {each.name for each in folder.iterdir()} - {"note.json"}
    assert names == {"sound1.wav", "sound2", "sound3", "sound4.flac", "sound5", "sound6", "sound7.wav"}
    assert {each.parent for each in on_disk(shop)} == {folder}
    shown = [each.name for each in incoming.arrived(folder)]
    assert shown[0] == "evil.wav"
    assert not any(set(name) & set("/\\\n\x00") for name in shown)
    assert max(map(len, shown)) <= 120


@pytest.mark.parametrize("batch", ["%2e%2e", "0" * 24, "..%2f..", "note.json", "A" * 24])
def test_a_batch_that_is_not_there(browser, shop, job, batch):
    assert browser.get(f"{THERE}/{batch}").status_code in (404, 405)
    assert browser.put(f"{THERE}/{batch}", params={"name": "a.wav"}, content=b"x").status_code in (404, 405)
    assert on_disk(shop) == [] if (shop.folder / "incoming").exists() else True


def test_the_same_recording_again_is_told_by_its_name(browser, shop, job, wav):
    data = {"use 1": "yes", "what": "keep", "together": "yes"}
    done(browser, browser.post(dropped(browser, ("a.wav", wav)), data=data))
    answer = done(browser, browser.post(dropped(browser, ("again.wav", wav)), data=data))
    assert "again.wav is already in tap set set1" in answer.text
    assert len(shop.job("fiddle").sets) == 1


def test_the_order_is_asked_and_decides(browser, shop, job, wav):
    shop.add_tap_set("fiddle", tap_set())
    shop.add_adjustment("fiddle", Adjustment("", part="bridge"))
    data = {"use 1": "yes", "what": "keep", "together": "yes", "taken": "2030-01-01T12:00"}
    where = dropped(browser, ("old.wav", wav + b"\x00" * 16))
    answer = browser.post(where, data=data)
    assert answer.status_code == 422
    assert "which adjustment came last before these taps" in answer.text
    done(browser, browser.post(where, data={**data, "after": "none"}))
    known = shop.job("fiddle")
    added = known.sets[-1] if known.sets[-1].id == "set2" else known.sets[0]
    assert added.id == "set2"
    assert added.after == ()  # whatever its date says
    assert next(entry for entry in known.timeline if entry.id == "set2").confirmed


def test_nothing_usable_keeps_nothing_and_leaves_the_file_waiting(browser, shop, job, tmp_path):
    path = tmp_path / "quiet.wav"
    soundfile.write(path, 0.001 * sound()[::-1], round(RATE), subtype="PCM_24")
    where = dropped(browser, ("quiet.wav", path.read_bytes()))
    answer = done(browser, browser.post(where, data={"use 1": "yes", "what": "keep", "together": "yes"}))
    assert 'class="trouble"' in answer.text
    assert shop.job("fiddle").sets == ()
    assert "quiet.wav" in browser.get(where).text
    browser.post(where, data={"what": "discard"})
    assert on_disk(shop) == []


def test_a_file_too_large_leaves_nothing(browser, shop, job, wav, monkeypatch):
    monkeypatch.setattr(incoming, "LARGEST_FILE", 10_000)
    path = browser.post(f"{THERE}/new").json()["path"]
    answer = browser.put(path, params={"name": "a.wav"}, content=wav)
    assert answer.status_code == 422
    assert [each.name for each in on_disk(shop)] == []


def test_batches_that_nobody_kept_go(shop):
    old = shop.folder / "incoming" / incoming.new_batch(shop.folder)
    fresh = shop.folder / "incoming" / incoming.new_batch(shop.folder)
    long_ago = time.time() - 3600.0 * (incoming.KEPT_FOR + 1.0)
    os.utime(old, (long_ago, long_ago))
    incoming.new_batch(shop.folder)
    assert not old.exists()
    assert fresh.exists()


def test_a_disk_that_is_full_is_told(shop, tmp_path):
    class Full:
        def read(self, n):
            raise AssertionError("not reached")

    folder = shop.folder / "incoming" / incoming.new_batch(shop.folder)
    for number in range(incoming.MOST):
        (folder / f"sound{number}").touch()
    with pytest.raises(ResonanceError, match="keep these first"):
        incoming.take_in(folder, Full(), "a.wav")


def test_hash_of_what_came_is_of_what_was_sent(shop, wav, tmp_path):
    folder = shop.folder / "incoming" / incoming.new_batch(shop.folder)
    (tmp_path / "a.wav").write_bytes(wav)
    with (tmp_path / "a.wav").open("rb") as source:
        it = incoming.take_in(folder, source, "a.wav")
    assert hashlib.sha256((folder / it.file).read_bytes()).digest() == hashlib.sha256(wav).digest()
