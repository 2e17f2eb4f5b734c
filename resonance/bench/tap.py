"""Take a tap set: how it will be taken, the set while it is taken, and sets that were cut off.

The live view comes by a socket: text when the picture changed, bytes for level and spectrum (`sight`).
Without scripts the page shows the picture as it was when it was loaded, and its buttons work all the same.
"""

import asyncio
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import WebSocketRoute
from starlette.websockets import WebSocket, WebSocketDisconnect

from resonance.bench.live import LiveSet, Picture
from resonance.bench.pages import done, get, job_path, page, post, text_of
from resonance.bench.state import bench_of, shop_of
from resonance.errors import MicrophoneError, ResonanceError
from resonance.jobs.assign import apply_fields
from resonance.jobs.change import check_repeat_kind
from resonance.jobs.job import Job
from resonance.jobs.settings import Settings
from resonance.jobs.store import Shop
from resonance.report.live import CAUTIONS, PLATE_CAUTIONS
from resonance.report.words import count_words, moment_words, set_words
from resonance.sets.tapset import CHECKS, Climate, Conditions
from resonance.sound.microphone import Microphone, find_microphone, microphones
from resonance.taking.keep import Noted, keep_spool, noted_in, replay
from resonance.taking.session import Plan
from resonance.taking.spool import Unfinished, discard, unfinished
from resonance.taking.usual import usual_conditions, usual_peak, usual_places, usual_tap_place

EVERY = 0.05  # s between two looks: twenty a second
KEYS = ("go", "drop", "finish")
HOLDINGS = ("cradle", "neck in hand", "lap", "endpin")
DAMPINGS = ("felt strip and after-lengths", "felt strip", "card", "none")
REPEATS = {
    "": "no",
    "put back": "yes: taken down and put back since",
    "untouched": "yes: nothing touched since",
    "slackened and retuned": "yes: strings slackened and retuned since",
}
CHECKED = {"": "not checked", "yes": "in order", "no": "not in order"}
TYPED = ("holding", "string_damping", "tapper", "mass_g", "remark")
AIR = ("temperature_c", "humidity_percent", "hours_in_room")


@dataclass(frozen=True)
class CutOff:
    """A set that was cut off, offered."""

    name: str
    words: str
    n: int


@dataclass(frozen=True)
class BeginPage:
    """How the next set will be taken, as fields with what is known already."""

    typed: Mapping[str, str]
    microphones: tuple[str, ...]
    cautions: tuple[str, ...]
    last: str
    whole: bool
    cut_off: tuple[CutOff, ...] = ()
    trouble: str = ""
    busy: str = ""
    after: str = ""
    after_path: str = ""
    holdings: tuple[str, ...] = HOLDINGS
    dampings: tuple[str, ...] = DAMPINGS
    repeats: tuple[tuple[str, str], ...] = tuple(REPEATS.items())
    checks: tuple[str, ...] = CHECKS
    checked: tuple[tuple[str, str], ...] = tuple(CHECKED.items())


@dataclass(frozen=True)
class LivePage:
    """A set in the taking, and what the large button does now."""

    picture: Picture
    button: str
    key: str
    where: str
    band: tuple[float, float]


def live_page(picture: Picture, band: tuple[float, float]) -> LivePage:
    """Make the live page of a picture."""
    return LivePage(picture, *large_button(picture), where_words(picture), band)


def large_button(picture: Picture) -> tuple[str, str]:
    """Give the words of the large button and the key it presses; no key where there is nothing to press."""
    if picture.stage == "moving":
        return "The microphone has moved", "go"
    if picture.stage == "listening":
        return ("Take the last tap back", "drop") if picture.kept else ("Tap now", "")
    return {"keeping": "Reading the resonances", "opening": "One moment"}.get(picture.stage, ""), ""


def where_words(picture: Picture) -> str:
    """Say where the microphone is, or is to go."""
    place = f"Microphone: {picture.place or 'place not named'}"
    return f"{place}, place {picture.take + 1} of {picture.n_places}" if picture.n_places > 1 else place


