"""Photographs and the heading's picture: upright, small, nothing noted in them; Pillow reads them back."""

import io

import pytest
from PIL import Image

from resonance.errors import ResonanceError
from resonance.jobs.archive import export_job, import_job
from resonance.jobs.images import (
    HEADING_PIXELS,
    LONGEST_PIXELS,
    heading_image_of,
    keep_heading_image,
    keep_photo,
    photo_of,
)
from resonance.jobs.store import Shop


@pytest.fixture
def photo(tmp_path):
    """A photograph taken sideways, with a camera and a place noted in it."""
    picture = Image.new("RGB", (3000, 2000), "#8a3a12")
    picture.paste("#2f6f95", (0, 0, 1500, 2000))  # the left half blue; upright it is the upper half
    notes = Image.Exif()
    notes[0x0112] = 6  # turn by 90 degrees clockwise to see it upright (Exif 2.3, orientation)
    notes[0x010F] = "A camera"
    path = tmp_path / "front.jpg"
    picture.save(path, exif=notes)
    return path


def test_a_photograph_is_kept_upright_and_small_with_nothing_noted_in_it(shop, viola, photo):
    keep_photo(shop, viola, photo)
    kept = photo_of(shop, viola)
    seen = Image.open(io.BytesIO(kept.data))
    assert (seen.format, kept.form) == ("JPEG", "jpeg")
    assert seen.size == (round(LONGEST_PIXELS * 2 / 3), LONGEST_PIXELS)
    assert dict(seen.getexif()) == {}
    assert b"camera" not in kept.data
    red, _, blue = seen.getpixel((500, 300))
    assert blue > red
    red, _, blue = seen.getpixel((500, 1300))
    assert red > blue


def test_a_photograph_can_be_taken_away_and_brought_back(shop, viola, photo):
    assert photo_of(shop, viola) is None
    keep_photo(shop, viola, photo)
    keep_photo(shop, viola, None)
    assert photo_of(shop, viola) is None
    shop.undo(viola)
    assert photo_of(shop, viola) is not None


def test_a_photograph_travels_with_its_job(shop, viola, photo, tmp_path):
    keep_photo(shop, viola, photo)
    export_job(shop, viola, tmp_path / "out")
    other = Shop(tmp_path / "other")
    job = import_job(other, tmp_path / "out")
    assert photo_of(other, job.id) == photo_of(shop, viola)
    assert other.check() == ()


def test_the_headings_picture_stands_on_white(shop, tmp_path):
    sign = Image.new("RGBA", (2000, 500), (0, 0, 0, 0))
    sign.save(tmp_path / "sign.png")
    keep_heading_image(shop, tmp_path / "sign.png")
    seen = Image.open(io.BytesIO(heading_image_of(shop).data))
    assert seen.format == "PNG"
    assert seen.size == (HEADING_PIXELS, HEADING_PIXELS // 4)
    assert seen.getpixel((5, 5)) == (255, 255, 255)
    keep_heading_image(shop, None)
    assert heading_image_of(shop) is None


@pytest.mark.parametrize("content", [b"", b"no picture at all", b"\xff\xd8\xff\xe0 cut short"])
def test_what_is_no_picture_is_refused_in_one_line(shop, viola, tmp_path, content):
    (tmp_path / "x.jpg").write_bytes(content)
    with pytest.raises(ResonanceError, match=r"x\.jpg is no picture"):
        keep_photo(shop, viola, tmp_path / "x.jpg")
    with pytest.raises(ResonanceError, match="there is no file"):
        keep_photo(shop, viola, tmp_path / "none.jpg")
    assert photo_of(shop, viola) is None
