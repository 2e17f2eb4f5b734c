"""Log an adjustment: first what could be seen today and what to take care of, then what was changed."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from math import isfinite, nan

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response

from resonance.bench.pages import done, get, job_path, page, post, text_of
from resonance.bench.post import STEP_MM, PostDrawing, post_drawing, stepped
from resonance.bench.state import shop_of
from resonance.changes.comparison import Repeatability
from resonance.errors import ResonanceError
from resonance.jobs.answers import put_back_scatter
from resonance.jobs.assign import apply_fields
from resonance.jobs.job import Job
from resonance.jobs.store import Shop
from resonance.report.beforehand import caution_words, missing_set_words, seen_blocks
from resonance.report.blocks import Block
from resonance.report.facts import PART_WORDS, STAGE_WORDS, adjustment_words
from resonance.report.numbers import plain
from resonance.report.words import adjustment_id_words
from resonance.sets.setup import FARTHEST_MM, PARTS, Adjustment

OF_PLATE = ("body", "other")
PLATE_WORDS = {"body": "the plate: wood taken away, bar", "other": "other work"}
CHAPTERS = {
    "soundpost": "it is a new post",
    "strings": "all strings are new",
    "body": "the body was opened, or closed again",
}
ENDS = {"": "not said", "top": "top end", "bottom": "bottom end", "both": "both ends"}
ALONG = {"away": 1.0, "towards": -1.0}
ACROSS = {"in": 1.0, "out": -1.0}
TYPED = (
    "along", "along_way", "across", "across_way", "end", "note", "made", "new_chapter", "anyway", "stage",
)  # fmt: skip


@dataclass(frozen=True)
class AdjustPage:
    """What could be seen today, what to take care of, and the form."""

    part: str
    parts: tuple[tuple[str, str], ...]
    seen: tuple[Block, ...] = ()
    missing: str = ""
    cautions: tuple[str, ...] = ()
    typed: Mapping[str, str] | None = None
    drawing: PostDrawing | None = None
    chapter: str = ""
    far: bool = False
    trouble: str = ""
    step: float = STEP_MM
    ends: tuple[tuple[str, str], ...] = tuple(ENDS.items())
    stages: tuple[tuple[str, str], ...] = ()


def adjust_page(
    job: Job,
    part: str,
    yardstick: Repeatability,
    *,
    typed: Mapping[str, str] | None = None,
    trouble: str = "",
) -> AdjustPage:
    """Make the page; without a part it only asks for one."""
    whole = job.instrument.piece == "whole"
    words = PART_WORDS if whole else PLATE_WORDS
    parts = tuple((key, words[key]) for key in (PARTS if whole else OF_PLATE))
    if part not in dict(parts):
        return AdjustPage("", parts)
    last = job.sets[-1] if job.sets else None
    known = typed if typed is not None else {"along_way": "away", "across_way": "in", "end": ""}
    move = moved(known) if part == "soundpost" else None
    return AdjustPage(
        part,
        parts,
        tuple(seen_blocks(job, last, part, yardstick=yardstick)) if last is not None and last.modes else (),
        missing_set_words(job),
        caution_words(part, piece=job.instrument.piece),
        known,
        post_drawing(job.setup.post, job.instrument.family, move) if part == "soundpost" and whole else None,
        CHAPTERS.get(part, "") if whole else "",
        move is not None and _is_far(move),
        trouble,
        stages=(("", "as it was"), *STAGE_WORDS.items()) if part == "body" and whole else (),
    )


def moved(typed: Mapping[str, str]) -> Adjustment:
    """Give the move of the post that was typed; what cannot be read counts as not noted."""
    return Adjustment(
        "",
        along_mm=_signed(typed, "along", ALONG),
        across_mm=_signed(typed, "across", ACROSS),
    )


def _signed(typed: Mapping[str, str], name: str, ways: Mapping[str, float]) -> float:
    try:
        value = float(typed.get(name, "").replace(",", ".").removesuffix("mm").strip() or "nan")
    except ValueError:
        return nan
    return value * ways.get(typed.get(f"{name}_way", ""), 1.0) if isfinite(value) else nan


def _is_far(move: Adjustment) -> bool:
    return any(abs(way) > FARTHEST_MM for way in (move.along_mm, move.across_mm))


def step(typed: Mapping[str, str], wanted: str) -> dict[str, str]:
    """Move the typed displacement by a step, such as ``along +0.25``; it keeps its words for the way.

    Raises
    ------
    ResonanceError   when it is no step
    """
    name, _, size = wanted.partition(" ")
    ways = {"along": ALONG, "across": ACROSS}.get(name)
    if ways is None or size not in (f"+{STEP_MM}", f"-{STEP_MM}"):
        raise ResonanceError("that is no step; use the buttons beside the drawing")
    value = stepped(_signed(typed, name, ways), float(size))
    forward, back = ways
    way = forward if value > 0 else back if value < 0 else typed.get(f"{name}_way") or forward
    return {**typed, name: plain(abs(value)), f"{name}_way": way}


def adjustment_of(part: str, typed: Mapping[str, str]) -> Adjustment:
    """Make an adjustment of what was typed.

    Raises
    ------
    ResonanceError   naming what does not fit
    """
    given = {key: typed[key] for key in ("end", "note") if typed.get(key)}
    made = typed.get("made", "")
    found = apply_fields(Adjustment("", part=part, made=_when(made)), given)
    if part != "soundpost":
        return replace(found, new_chapter=_opens(part, typed))
    for name in ("along", "across"):
        text = typed.get(name, "")
        apply_fields(found, {f"{name}_mm": text} if text else {})  # tells what cannot be read
    move = moved(typed)
    if _is_far(move) and not typed.get("anyway"):
        raise ResonanceError(
            f"a post is hardly moved by more than {FARTHEST_MM:g} mm at once; if it did, tick that it did"
        )
    return replace(found, along_mm=move.along_mm, across_mm=move.across_mm, new_chapter=_opens(part, typed))


def _opens(part: str, typed: Mapping[str, str]) -> bool:
    """Whether it opens a new chapter: said so, or the body was reopened."""
    return bool(part in CHAPTERS and typed.get("new_chapter")) or typed.get("stage") == "reopened"


def _when(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text).astimezone() if text else None
    except ValueError as error:
        raise ResonanceError(f"'{text}' is no date and time; leave it empty for just now") from error


def show_adjust(request: Request) -> Response:
    """Show the page of a part, or ask which."""
    shop = shop_of(request)
    job = shop.job(request.path_params["job"])
    view = adjust_page(job, request.query_params.get("part", ""), put_back_scatter(job, shop=shop))
    return page(request, "adjust.html", view, job=job, section="adjust")


def log(request: Request, form: FormData) -> Response:
    """Note the adjustment, or move the drawing by a step."""
    shop = shop_of(request)
    job = shop.job(request.path_params["job"])
    part, typed = text_of(form, "part"), {name: text_of(form, name) for name in TYPED}
    try:
        if form.get("step"):
            return _again(request, shop, job, part, step(typed, text_of(form, "step")))
        added = shop.add_adjustment(job.id, adjustment_of(part, typed))
    except ResonanceError as error:
        return _again(request, shop, job, part, typed, str(error))
    if typed["stage"]:
        now = shop.job(job.id).setup
        shop.set_setup(job.id, replace(now, stage=typed["stage"]))
    return done(job_path(job.id), f"noted as {adjustment_id_words(added.id)}: {adjustment_words(added)}")


def _again(
    request: Request, shop: Shop, job: Job, part: str, typed: Mapping[str, str], trouble: str = ""
) -> Response:
    """Show the form again with what was typed."""
    view = adjust_page(job, part, put_back_scatter(job, shop=shop), typed=typed, trouble=trouble)
    return page(request, "adjust.html", view, job=job, section="adjust", status=422 if trouble else 200)


ROUTES = (get("/job/{job}/adjust", show_adjust), post("/job/{job}/adjust", log))