def begin_page(
    job: Job,
    settings: Settings,
    there: tuple[Microphone, ...],
    *,
    typed: Mapping[str, str] | None = None,
    cut_off: tuple[CutOff, ...] = (),
    trouble: str = "",
    busy: str = "",
    last_live: Picture | None = None,
) -> BeginPage:
    """Make the page before a set: everything as last time, unless it was typed."""
    whole = job.instrument.piece == "whole"
    names = tuple(dict.fromkeys(each.name for each in there))
    last = job.sets[-1] if job.sets else None
    return BeginPage(
        typed if typed is not None else as_last_time(job, settings),
        names,
        CAUTIONS if whole else PLATE_CAUTIONS,
        f"as in {set_words(last.id)}, {moment_words(last.taken)}" if last else "",
        whole,
        cut_off,
        trouble,
        busy,
        *_after(last_live),
    )


def _after(picture: Picture | None) -> tuple[str, str]:
    """Say how the set taken last ended, and give the address of its readings."""
    if picture is None:
        return "", ""
    if picture.set_id:
        return f"Kept as {set_words(picture.set_id)}.", job_path(picture.job, "set", picture.set_id)
    return picture.line, ""


def as_last_time(job: Job, settings: Settings) -> dict[str, str]:
    """Give the fields as the last set was taken."""
    known = usual_conditions(job, Conditions(), "")
    places = usual_places(job, ())
    return {
        "holding": known.holding,
        "string_damping": known.string_damping,
        "tapper": known.tapper,
        "tap_place": usual_tap_place(job),
        "place1": places[0],
        "place2": places[1] if len(places) > 1 else "",
        "device": settings.device,
        "taps": "4",
        "chimes": "yes",
        "repeat": "",
    }


def noted_of(job: Job, settings: Settings, typed: Mapping[str, str], device: str) -> Noted:
    """Make of what was typed how the set is taken.

    Raises
    ------
    ResonanceError   naming what does not fit
    """
    said = apply_fields(Conditions(microphone=device), {key: typed[key] for key in TYPED if typed.get(key)})
    checks = {c: {"yes": True, "no": False}.get(typed.get(f"check {c}", "")) for c in CHECKS}
    climate = apply_fields(Climate(), {key: typed[key] for key in AIR if typed.get(key)})
    places = tuple(typed[key] for key in ("place1", "place2") if typed.get(key)) or ("",)
    repeat = typed.get("repeat", "")
    check_repeat_kind(repeat)
    if repeat and not job.sets:
        raise ResonanceError("there is no tap set to repeat yet; take one first")
    taps = _taps(typed.get("taps", ""))
    plan = Plan(
        job.instrument.family,
        job.instrument.piece,
        tap_place=typed.get("tap_place", ""),
        microphone_places=places,
        wanted=taps,
        most=2 * taps,
        chimes=typed.get("chimes") == "yes",
        mains=settings.mains,
        tap_peak_dbfs=usual_peak(job, device),
    )
    conditions = replace(said, checks=checks)
    return Noted(job.id, plan, device, conditions, climate, job.sets[-1].id if repeat else None, repeat)


def _taps(text: str) -> int:
    if text.isdecimal() and 1 <= int(text) <= 20:
        return int(text)
    raise ResonanceError(f"'{text}' taps at each place cannot be taken; four are usual, up to 20 go")


def show_tap(request: Request) -> Response:
    """Show the set in the taking, or the page before one."""
    job = shop_of(request).job(request.path_params["job"])
    live = bench_of(request).microphones.now
    if live is not None and live.noted.job == job.id and not live.over:
        return page(request, "live.html", live_page(live.picture, live.sight.band), job=job, section="tap")
    return _show_begin(request, job)


def _show_begin(
    request: Request, job: Job, *, typed: Mapping[str, str] | None = None, trouble: str = ""
) -> Response:
    bench = bench_of(request)
    busy = bench.microphones.now.noted.job if bench.microphones.busy and bench.microphones.now else ""
    there: tuple[Microphone, ...] = ()
    if not busy:  # asking for the list anew would end a stream that is open
        try:
            there = microphones()
        except MicrophoneError as error:
            trouble = trouble or str(error)
    view = begin_page(
        job,
        bench.shop.settings(),
        there,
        typed=typed,
        cut_off=() if busy else cut_off_sets(bench.shop, job.id),
        trouble=trouble,
        busy=busy,
        last_live=live.picture if (live := _live_of(request)) is not None and live.over else None,
    )
    status = 422 if trouble and typed is not None else 200
    return page(request, "tap.html", view, job=job, section="tap", status=status)


