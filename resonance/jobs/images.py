"""Photographs of instruments and the picture in the shop's heading: kept among the shop's records.

A photograph is turned upright, made no larger than a printed page needs, and written anew, so that neither
the place nor the camera stays in it. It travels with the job when that is exported.
"""

import io
import os
from base64 import b64decode, b64encode
from dataclasses import dataclass
from pathlib import Path

from resonance.errors import ResonanceError
from resonance.jobs import assemble
from resonance.jobs.change import changing, resolve
from resonance.jobs.database import add_act, add_record, reading, rows, writing
from resonance.jobs.records import Record
from resonance.jobs.store import Shop

PHOTO = "photo"
HEADING = "heading_image"
LONGEST_PIXELS = 1600  # 135 mm at 300 dots an inch
HEADING_PIXELS = 900
MOST_PIXELS = 200_000_000  # a larger one is no photograph of a workshop's camera
FORMS = ("jpeg", "png")


@dataclass(frozen=True)
class Image:
    """A picture as kept: the bytes of a JPEG or PNG file."""

    data: bytes
    form: str = "jpeg"


def photo_of(shop: Shop, job: str) -> Image | None:
    """Give the photograph of a job's instrument; None where there is none."""
    with reading(shop.database) as db:
        found = rows(db, resolve(db, job), kinds=(PHOTO,))
    return _image(assemble.present(found, PHOTO).get(PHOTO))


def keep_photo(shop: Shop, job: str, path: str | os.PathLike[str] | None) -> Image | None:
    """Keep a photograph of a job's instrument in place of any before; None takes it away.

    Raises
    ------
    ResonanceError   when the file is missing or no picture
    """
    image = read_image(path, longest=LONGEST_PIXELS) if path is not None else None
    with changing(shop.database, job, made=shop.clock()) as change:
        change.text = f"{'kept a' if image else 'took away the'} photograph of {change.job}"
        change.write(PHOTO, PHOTO, _record(image))
    return image


def heading_image_of(shop: Shop) -> Image | None:
    """Give the picture of the shop's heading; None where there is none."""
    with reading(shop.database) as db:
        found = rows(db, "", kinds=(HEADING,))
    return _image(assemble.present(found, HEADING).get(HEADING))


def keep_heading_image(shop: Shop, path: str | os.PathLike[str] | None) -> Image | None:
    """Keep a picture for the shop's heading in place of any before; None takes it away.

    Raises
    ------
    ResonanceError   when the file is missing or no picture
    """
    image = read_image(path, longest=HEADING_PIXELS, form="png") if path is not None else None
    with writing(shop.database) as db:
        act = add_act(db, made=shop.clock(), job="", text="changed the picture of the shop's heading")
        add_record(db, act, job="", kind=HEADING, id=HEADING, body=_record(image))
    return image


def read_image(path: str | os.PathLike[str], *, longest: int, form: str = "jpeg") -> Image:
    """Read a picture file, upright, on white, no side longer than so many pixels, with nothing noted in it.

    Raises
    ------
    ResonanceError   when the file is missing or no picture
    """
    from PIL import Image as Pictures
    from PIL import ImageOps, UnidentifiedImageError

    try:
        with Pictures.open(path) as opened:
            if opened.width * opened.height > MOST_PIXELS:
                raise ResonanceError(f"{Path(path).name} is too large a picture; make it smaller first")
            upright = ImageOps.exif_transpose(opened).convert("RGBA")
    except FileNotFoundError:
        raise ResonanceError(f"there is no file {path}; check the name and the folder") from None
    except (OSError, ValueError, UnidentifiedImageError, Pictures.DecompressionBombError) as error:
        raise ResonanceError(
            f"{Path(path).name} is no picture that can be read; give a JPEG or PNG"
        ) from error
    upright.thumbnail((longest, longest))
    plain = Pictures.new("RGB", upright.size, "white")
    plain.paste(upright, mask=upright.getchannel("A"))
    written = io.BytesIO()
    if form == "png":
        plain.save(written, "PNG", optimize=True)
    else:
        plain.save(written, "JPEG", quality=88, optimize=True)
    return Image(written.getvalue(), form)


def _record(image: Image | None) -> Record:
    if image is None:
        return {"deleted": True}
    return {"form": image.form, "data": b64encode(image.data).decode("ascii")}


def _image(body: Record | None) -> Image | None:
    return Image(b64decode(body["data"]), body["form"]) if body else None
