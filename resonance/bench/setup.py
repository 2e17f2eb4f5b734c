"""The setup as it is now: instrument, post, bridge, strings, tail and fittings, and the stage of the body."""

from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from datetime import datetime
from typing import Any

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response

from resonance.bench.jobs import TYPED as OF_INSTRUMENT
from resonance.bench.pages import done, get, job_path, page, post, text_of
from resonance.bench.post import STEP_MM, PostDrawing, post_drawing, stepped
from resonance.bench.state import shop_of
from resonance.errors import ResonanceError
from resonance.jobs.assign import apply_instrument, apply_setup
from resonance.jobs.images import photo_of
from resonance.jobs.job import Job
from resonance.modes.ranges import OPEN_STRINGS
from resonance.report.facts import STAGE_WORDS, setup_facts
from resonance.report.numbers import plain
from resonance.report.words import string_words
from resonance.sets.instrument import FAMILIES, Instrument
from resonance.sets.setup import Setup

STRING_PARTS = ("gauge_note", "fitted", "tension_n")
PLACES = ("post.behind_mm", "post.inward_mm")
UNITS = {"_mm": "mm", "_g": "g", "_n": "N", "_a4": "Hz"}
SIDES = (("treble", "treble side"), ("bass", "bass side: a left-handed instrument"))
YES_NO = (("", "not noted"), ("yes", "yes"), ("no", "no"))


@dataclass(frozen=True)
class Field:
    """One entry as a field: its key, its words and its unit."""

    key: str
    words: str
    unit: str = ""
    hint: str = ""
    options: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Group:
    """Fields that belong together under a heading; `told` says what is noted of them."""

    title: str
    fields: tuple[Field, ...]
    told: str = ""


@dataclass(frozen=True)
class SetupPage:
    """The setup as fields, with the post drawn."""

    typed: Mapping[str, str]
    groups: tuple[Group, ...]
    strings: tuple[tuple[str, str], ...]
    strings_told: str
    families: tuple[str, ...]
    drawing: PostDrawing | None
    photo: bool = False
    step: float = STEP_MM
    trouble: str = ""
    stages: tuple[tuple[str, str], ...] = (("", "not noted"), *STAGE_WORDS.items())


WORDS = {
    "post.length_mm": "Length",
    "post.diameter_mm": "Diameter",
    "post.fit": "Fit of its ends",
    "post.position_u_mm": "Place is read to about",
    "bridge.height_mm": "Height at the middle",
    "bridge.mass_g": "Weight",
    "bridge.lean_mm": "Lean of its top",
    "bridge.note": "Note",
    "tail.tailpiece_mass_g": "Tailpiece, weight",
    "tail.cord_material": "Tail cord",
    "tail.cord_length_mm": "Cord length",
    "tail.afterlength_mm": "Afterlength",
    "tail.fine_tuners": "Fine tuners",
    "fittings.chin_rest_type": "Chin rest",
    "fittings.chin_rest_place": "Where it sits",
    "fittings.mute_parked": "Mute parked on the strings",
    "fittings.suppressor_string": "Wolf suppressor on string",
    "fittings.suppressor_mm": "Suppressor, from the bridge",
    "fittings.suppressor_g": "Suppressor, weight",
    "projection_mm": "Projection",
    "string_height_mm": "String height",
    "pitch_a4": "Tuned to, A4",
}
HINTS = {
    "bridge.lean_mm": "towards the fingerboard; minus: towards the tailpiece",
    "tail.afterlength_mm": "bridge to tailpiece",
}
GROUPS = (
    ("Soundpost", "post."),
    ("Bridge", "bridge."),
    ("Tail", "tail."),
    ("Fittings", "fittings."),
    ("Neck and tuning", ""),
)


def setup_page(
    job: Job, *, typed: Mapping[str, str] | None = None, photo: bool = False, trouble: str = ""
) -> SetupPage:
    """Make the page of a job's setup, with what was typed in place of what is noted."""
    noted = noted_text(job)
    known = {**noted, **(typed or {})}
    whole = job.instrument.piece == "whole"
    told = dict(setup_facts(job.setup))
    return SetupPage(
        known,
        tuple(_group(title, prefix, told) for title, prefix in GROUPS) if whole else (),
        tuple((name, string_words(name)) for name in _string_names(job)) if whole else (),
        told.get("Strings", ""),
        FAMILIES,
        _drawn(job, known) if whole else None,
        photo=photo,
        trouble=trouble,
    )


def _group(title: str, prefix: str, told: Mapping[str, str]) -> Group:
    keys = [key for key in WORDS if (key.startswith(prefix) if prefix else "." not in key)]
    entries = tuple(_field(key) for key in keys)
    if prefix == "post.":
        entries = (*entries, Field("post.side", "Stands on the", options=SIDES))
    names = (title,) if prefix else ("Projection", "String height", "Tuned to")
    return Group(title, entries, "; ".join(told[name] for name in names if name in told))


