"""Report, export and backup from the page. Truth: what was put into the shop, read back by it."""

import re
import zipfile

import pytest

from resonance.jobs.archive import import_job
from resonance.jobs.backup import restore
from resonance.jobs.store import Shop
from resonance.sets.instrument import Instrument
from tests.bench.making import tap_set
from tests.bench.test_moved import waited

THERE = "/job/fiddle/copies"


@pytest.fixture
def kept(shop):
    shop.new_job(Instrument("fiddle", owner="Ada Owner"))
    shop.add_tap_set("fiddle", tap_set())
    return shop.job("fiddle")


def saved(browser, what, **fields):
    """Make a file on the page and save it: (answer, name it is saved under)."""
    begun = browser.post(f"{THERE}/{what}", data=fields)
    text = waited(browser, str(begun.url)).text
    path = re.search(r'href="(/job/fiddle/made/[0-9a-f]+/file)"', text)[1]
    answer = browser.get(path)
    return answer, re.search(r'filename="([^"]+)"', answer.headers["content-disposition"])[1]


def test_what_can_be_made_is_shown(browser, kept):
    text = browser.get(THERE).text
    for words in ("Make the report", "Export the job", "Back the shop up"):
        assert words in text


def test_a_report_of_each_audience(browser, kept):
    answer, name = saved(browser, "report", audience="customer", form="txt")
    assert name.startswith("fiddle-")
    assert name.endswith(".txt")
    assert "Ada Owner" not in answer.text
    assert "Ada Owner" in saved(browser, "report", audience="bench", form="txt")[0].text


def test_a_report_as_html(browser, kept):
    answer, _ = saved(browser, "report", form="html")
    assert answer.text.startswith("<!DOCTYPE html>")
    assert "attachment" in answer.headers["content-disposition"]


def test_an_export_comes_back_into_another_shop(browser, shop, kept, tmp_path):
    answer, name = saved(browser, "export")
    (tmp_path / "e.zip").write_bytes(answer.content)
    zipfile.ZipFile(tmp_path / "e.zip").extractall(tmp_path / "out")
    other = Shop(tmp_path / "other")
    found = import_job(other, tmp_path / "out" / name.removesuffix(".zip"))
    assert [s.modes for s in found.sets] == [s.modes for s in kept.sets]
    sha256 = kept.sets[0].takes[0].recording.sha256
    assert other.sound_file(sha256).read_bytes() == shop.sound_file(sha256).read_bytes()


def test_a_backup_comes_back(browser, shop, kept, tmp_path):
    answer, _ = saved(browser, "backup")
    (tmp_path / "b.zip").write_bytes(answer.content)
    restore(tmp_path / "b.zip", tmp_path / "again")
    assert [s.modes for s in Shop(tmp_path / "again").job("fiddle").sets] == [s.modes for s in kept.sets]
    assert not any("made" in name for name in zipfile.ZipFile(tmp_path / "b.zip").namelist())


@pytest.mark.parametrize("fields", [{"form": "exe"}, {"audience": "../x"}, {"paper": "a3"}])
def test_a_report_that_there_is_not(browser, kept, fields):
    assert browser.post(f"{THERE}/report", data=fields).status_code == 422


@pytest.mark.parametrize("word", ["0123456789abcdef", "..%2F..%2Fshop.db"])
def test_a_file_that_was_not_made(browser, kept, word):
    assert browser.get(f"/job/fiddle/made/{word}/file").status_code == 404


def test_a_disk_that_takes_no_file_is_told(browser, shop, kept):
    (shop.folder / "made").write_text("a file where the folder should be")
    begun = browser.post(f"{THERE}/report", data={"form": "txt"})
    for _ in range(100):
        text = browser.get(str(begun.url)).text
        if 'role="alert"' in text:
            break
    assert "make room on the disk" in text
