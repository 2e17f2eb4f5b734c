"""The report as PDF: its structure read back by pikepdf (qpdf), its text and attachments by pypdf.

PDF/A-3a and PDF/UA-1 are declared by typst and refused by it where they are not met; what an outside library
can see of them is checked here: XMP marks, tags, language, embedded fonts, files with their relationship.
"""

import csv
import io
import json
import re
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pikepdf
import pytest
from PIL import Image
from pypdf import PdfReader

from resonance.changes.course import History
from resonance.jobs.job import Entry, Job
from resonance.modes.intervals import frequency_half_width
from resonance.report.blocks import Heading, Photo, Picture
from resonance.report.content import build_report
from resonance.report.html import write_html
from resonance.report.numbers import measured
from resonance.report.pdf import write_pdf
from resonance.report.tables import attachments
from resonance.report.text import write_text
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Adjustment

MADE = datetime(2025, 3, 22, 9, 0, tzinfo=UTC)
SVG = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 5"><path d="M0 0L9 5" stroke="black"/></svg>'
MM = 72.0 / 25.4


def report_of(job, comparisons, *, audience="customer", **more):
    attached = attachments(job, comparisons, more.get("histories", ()), audience=audience, made=MADE)
    return build_report(job, comparisons, audience=audience, made=MADE, attached=attached, **more)


def pages_of(data):
    """Text of each page as one line, without the signs that only break or join."""
    raw = [page.extract_text() for page in PdfReader(io.BytesIO(data)).pages]
    return [" ".join(text.replace("\u00a0", " ").replace("\u200b", "").split()) for text in raw]


def text_of(data):
    return " ".join(pages_of(data))


@pytest.fixture
def pdf(job, comparisons):
    pictures = [Picture("summary", SVG, "a story"), Picture("readings", SVG, "a spectrum", "set3")]
    return write_pdf(report_of(job, comparisons, pictures=pictures))


@pytest.fixture
def opened(pdf):
    with pikepdf.open(io.BytesIO(pdf)) as document:
        yield document


def test_it_says_what_it_is_and_keeps_it(opened):
    meta = opened.open_metadata()
    assert meta["pdfaid:part"] == "3"
    assert meta["pdfaid:conformance"] == "A"
    assert meta["pdfuaid:part"] == "1"
    assert meta["dc:title"] == "Viola by Ada Bench, 2025"
    assert meta["xmp:CreateDate"].startswith("2025-03-22")
    assert opened.check_pdf_syntax() == []
    assert "/OutputIntents" in opened.Root
    assert not opened.is_encrypted


def test_it_is_tagged_with_headings_tables_and_words_for_pictures(opened):
    assert opened.Root.MarkInfo.Marked
    assert str(opened.Root.Lang).startswith("en")
    kinds, alts = [], []

    def walk(element):
        if "/S" in element:
            kinds.append(str(element.S))
            if str(element.S) == "/Figure":
                alts.append(str(element.get("/Alt", "")))
        kids = element.get("/K", [])
        for kid in kids if isinstance(kids, pikepdf.Array) else [kids]:
            if isinstance(kid, pikepdf.Dictionary):
                walk(kid)

    walk(opened.Root.StructTreeRoot)
    assert {"/H1", "/H2", "/Table", "/TH", "/TD", "/L", "/P"} <= set(kinds)
    assert sorted(alts) == ["a spectrum", "a story"]


def fonts_of(document):
    """Every font that a page or a form in it uses."""
    found = {}
    for page in document.pages:
        for name, font in page.get("/Resources", {}).get("/Font", {}).items():
            found[str(name), font.objgen] = font
    return list(found.values())


def test_every_font_is_embedded_and_its_letters_can_be_read(opened):
    fonts = fonts_of(opened)
    names = [str(font.BaseFont) for font in fonts]
    assert any("LibertinusSerif" in name for name in names)
    for font in fonts:
        descriptor = font.DescendantFonts[0].FontDescriptor
        assert {"/FontFile2", "/FontFile3"} & set(descriptor.keys())
        assert "/ToUnicode" in font
        assert re.match(r"/[A-Z]{6}\+", str(font.BaseFont))  # a subset


def test_pictures_are_vectors(opened):
    kinds = [
        str(each.get("/Subtype"))
        for page in opened.pages
        for each in page.get("/Resources", {}).get("/XObject", {}).values()
    ]
    assert "/Image" not in kinds


@pytest.mark.parametrize(("paper", "size"), [("a4", (210.0, 297.0)), ("letter", (215.9, 279.4))])
@pytest.mark.parametrize("audience", ["customer", "bench"])
def test_papers(job, comparisons, paper, size, audience):
    data = write_pdf(report_of(job, comparisons, audience=audience), paper=paper)
    reader = PdfReader(io.BytesIO(data))
    for page in reader.pages:
        assert (page.mediabox.width, page.mediabox.height) == pytest.approx([s * MM for s in size], abs=0.5)
    texts = pages_of(data)
    assert all(f"Page {k} of {len(texts)}" in text for k, text in enumerate(texts, 1))
    assert all("Written by resonance" in text for text in texts)


