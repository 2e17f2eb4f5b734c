"""The photograph of an instrument. Truth: the picture sent."""

import io

import pytest
from PIL import Image

from resonance.sets.instrument import Instrument

THERE = "/job/fiddle/photo"


@pytest.fixture
def job(shop):
    return shop.new_job(Instrument("fiddle"))


def picture(colour, size=(40, 30)):
    file = io.BytesIO()
    Image.new("RGB", size, colour).save(file, "PNG")
    return file.getvalue()


def test_a_photograph_is_kept_shown_and_taken_away(browser, job):
    assert browser.get(THERE).status_code == 404
    answer = browser.post(THERE, files={"photo": ("../../me.png", picture((200, 30, 30)), "image/png")})
    assert "Photograph kept." in answer.text
    assert f'src="{THERE}"' in answer.text
    shown = browser.get(THERE)
    assert shown.headers["content-type"] == "image/jpeg"
    red = Image.open(io.BytesIO(shown.content)).getpixel((20, 15))
    assert max(abs(a - b) for a, b in zip(red, (200, 30, 30), strict=True)) < 12  # JPEG
    browser.post(THERE, data={"what": "remove"})
    assert browser.get(THERE).status_code == 404


@pytest.mark.parametrize("sent", [{}, {"photo": ("notes.txt", b"not a picture", "text/plain")}])
def test_what_is_no_picture_is_told_in_a_line(browser, job, sent):
    answer = browser.post(THERE, files=sent or None, data={"what": "keep"})
    assert answer.status_code == 422
    assert answer.text in (
        "No photograph was chosen; choose one first.",
        "The file is no picture that can be read; give a JPEG or PNG.",
    )
