"""What leaves the bench by command: report, tables, heading and photograph; and what cannot be."""

import csv
import json

import pytest
from PIL import Image
from pypdf import PdfReader


@pytest.fixture
def picture(tmp_path):
    Image.new("RGB", (300, 400), "#8a3a12").save(tmp_path / "front.jpg")
    return tmp_path / "front.jpg"


def test_a_report_with_heading_and_photograph(command, worked, picture, tmp_path):
    where = ("--shop", worked[0])
    command("settings", "heading=Atelier Söhne", "address=Long Lane 3; 12345 Town", *where).done()
    command("settings", "--image", picture, *where).done()
    assert "kept" in command("photo", "fiddle", picture, *where).done().out
    out = tmp_path / "fiddle.pdf"
    command("report", "fiddle", "--out", out, "--paper", "letter", *where).done()
    first = PdfReader(out).pages[0]
    said = " ".join(first.extract_text().split())
    assert said.startswith("Atelier Söhne Long Lane 3 12345 Town Violin")
    assert len(first.images) == 2 or len(first.images) == 1  # one and the same picture may be stored once
    assert float(first.mediabox.width) == pytest.approx(612.0, abs=0.5)
    command("settings", "--no-image", *where).done()
    assert command("settings", "--json", *where).done().json["heading_image"] is False
    command("photo", "fiddle", "--remove", *where).done()


def test_the_same_report_is_the_same_bytes_whether_worked_out_now_or_before(worked, monkeypatch):
    import shutil
    from datetime import UTC, datetime

    from resonance.jobs.store import Shop
    from resonance.report.build import build

    shop, made = Shop(worked[0]), datetime(2026, 4, 1, tzinfo=UTC)
    shutil.rmtree(worked[0] / "kept", ignore_errors=True)
    for form in ("pdf", "html", "txt"):
        anew, again = (build(shop, "fiddle", audience="bench", form=form, made=made) for _ in range(2))
        assert anew.data == again.data
        assert anew.name == f"fiddle-2026-04-01.{form}"
    with pytest.raises(ValueError, match="pdf, html, txt"):
        build(shop, "fiddle", form="docx")


def test_tables(command, worked, tmp_path):
    out = tmp_path / "tables"
    named = command("tables", "fiddle", "--out", out, "--shop", worked[0], "--json").done().json["files"]
    assert {path.name for path in out.iterdir()} == set(named)
    with (out / "shifts.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    raised = [row for row in rows if row["verdict"] == "moved"]
    # both main body notes of the made-up violin were raised by 40 Hz
    assert len(raised) == 2
    assert all(abs(float(row["shift"]) - 40.0) < 2.0 for row in raised)
    assert json.loads((out / "data.json").read_text("utf-8"))["job"] == "fiddle"


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("photo", "fiddle"), 2),
        (("photo", "fiddle", "x.jpg", "--remove"), 2),
        (("photo", "fiddle", "nowhere.jpg"), 1),
        (("report", "fiddle", "--out", "x.docx"), 2),
        (("report", "fiddle", "--out", "x.pdf", "--paper", "a5"), 2),
        (("settings", "--image", "nowhere.png"), 1),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_what_cannot_be(command, worked, words, code):
    command(*words, "--shop", worked[0]).failed(code)