def test_an_unknown_paper_is_refused(job):
    with pytest.raises(ValueError, match="a4, letter"):
        write_pdf(build_report(job), paper="foolscap")


def test_every_number_of_the_content_is_in_the_text(job, comparisons):
    for audience in ("customer", "bench"):
        report = report_of(job, comparisons, audience=audience)
        said = text_of(write_pdf(report))
        for tap_set in job.sets:
            for mode in tap_set.modes:
                assert measured(mode.frequency, frequency_half_width(mode)) in said
        told = set(re.findall(r"[+−]?\d[\d.,]*", write_text(report)))
        missing = {word for word in told if word.rstrip(".,") not in said}
        assert missing == set()


def test_what_a_customer_is_not_told_is_in_no_part_of_the_file(job, comparisons):
    data = write_pdf(report_of(job, comparisons))
    attached = PdfReader(io.BytesIO(data)).attachments
    whole = text_of(data) + " ".join(each[0].decode("utf-8") for each in attached.values())
    for secret in ("Mr Private", "owes me", "invoice pending", "bench secret", "Ada Hostile",
                   "left overnight", "B1+?", "A0?", "taps one.wav"):  # fmt: skip
        assert secret not in whole, secret
    assert "levels.csv" not in attached
    rows = list(csv.DictReader(io.StringIO(attached["readings.csv"][0].decode("utf-8"))))
    assert {row["label"] for row in rows} == {"", "B1-"}  # the maker's own name alone


def test_attachments_hold_what_was_found(job, comparisons, opened):
    reader = PdfReader(io.BytesIO(write_pdf(report_of(job, comparisons, audience="bench"))))
    files = {name: data[0].decode("utf-8") for name, data in reader.attachments.items()}
    assert set(files) == {
        "readings.csv", "shifts.csv", "bands.csv", "levels.csv", "timeline.csv", "columns.csv", "data.json"
    }  # fmt: skip
    rows = list(csv.DictReader(io.StringIO(files["readings.csv"])))
    found = [float(row["frequency"]) for row in rows if row["set_id"] == "set2"]
    assert found == [mode.frequency for mode in job.sets[1].modes]
    whole = json.loads(files["data.json"])
    assert [row["frequency"] for row in whole["tables"]["readings"] if row["set_id"] == "set2"] == found
    assert whole["tables"]["shifts"][2]["verdict"] == "moved"
    told = {(row["table"], row["column"]) for row in csv.DictReader(io.StringIO(files["columns.csv"]))}
    for name, text in files.items():
        if name.endswith(".csv") and name != "columns.csv":
            assert {(name[:-4], head) for head in text.splitlines()[0].split(",")} <= told
    for spec in opened.attachments.values():
        assert str(spec.obj.AFRelationship) == "/Data"


def test_the_same_job_and_day_give_the_same_bytes(job, comparisons):
    one, two = (write_pdf(report_of(job, comparisons)) for _ in range(2))
    assert one == two
    assert one != write_pdf(report_of(job, comparisons[:1]))


def test_the_summary_fills_the_first_page_and_no_more(job, comparisons, pdf):
    texts = pages_of(pdf)
    assert "In short" in texts[0]
    assert "neither the identity nor the value" in texts[0]
    assert "What was done, in order" not in texts[0]
    assert "What was done, in order" in texts[1]


def crowded(job, comparisons):
    """A job with long notes, many comparisons and everything else that could make a summary long."""
    long = "a very long note about what was done and why, " * 220  # 10,000 letters
    adjustments = tuple(Adjustment(f"adj{k}", job.sets[0].taken, "bridge", note=long) for k in range(1, 12))
    entries = [Entry("tap set", "set1"), *(Entry("adjustment", a.id) for a in adjustments), *job.timeline[2:]]
    many = replace(
        job,
        adjustments=adjustments,
        timeline=tuple(dict((e.id, e) for e in entries).values()),
        instrument=replace(job.instrument, name="N" * 500, maker="M " * 400, year="Y" * 300),
    )
    return many, (comparisons[0],) * 14


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_summary_stays_one_page_however_much_was_done(job, comparisons, paper):
    many, told = crowded(job, comparisons)
    picture = Picture("summary", SVG, "a story")
    data = write_pdf(
        report_of(many, told, audience="bench", pictures=[picture], notice="Invented, all of it."),
        paper=paper,
    )
    texts = pages_of(data)
    assert "In short" in texts[0]
    assert "What was done, in order" in texts[1]
    assert "a very long note" in texts[1]


