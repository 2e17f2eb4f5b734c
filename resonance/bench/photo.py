"""The photograph of a job's instrument: shown, put in place of the one before, taken away."""

import tempfile
from pathlib import Path

from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request
from starlette.responses import Response

from resonance.bench.incoming import BLOCK
from resonance.bench.pages import done, get, job_path, post, text_of
from resonance.bench.state import shop_of
from resonance.errors import NotFoundError, ResonanceError
from resonance.jobs.images import keep_photo, photo_of

OURS = "the file"  # a name of our own, which messages may show
LARGEST = 60 * 2**20  # bytes


def show(request: Request) -> Response:
    """Give the photograph."""
    image = photo_of(shop_of(request), request.path_params["job"])
    if image is None:
        raise NotFoundError("there is no photograph of this instrument yet")
    return Response(image.data, media_type=f"image/{image.form}")


def keep(request: Request, form: FormData) -> Response:
    """Keep a photograph, or take it away."""
    shop = shop_of(request)
    job = shop.job(request.path_params["job"])
    there = job_path(job.id, "setup")
    if text_of(form, "what") == "remove":
        keep_photo(shop, job.id, None)
        return done(there, "photograph taken away")
    file = form.get("photo")
    if not isinstance(file, UploadFile) or not file.filename:
        raise ResonanceError("no photograph was chosen; choose one first")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / OURS
        with path.open("wb") as target:
            while block := file.file.read(BLOCK):
                target.write(block)
                if target.tell() > LARGEST:
                    raise ResonanceError(
                        f"that photograph is larger than {LARGEST // 2**20} MiB; make it smaller"
                    )
        keep_photo(shop, job.id, path)
    return done(there, "photograph kept")


ROUTES = (get("/job/{job}/photo", show), post("/job/{job}/photo", keep))
