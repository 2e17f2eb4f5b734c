"""Drop recordings onto a job: they are written to the disk as they come, then asked about, then kept.

The maker says after which adjustment they were taken; the date of a file is only proposed.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from resonance.bench import incoming
from resonance.bench.incoming import Arrived
from resonance.bench.pages import done, get, job_path, page, post, text_of
from resonance.bench.state import bench_of, shop_of
from resonance.bench.trouble import trouble as told
from resonance.bench.works import Progress
from resonance.errors import NotFoundError, ResonanceError, SoundFileError
from resonance.jobs.assign import apply_fields
from resonance.jobs.change import DuplicateRecording, check_repeat_kind
from resonance.jobs.job import Job
from resonance.jobs.store import Shop
from resonance.modes.threads import in_one_thread
from resonance.report.facts import adjustment_words
from resonance.report.numbers import number
from resonance.report.words import (
    adjustment_id_words,
    count_words,
    moment_words,
    reasons_words,
    sentence,
    set_words,
)
from resonance.sets.analyse import analyse_set
from resonance.sets.setup import Setup
from resonance.sets.tapset import Climate, Conditions, TapSet
from resonance.sound.files import read_recording
from resonance.sound.recording import Recording, Take
from resonance.taking.usual import usual_conditions, usual_places, usual_tap_place

NONE_YET = "none"
READING = 0.1  # share of the progress that reading the files takes
TYPED = ("holding", "string_damping", "tapper", "mass_g", "remark")
AIR = ("temperature_c", "humidity_percent", "hours_in_room")


@dataclass(frozen=True)
class FileLine:
    """One recording that waits, in words."""

    number: int
    name: str
    words: str
    warnings: tuple[str, ...] = ()
    trouble: str = ""


@dataclass(frozen=True)
class DropPage:
    """The place to drop recordings."""

    job: str


@dataclass(frozen=True)
class WaitingPage:
    """Recordings that wait to be kept, and what is asked of them."""

    batch: str
    files: tuple[FileLine, ...]
    typed: Mapping[str, str]
    after: tuple[tuple[str, str], ...]
    repeats: tuple[tuple[str, str], ...]
    whole: bool
    proposed: str
    trouble: str = ""


def waiting_page(
    job: Job,
    batch: str,
    there: Sequence[tuple[Arrived, Recording | SoundFileError]],
    *,
    typed: Mapping[str, str] | None = None,
    trouble: str = "",
) -> WaitingPage:
    """Make the page of a batch.

    Parameters
    ----------
    there : each file with its recording, or why it cannot be read
    """
    written = [each.written for each, _ in there if each.written]
    proposed = datetime.fromtimestamp(min(written)).astimezone() if written else None
    known = {"taken": f"{proposed:%Y-%m-%dT%H:%M}" if proposed else "", **_as_last_time(job, len(there))}
    last = job.sets[-1] if job.sets else None
    return WaitingPage(
        batch,
        tuple(_file_line(number, *each) for number, each in enumerate(there, 1)),
        {**known, **(typed or {})},
        _places_in_order(job),
        _repeats(last),
        job.instrument.piece == "whole",
        moment_words(proposed) if proposed else "",
        trouble,
    )


def _file_line(number_: int, it: Arrived, found: Recording | SoundFileError) -> FileLine:
    if isinstance(found, SoundFileError):
        return FileLine(number_, it.name, "", trouble=sentence(str(found)))
    seconds = len(found.samples) / found.sample_rate
    words = f"{number(seconds, 0)} s, {number(found.sample_rate / 1000.0, 1)} kHz, "
    words += count_words(found.n_channels, "channel")
    return FileLine(number_, it.name, words, tuple(map(sentence, reasons_words(found.warnings))))


def _as_last_time(job: Job, n: int) -> dict[str, str]:
    conditions = usual_conditions(job, Conditions(), "")
    places = usual_places(job, ()) if n > 1 else usual_places(job, ())[:1]
    found = {f"mic {k}": place for k, place in enumerate(places, 1)}
    found |= {"together": "yes", "tap_place": usual_tap_place(job), "repeat": ""}
    return found | {"holding": conditions.holding, "string_damping": conditions.string_damping}


def _places_in_order(job: Job) -> tuple[tuple[str, str], ...]:
    """Give the places in the order that taps may have: after each adjustment, newest first, or before all."""
    if not job.adjustments:
        return ()
    named = [
        (each.id, f"{adjustment_id_words(each.id)}: {adjustment_words(each, longest=60)}")
        for each in reversed(job.adjustments)
    ]
    return (*named, (NONE_YET, "none: they are from before all of them"))


def _repeats(last: TapSet | None) -> tuple[tuple[str, str], ...]:
    if last is None:
        return ()
    of = set_words(last.id)
    return (
        ("", "no"),
        ("put back", f"of {of}, taken down and put back since"),
        ("untouched", f"of {of}, nothing touched since"),
        ("slackened and retuned", f"of {of}, strings slackened and retuned since"),
    )


def show_drop(request: Request) -> Response:
    """Show the place to drop recordings."""
    job = shop_of(request).job(request.path_params["job"])
    return page(request, "drop.html", DropPage(job.id), job=job, section="files")


def drop(request: Request, form: FormData) -> Response:
    """Take in recordings that a form brings."""
    shop = shop_of(request)
    job = shop.job(request.path_params["job"])
    files = [each for each in form.getlist("files") if isinstance(each, UploadFile) and each.filename]
    if not files:
        raise ResonanceError("no recording was chosen; choose one or more")
    batch = incoming.new_batch(shop.folder)
    folder = incoming.batch_folder(shop.folder, batch)
    for file in files:
        incoming.take_in(folder, file.file, file.filename or "")
    return done(job_path(job.id, "files", batch))


def begin_batch(request: Request, form: FormData) -> Response:
    """Make a batch for a page that sends one recording after another."""
    shop = shop_of(request)
    job = shop.job(request.path_params["job"])
    batch = incoming.new_batch(shop.folder)
    return JSONResponse({"path": job_path(job.id, "files", batch)})


async def send(request: Request) -> Response:
    """Take in one recording as it comes."""
    try:
        shop = shop_of(request)
        folder = await run_in_threadpool(incoming.batch_folder, shop.folder, request.path_params["batch"])
        query = request.query_params
        written = _number(query.get("written", ""))
        it = await incoming.stream_in(folder, request.stream(), query.get("name", ""), written)
        found = await run_in_threadpool(_read, folder, it)
        line = _file_line(1, it, found)
        return JSONResponse({"name": line.name, "words": line.words, "trouble": line.trouble})
    except ClientDisconnect:
        return Response(status_code=499)
    except Exception as error:
        return await run_in_threadpool(told, request, error)


def _number(text: str) -> float | None:
    try:
        return float(text) if text else None
    except ValueError:
        return None


def _read(folder: Path, it: Arrived) -> Recording | SoundFileError:
    """Read a recording; it bears the name that the maker knows it by."""
    try:
        return replace(read_recording(folder / it.file), source=it.name)
    except SoundFileError as error:
        return SoundFileError(str(error).replace(it.file, it.name))


def _there(request: Request) -> tuple[Shop, Job, Path]:
    shop = shop_of(request)
    job = shop.job(request.path_params["job"])
    return shop, job, incoming.batch_folder(shop.folder, request.path_params["batch"])


def show_waiting(request: Request) -> Response:
    """Show the recordings that wait."""
    _, job, folder = _there(request)
    return _waiting(request, job, folder)


def _waiting(
    request: Request, job: Job, folder: Path, typed: Mapping[str, str] | None = None, trouble: str = ""
) -> Response:
    there = [(it, _read(folder, it)) for it in incoming.arrived(folder)]
    if not there:
        raise NotFoundError("no recording has arrived; drop them again")
    view = waiting_page(job, folder.name, there, typed=typed, trouble=trouble)
    return page(request, "waiting.html", view, job=job, section="files", status=422 if trouble else 200)


@dataclass(frozen=True)
class Wanted:
    """What the maker said of the recordings that wait.

    Parameters
    ----------
    before, after : id of an adjustment or None
    """

    files: tuple[Arrived, ...]
    places: tuple[str, ...]
    tap_place: str
    together: bool
    before: str | None
    after: str | None
    taken: datetime | None
    conditions: Conditions
    climate: Climate
    repeat_of: str | None
    repeat_kind: str


def wanted_of(job: Job, there: Sequence[Arrived], typed: Mapping[str, str]) -> Wanted:
    """Make of what was typed how the recordings are kept.

    Raises
    ------
    ResonanceError   naming what is missing or does not fit
    """
    chosen = [(k, it) for k, it in enumerate(there, 1) if typed.get(f"use {k}")]
    if not chosen:
        raise ResonanceError("no recording is chosen; tick one at least")
    after = typed.get("after", "")
    ids = [each.id for each in job.adjustments]
    if ids and after not in (*ids, NONE_YET):
        raise ResonanceError("say which adjustment came last before these taps; the order decides what moved")
    repeat = typed.get("repeat", "")
    check_repeat_kind(repeat)
    if repeat and not job.sets:
        raise ResonanceError("there is no tap set to repeat yet")
    try:
        taken = datetime.fromisoformat(typed["taken"]).astimezone() if typed.get("taken") else None
    except ValueError as error:
        raise ResonanceError(f"'{typed['taken']}' is no date and time; correct or empty it") from error
    return Wanted(
        tuple(it for _, it in chosen),
        tuple(typed.get(f"mic {k}", "") for k, _ in chosen),
        typed.get("tap_place", ""),
        typed.get("together") == "yes",
        ids[0] if ids and after == NONE_YET else None,
        after if after in ids else None,
        taken,
        apply_fields(Conditions(), {key: typed[key] for key in TYPED if typed.get(key)}),
        apply_fields(Climate(), {key: typed[key] for key in AIR if typed.get(key)}),
        job.sets[-1].id if repeat else None,
        repeat,
    )


def keep(request: Request, form: FormData) -> Response:
    """Keep the recordings, analysed; or discard them."""
    shop, job, folder = _there(request)
    if text_of(form, "what") == "discard":
        incoming.discard(folder)
        return done(job_path(job.id), "discarded")
    typed = {name: text_of(form, name) for name in form}
    try:
        wanted = wanted_of(job, incoming.arrived(folder), typed)
    except ResonanceError as error:
        return _waiting(request, job, folder, typed, str(error))

    def work(progress: Progress) -> str:
        kept = keep_wanted(shop, job, folder, wanted, progress)
        incoming.discard(folder)
        return job_path(job.id, "set", kept[-1].id)

    title = f"Reading {count_words(len(wanted.files), 'recording')}"
    back = job_path(job.id, "files", folder.name)
    return done(f"/work/{bench_of(request).works.begin(job.id, title, back, work).id}")


def keep_wanted(shop: Shop, job: Job, folder: Path, wanted: Wanted, progress: Progress) -> tuple[TapSet, ...]:
    """Analyse and keep the recordings: together one tap set, or one each.

    Raises
    ------
    ResonanceError   when one cannot be read, is in the job already, or holds no tap that can be used
    """
    paths = [folder / it.file for it in wanted.files]
    try:
        shop.refuse_duplicates(job.id, paths)
    except DuplicateRecording as error:
        named = {it.file: it.name for it in wanted.files}
        raise DuplicateRecording(named.get(error.file, error.file), error.job, error.set_id) from error
    groups = [tuple(range(len(paths)))] if wanted.together else [(k,) for k in range(len(paths))]
    kept = []
    for number_, group in enumerate(groups):

        def part(fraction: float, text: str, done_: int = number_) -> None:
            progress((done_ + fraction) / len(groups), text)

        tap_set = _analysed(shop, job, folder, wanted, group, part)
        files = [paths[k] for k in group]
        kept.append(shop.add_tap_set(job.id, tap_set, files, before=wanted.before, after=wanted.after))
    return tuple(kept)


def _analysed(
    shop: Shop, job: Job, folder: Path, wanted: Wanted, group: Sequence[int], progress: Progress
) -> TapSet:
    takes: list[Take] = []
    for k in group:
        progress(READING * len(takes) / len(group), f"reading {wanted.files[k].name}")
        found = _read(folder, wanted.files[k])
        if isinstance(found, SoundFileError):
            raise found
        takes.append(Take(found, wanted.tap_place, wanted.places[k]))
    tap_set = in_one_thread(analyse_set)(
        takes,
        family=job.instrument.family,
        piece=job.instrument.piece,
        taken=wanted.taken,
        conditions=wanted.conditions,
        climate=wanted.climate,
        pitch_a4=shop.settings().pitch_a4,
        progress=lambda fraction, text: progress(READING + (0.95 - READING) * fraction, text),
    )
    if not any(tap.kept for tap in tap_set.taps):
        names = " and ".join(wanted.files[k].name for k in group)
        raise ResonanceError(f"no tap in {names} can be used, so nothing was kept of it; record again")
    bare = replace(tap_set, setup=Setup())  # the shop fills in the setup that held at its place
    return replace(bare, repeat_of=wanted.repeat_of, repeat_kind=wanted.repeat_kind)


ROUTES = (
    get("/job/{job}/files", show_drop),
    post("/job/{job}/files", drop),
    post("/job/{job}/files/new", begin_batch),
    get("/job/{job}/files/{batch}", show_waiting),
    post("/job/{job}/files/{batch}", keep),
    Route("/job/{job}/files/{batch}", send, methods=["PUT"]),
)