ODD = {
    "markup": "a < b & c > d $x_1$ # = *star* _under_ `code` \\n @ref ~ [x] {y} // /* ''",
    "arabic": "\u0627\u0644\u0643\u0645\u0627\u0646 \u062c\u064a\u062f",
    "hebrew": "\u05db\u05d9\u05e0\u05d5\u05e8 \u05d8\u05d5\u05d1",
    "greek and cyrillic": "\u03b2\u03b9\u03bf\u03bb\u03af \u0441\u043a\u0440\u0438\u043f\u043a\u0430",
    "accents": "Žïłçñ e\u0301 ß Đ ő",
}


@pytest.mark.parametrize("kind", ODD)
def test_letters_that_the_fonts_hold_come_out(job, comparisons, kind):
    noted = replace(job, notes=ODD[kind])
    report = report_of(noted, comparisons, audience="bench")
    data = write_pdf(report)
    said = text_of(data)
    assert "□" not in said
    letters = set(ODD[kind]) - set(" \u0301")
    assert letters <= set(said)  # right-to-left text may be read back in either order
    if kind == "markup":
        assert ODD[kind] in said


def test_signs_without_a_font_are_replaced_and_listed_and_never_stop_it(job, comparisons):
    odd = "\u4e0a\u5f26 \U0001f3bb \x00 \ud800 \ue000 \uffff \u0928 \u202e fine"
    noted = replace(job, notes=odd, instrument=replace(job.instrument, maker=f"Ada {odd}"))
    report = report_of(noted, comparisons, audience="bench")
    said = text_of(write_pdf(report))
    assert "□□ □" in said
    assert "fine" in said
    assert "stands for a sign that this document cannot show: U+4E0A" in said
    assert "U+1F3BB violin" in said
    page = write_html(report)
    page.encode("utf-8")
    assert "\u4e0a\u5f26" in page  # a browser has letters of its own
    assert "U+D800" in page
    assert "\x00" not in page
    write_text(report).encode("utf-8")


def test_ten_thousand_letters_without_a_space(job, comparisons):
    noted = replace(job, notes="x" * 10_000)
    data = write_pdf(report_of(noted, comparisons, audience="bench"))
    assert text_of(data).replace(" ", "").count("x") >= 10_000
    widest = 0.0
    for page in PdfReader(io.BytesIO(data)).pages:

        def see(text, matrix, text_matrix, font, size):
            nonlocal widest
            if text.strip():
                widest = max(widest, matrix[4] + text_matrix[4])

        page.extract_text(visitor_text=see)
    assert 0.0 < widest < 210.0 * MM - 15.0 * MM  # no line begins beyond the right margin


def a_jpeg(colour):
    written = io.BytesIO()
    Image.new("RGB", (40, 60), colour).save(written, "JPEG")
    return written.getvalue()


def test_the_makers_heading_and_a_photograph_stand_on_the_first_page(job, comparisons):
    photo = Photo(a_jpeg("#8a3a12"), "jpeg", "the front")
    heading = Heading("Atelier & Söhne", ("Long Lane 3", "12345 Town"), Photo(a_jpeg("#2f6f95")))
    report = report_of(job, comparisons, heading=heading, photo=photo)
    data = write_pdf(report)
    first = pages_of(data)[0]
    assert first.startswith("Atelier & Söhne Long Lane 3 12345 Town Viola by Ada Bench, 2025")
    assert len(PdfReader(io.BytesIO(data)).pages[0].images) == 2
    page = write_html(report)
    assert page.count("data:image/jpeg;base64,") == 2
    assert "Atelier &amp; Söhne" in page
    assert write_text(report).startswith("Atelier & Söhne\nLong Lane 3\n")


def test_an_empty_job_makes_a_document():
    data = write_pdf(build_report(Job("new", Instrument("No. 7")), made=MADE))
    assert "No tap set yet." in text_of(data)


def test_what_is_steady_is_told_on_the_first_page(job, comparisons):
    taken = tuple(s.taken for s in job.sets)
    ids = tuple(s.id for s in job.sets)
    histories = [
        History("m3", "B1-", taken, *(modes_at(job, "m3") for _ in range(4)), sets=ids, settled="settled",
                rate_cents_per_week=(-1.0, 0.0, 1.0)),
        History("m5", "B1+", taken, *(modes_at(job, "m5") for _ in range(4)), sets=ids, settled="not yet",
                rate_cents_per_week=(-9.0, -4.0, -1.0)),
    ]  # fmt: skip
    said = pages_of(write_pdf(report_of(job, comparisons, histories=histories)))[0]
    # 444.1 Hz (2^(-4/1200) - 1) = -1.0 Hz
    assert "between 3 March 2025 and 21 March 2025" in said.lower().replace("march", "March")
    assert "settled: B1−; not yet settled: near 444 Hz (falls by about 1.0 Hz a week)" in said


def modes_at(job, track):
    return np.array([next(m.frequency for m in s.modes if m.track == track) for s in job.sets])
