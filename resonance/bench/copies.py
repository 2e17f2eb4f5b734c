"""Report, export and backup: made beside the page, then saved from it."""

import shutil
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import FileResponse, Response

from resonance.bench.made import MadeFile
from resonance.bench.pages import done, get, job_path, page, post, text_of
from resonance.bench.state import Bench, bench_of, shop_of
from resonance.bench.works import Progress
from resonance.errors import ResonanceError
from resonance.jobs.answers import mixed_words
from resonance.jobs.archive import export_job
from resonance.jobs.backup import backup
from resonance.jobs.job import Job, unconfirmed
from resonance.jobs.store import Shop
from resonance.report.build import FORMS, build
from resonance.report.words import count_words, sentence

AUDIENCES = (("customer", "the customer"), ("bench", "my bench"))
KINDS = (("pdf", "PDF, to print"), ("html", "HTML, one file"), ("txt", "plain text"))
PAPERS = (("a4", "A4"), ("letter", "Letter"))
USUAL = {"audience": "customer", "form": "pdf", "paper": "a4"}
ZIP = "application/zip"
ORDER_WAITS = "The order of some lines is proposed, not confirmed; the report says so. Confirm it first:"


@dataclass(frozen=True)
class CopiesPage:
    """What can be made of a job, and what to see to before."""

    typed: dict[str, str] = field(default_factory=lambda: dict(USUAL))
    audiences: tuple[tuple[str, str], ...] = AUDIENCES
    forms: tuple[tuple[str, str], ...] = KINDS
    papers: tuple[tuple[str, str], ...] = PAPERS
    warnings: tuple[str, ...] = ()
    order: str = ""


@dataclass(frozen=True)
class MadePage:
    """A file that is ready to be saved."""

    name: str
    path: str
    size: str
    words: str


def copies_page(job: Job) -> CopiesPage:
    """Make the page."""
    mixed = mixed_words(job)
    warnings = (sentence(mixed),) if mixed else ()
    return CopiesPage(warnings=warnings, order=ORDER_WAITS if unconfirmed(job) else "")


def size_words(n_bytes: int) -> str:
    """Say how large a file is: '12 kB', '3.2 MB', '812 MB'."""
    mega = n_bytes / 1e6
    if mega < 0.1:
        return f"{max(1, round(n_bytes / 1e3))} kB"
    return f"{mega:.1f} MB" if mega < 9.95 else f"{mega:.0f} MB"


def show(request: Request) -> Response:
    """Show what can be made."""
    job = shop_of(request).job(request.path_params["job"])
    return page(request, "copies.html", copies_page(job), job=job, section="copies")


def make_report(request: Request, form: FormData) -> Response:
    """Make a report."""
    asked = {name: text_of(form, name) or usual for name, usual in USUAL.items()}
    for name, known in (("audience", AUDIENCES), ("form", KINDS), ("paper", PAPERS)):
        if asked[name] not in dict(known):
            raise ResonanceError("there is no such report; choose one on the page of reports")

    def make(bench: Bench, job: str, progress: Progress) -> MadeFile:
        built = build(
            bench.shop,
            job,
            audience=asked["audience"],
            form=asked["form"],
            paper=asked["paper"],
            progress=progress,
        )
        return bench.made.make(bench.shop.folder, built.name, FORMS[asked["form"]], _write(built.data))

    return _begun(request, "Making the report", make)


def make_export(request: Request, form: FormData) -> Response:
    """Make an export of the job, as one file."""

    def make(bench: Bench, job: str, progress: Progress) -> MadeFile:
        name = f"{job}-{bench.shop.clock():%Y-%m-%d}"

        def write(path: Path) -> str:
            _zip_export(bench.shop, job, path, name, progress)
            return (
                "All of the job: recordings, readings, words, and what was done when. Unpack it, then "
                "'resonance job import FOLDER' brings it into any shop."
            )

        return bench.made.make(bench.shop.folder, f"{name}.zip", ZIP, write)

    return _begun(request, "Exporting the job", make)


def make_backup(request: Request, form: FormData) -> Response:
    """Make a backup of the whole shop."""

    def make(bench: Bench, job: str, progress: Progress) -> MadeFile:
        def write(path: Path) -> str:
            found = backup(bench.shop, path, progress=progress)
            harm = [sentence(each.text) for each in found.problems if not each.harmless]
            words = f"The whole shop, read back: {count_words(found.n_files, 'recording')}."
            return " ".join([words, *(["Damage that was there already:"] if harm else []), *harm])

        name = f"shop-{bench.shop.clock():%Y-%m-%d-%H%M}.zip"
        return bench.made.make(bench.shop.folder, name, ZIP, write)

    return _begun(request, "Backing the shop up", make)


def _write(data: bytes) -> Callable[[Path], str]:
    def write(path: Path) -> str:
        path.write_bytes(data)
        return ""

    return write


def _zip_export(shop: Shop, job: str, path: Path, name: str, progress: Progress) -> None:
    """Export a job into a folder aside, and put it into one file as it stands."""
    with tempfile.TemporaryDirectory(dir=path.parent) as aside:
        folder = export_job(shop, job, Path(aside) / "job", progress=lambda f, text: progress(0.7 * f, text))
        progress(0.7, "packing")
        with zipfile.ZipFile(path, "w") as archive:
            for each in sorted(folder.rglob("*")):
                if each.is_file():
                    archive.write(each, f"{name}/{each.relative_to(folder).as_posix()}")
        shutil.rmtree(folder)


def _begun(request: Request, title: str, make: Callable[[Bench, str, Progress], MadeFile]) -> Response:
    bench = bench_of(request)
    job = bench.shop.job(request.path_params["job"]).id

    def work(progress: Progress) -> str:
        return job_path(job, "made", make(bench, job, progress).id)

    return done(f"/work/{bench.works.begin(job, title, job_path(job, 'copies'), work).id}")


def show_made(request: Request) -> Response:
    """Show a file that is ready."""
    job = shop_of(request).job(request.path_params["job"])
    made = bench_of(request).made.find(request.path_params["word"])
    path = f"{job_path(job.id, 'made', made.id)}/file"
    view = MadePage(made.name, path, size_words(made.path.stat().st_size), made.words)
    return page(request, "made.html", view, job=job, section="copies")


def give(request: Request) -> Response:
    """Give a file to be saved."""
    made = bench_of(request).made.find(request.path_params["word"])
    return FileResponse(made.path, media_type=made.media_type, filename=made.name)


ROUTES = (
    get("/job/{job}/copies", show),
    post("/job/{job}/copies/report", make_report),
    post("/job/{job}/copies/export", make_export),
    post("/job/{job}/copies/backup", make_backup),
    get("/job/{job}/made/{word}", show_made),
    get("/job/{job}/made/{word}/file", give),
)
