"""Signs that can and cannot be shown; Unicode's own names and categories are the truth (unicodedata)."""

import pytest

from resonance.report.blocks import Attached, Paragraph, Picture, Report, Section, Table
from resonance.report.signs import font_folder, in_fonts, is_sign, replaced_words, shown, sign_name, written


@pytest.mark.parametrize("sign", "aé€Ω≈→±−…●○♯Жשب\N{GRINNING FACE}\u0301\u200b\u200d")
def test_in_fonts(sign):
    # DejaVu Sans lists these in its own status file; the last two have no picture of their own
    assert is_sign(sign)
    assert in_fonts(sign)


@pytest.mark.parametrize("sign", "上न\N{VIOLIN}\U000e0001")
def test_signs_that_a_browser_may_have_and_the_fonts_do_not(sign):
    assert is_sign(sign)
    assert not in_fonts(sign)


@pytest.mark.parametrize("sign", ["\x00", "\x1b", "\ud800", "\ue000", "\uffff", "\u0378"])
def test_what_is_no_sign(sign):
    assert not is_sign(sign)
    assert not in_fonts(sign)


def test_all_texts_of_a_report_are_looked_through_and_pictures_left_alone():
    table = Table(("弦",), (("a\x00b",),), notes=(("x", "弦\n弦"),))
    parts = (Section("弦", (Paragraph("line\u2028end"), Picture("time", "<svg>弦</svg>", "弦"))),)
    report = Report(
        "弦", sections=(Section("s", (table,), parts),), attached=(Attached("n", "弦", "t", "弦"),)
    )
    content, replaced = shown(report, in_fonts)
    inner = content.sections[0]
    assert inner.blocks[0].columns == ("□",)
    assert inner.blocks[0].rows == (("a□b",),)
    assert inner.blocks[0].notes == (("x", "□ □"),)
    assert inner.sections[0].blocks[0].text == "line end"
    assert inner.sections[0].blocks[1].svg == "<svg>弦</svg>"
    assert content.attached == report.attached
    assert replaced == {"弦": 6, "\x00": 1}


def test_what_was_replaced_is_said_and_many_are_counted():
    assert replaced_words({}, where="here") == ""
    assert replaced_words({"弦": 2}, where="this document") == (
        "□ stands for a sign that this document cannot show: U+5F26 cjk unified ideograph-5f26 (2 times)."
    )
    many = {chr(0x4E00 + k): 1 for k in range(40)}
    assert "and 28 more." in replaced_words(many, where="here")
    assert sign_name("\ud800") == "U+D800"


def test_a_page_says_what_it_left_out_at_its_end():
    report = Report("t", sections=(Section("a", (Paragraph("\ud800"),)), Section("b")))
    content = written(report)
    assert content.sections[0].blocks == (Paragraph("□"),)
    assert "U+D800 (1 time)" in content.sections[-1].blocks[-1].text


def test_the_fonts_are_there():
    assert (font_folder() / "DejaVuSans.ttf").is_file()