def _field(key: str) -> Field:
    unit = next((words for ending, words in UNITS.items() if key.endswith(ending)), "")
    options = YES_NO if key == "fittings.mute_parked" else ()
    return Field(key, WORDS[key], unit, HINTS.get(key, ""), options)


def _string_names(job: Job) -> tuple[str, ...]:
    """Strings of the family, the highest first, and any others that are noted."""
    usual = OPEN_STRINGS.get(job.instrument.family, ())[::-1]
    return tuple(dict.fromkeys((*usual, *(string.name for string in job.setup.strings))))


def _drawn(job: Job, known: Mapping[str, str]) -> PostDrawing:
    """Draw the post as typed; what cannot be read is drawn as noted."""
    keys = (*PLACES, "post.position_u_mm", "post.diameter_mm", "post.side")
    try:
        setup = apply_setup(Setup(), {key: known[key] for key in keys if known.get(key)})
    except ResonanceError:
        setup = job.setup
    return post_drawing(setup.post, job.instrument.family)


def noted_text(job: Job) -> dict[str, str]:
    """Give instrument and setup as fields hold them: every entry by its dotted key, '' where not noted."""
    found = {key: _text(getattr(job.instrument, key)) for key in OF_INSTRUMENT}
    found |= _texts(job.setup)
    for name in _string_names(job):
        string = next((each for each in job.setup.strings if each.name == name), None)
        for part in STRING_PARTS:
            found[f"strings.{name}.{part}"] = _text(getattr(string, part)) if string else ""
    return found


def _texts(noted: Any, prefix: str = "") -> dict[str, str]:
    found: dict[str, str] = {}
    for entry in fields(noted):
        value = getattr(noted, entry.name)
        if is_dataclass(value):
            found |= _texts(value, f"{prefix}{entry.name}.")
        elif entry.name != "strings":
            found[prefix + entry.name] = _text(value)
    return found


def _text(value: Any) -> str:
    """Write an entry as the maker would type it; '' where it is not noted."""
    if value is None or value != value:  # NaN
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return plain(value, digits=6).replace("−", "-")
    return f"{value:%Y-%m-%d}" if isinstance(value, datetime) else str(value)


def changed(noted: Mapping[str, str], typed: Mapping[str, str]) -> dict[str, str]:
    """Give the entries that were typed otherwise than they are noted."""
    return {key: value for key, value in typed.items() if key in noted and value != noted[key]}


def show_setup(request: Request) -> Response:
    """Show the setup."""
    shop = shop_of(request)
    job = shop.job(request.path_params["job"])
    view = setup_page(job, photo=photo_of(shop, job.id) is not None)
    return page(request, "setup.html", view, job=job, section="setup")


def note(request: Request, form: FormData) -> Response:
    """Note what was typed, or move the post in the drawing by a step."""
    shop = shop_of(request)
    job = shop.job(request.path_params["job"])
    typed = {name: text_of(form, name) for name in form if name != "step"}
    try:
        if form.get("step"):
            return _again(request, job, stepped_post(typed, text_of(form, "step")))
        instrument, setup = _applied(job, changed(noted_text(job), typed))
    except ResonanceError as error:
        return _again(request, job, typed, str(error))
    said = []
    if instrument != job.instrument:
        shop.edit_job(job.id, instrument=instrument)
        said.append("instrument")
    if _texts(setup) != _texts(job.setup) or setup.strings != job.setup.strings:
        shop.set_setup(job.id, setup)
        said.append("setup")
    return done(job_path(job.id, "setup"), f"{' and '.join(said)} noted" if said else "nothing was changed")


def _applied(job: Job, new: Mapping[str, str]) -> tuple[Instrument, Setup]:
    of_instrument = {key: value for key, value in new.items() if key in OF_INSTRUMENT}
    of_setup = {key: value for key, value in new.items() if key not in OF_INSTRUMENT}
    return apply_instrument(job.instrument, of_instrument), apply_setup(job.setup, of_setup)


def stepped_post(typed: Mapping[str, str], wanted: str) -> dict[str, str]:
    """Move the typed place of the post by a step, such as ``post.behind_mm +0.25``.

    Raises
    ------
    ResonanceError   when it is no step, or the place typed is no number
    """
    key, _, size = wanted.partition(" ")
    if key not in PLACES or size not in (f"+{STEP_MM}", f"-{STEP_MM}"):
        raise ResonanceError("that is no step; use the buttons beside the drawing")
    now = apply_setup(Setup(), {key: typed.get(key, "")}).post
    value = now.behind_mm if key == PLACES[0] else now.inward_mm
    return {**typed, key: plain(max(0.0, stepped(value, float(size))), digits=6)}


def _again(request: Request, job: Job, typed: Mapping[str, str], trouble: str = "") -> Response:
    has = photo_of(shop_of(request), job.id) is not None
    view = setup_page(job, typed=typed, photo=has, trouble=trouble)
    return page(request, "setup.html", view, job=job, section="setup", status=422 if trouble else 200)


ROUTES = (get("/job/{job}/setup", show_setup), post("/job/{job}/setup", note))