def begin(request: Request, form: FormData) -> Response:
    """Begin a set."""
    bench = bench_of(request)
    shop, job = bench.shop, bench.shop.job(request.path_params["job"])
    typed = {name: text_of(form, name) for name in form}
    try:
        settings = shop.settings()
        if bench.microphones.busy:
            raise ResonanceError("a tap set is in the taking; finish it first")
        microphone = find_microphone(typed.get("device", "") or settings.device)
        noted = noted_of(job, settings, typed, microphone.name)
        bench.microphones.begin(LiveSet(shop, noted, microphone))
    except ResonanceError as error:
        return _show_begin(request, job, typed=typed, trouble=str(error))
    if typed.get("device") and typed["device"] != settings.device:
        shop.set_settings(replace(settings, device=microphone.name))
    return done(job_path(job.id, "tap"))


def press(request: Request, form: FormData) -> Response:
    """Press a key of the set in the taking."""
    live = _live_of(request)
    key = text_of(form, "key")
    if live is not None and key in KEYS:
        live.press(key)
    return done(job_path(request.path_params["job"], "tap"))


def _live_of(request: Request) -> LiveSet | None:
    live = bench_of(request).microphones.now
    return live if live is not None and live.noted.job == request.path_params["job"] else None


def cut_off_sets(shop: Shop, job: str) -> tuple[CutOff, ...]:
    """Give the sets of a job that were cut off."""
    return tuple(_cut_off(spool) for spool in unfinished(shop.folder) if noted_in(spool.note).job == job)


def _cut_off(spool: Unfinished) -> CutOff:
    session, _, _ = replay(spool)
    n = sum(session.n_kept(take) for take in range(session.take + 1))
    what = {"taps": "tap", "bowed": "note", "clap": "clap"}[session.plan.looked_for]
    words = f"A set begun {moment_words(spool.started)} was cut off: {count_words(n, f'good {what}')}."
    return CutOff(spool.folder.name, words, n)


def settle(request: Request, form: FormData) -> Response:
    """Keep or discard a set that was cut off; its name only picks among those there are."""
    shop, job = shop_of(request), request.path_params["job"]
    named = text_of(form, "name")
    there = [spool for spool in unfinished(shop.folder) if spool.folder.name == named]
    if not there:
        return done(job_path(job, "tap"), "that set had been kept or discarded already")
    if text_of(form, "what") == "discard":
        discard(there[0].folder)
        return done(job_path(job, "tap"), "discarded")
    keep_spool(shop, there[0], noted_in(there[0].note))
    return done(job_path(job), "kept")


async def watch(socket: WebSocket) -> None:
    """Send a set in the taking to one who looks on, until it is over or the page is closed."""
    live = bench_of(socket).microphones.now
    if live is None or live.noted.job != socket.path_params["job"]:
        await socket.close(4404)
        return
    await socket.accept()
    keys = asyncio.create_task(_take_keys(socket, live))
    told, shown = -1, -1
    clock = asyncio.get_running_loop().time
    due = clock()
    try:
        while not keys.done():
            if live.version != told:
                told = live.version
                await socket.send_text(told_as(live))
            if live.over:
                break
            count, picture = await run_in_threadpool(live.sight.frame)
            if count != shown:
                shown = count
                await socket.send_bytes(picture)
            due = max(due + EVERY, clock())
            await asyncio.sleep(due - clock())
    except WebSocketDisconnect:
        return
    finally:
        left = keys.done()
        keys.cancel()
    if not left:
        await socket.close()


def told_as(live: LiveSet) -> str:
    """Give the picture of a set as JSON, with what the large button does and where to go on."""
    view = live_page(live.picture, live.sight.band)
    set_id = view.picture.set_id
    path = job_path(view.picture.job, "set", set_id) if set_id else job_path(view.picture.job, "tap")
    more = {"button": view.button, "key": view.key, "where": view.where, "path": path}
    return json.dumps({**asdict(view.picture), **more})


async def _take_keys(socket: WebSocket, live: LiveSet) -> None:
    """Take the keys that a page sends, until it is closed."""
    try:
        while True:
            key = await socket.receive_text()
            if key in KEYS:
                live.press(key)
    except WebSocketDisconnect:
        return


ROUTES = (
    get("/job/{job}/tap", show_tap),
    post("/job/{job}/tap", begin),
    post("/job/{job}/tap/press", press),
    post("/job/{job}/tap/cut-off", settle),
    WebSocketRoute("/job/{job}/live", watch),
)
