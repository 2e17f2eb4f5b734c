"""The maker's word over the program's: names, same resonances, trust in tap sets, order and dates; undo."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from math import isfinite
from urllib.parse import urlencode

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response

from resonance.bench.moved import choice_words
from resonance.bench.pages import done, get, job_path, page, post, text_of
from resonance.bench.state import shop_of
from resonance.errors import ResonanceError
from resonance.jobs.job import Entry, Job, find_adjustment, find_set, unconfirmed
from resonance.jobs.store import Shop
from resonance.jobs.undoing import undo_act, undoable
from resonance.modes.mode import Mode
from resonance.report.facts import adjustment_words, taps_words
from resonance.report.readings import NOT_WOOD, pitch_of
from resonance.report.verdicts import mode_words
from resonance.report.words import (
    adjustment_id_words,
    kind_words,
    label_alias,
    label_sign,
    moment_words,
    note_words,
    set_words,
)
from resonance.sets.tapset import TapSet

USUAL_NAMES = ("A0", "CBR", "B1-", "B1+")
ACTS_SHOWN = 15
APART = tuple(map(kind_words, NOT_WOOD))
DECIDED = {"maker": "you", "program": "the program, a guess"}


@dataclass(frozen=True)
class ModeLine:
    """A resonance of a tap set: its place, its name, and who gave it."""

    hertz: str
    shown: str
    note: str
    name: str
    words: str
    kind: str
    decided: str


@dataclass(frozen=True)
class OrderLine:
    """A line of the order, and what can be done with it."""

    id: str
    name: str
    words: str
    when: str
    at: str
    dated: bool
    waits: bool
    first: bool
    last: bool
    trust: str = ""  # 'trusted' or 'suspected' for a tap set
    target: bool = False


@dataclass(frozen=True)
class ActLine:
    """Something that was done, and can be taken back."""

    id: int
    when: str
    words: str


@dataclass(frozen=True)
class OverrulePage:
    """All that can be overruled in a job."""

    sets: tuple[tuple[str, str], ...]
    set: str
    title: str
    modes: tuple[ModeLine, ...]
    names: tuple[str, ...]
    places: tuple[tuple[str, str], ...]
    others: tuple[tuple[str, str], ...]
    order: tuple[OrderLine, ...]
    waits: bool
    acts: tuple[ActLine, ...]
    apart: tuple[str, ...] = APART


def overrule_page(shop: Shop, job: Job, set_id: str = "") -> OverrulePage:
    """Make the page; names are those of one tap set, the last one unless said."""
    shown = find_set(job, set_id) if set_id else job.sets[-1] if job.sets else None
    modes = tuple(_mode_line(mode, pitch_of(shown)) for mode in shown.modes) if shown else ()
    waits = {entry.id for entry in unconfirmed(job)}
    acts = undoable(shop, job.id)[:ACTS_SHOWN]
    return OverrulePage(
        tuple((each.id, choice_words(job, each)) for each in reversed(job.sets)),
        shown.id if shown else "",
        set_words(shown.id).capitalize() if shown else "",
        modes,
        tuple(map(label_sign, USUAL_NAMES)),
        tuple((line.hertz, " ".join(filter(None, [line.words, line.shown, "Hz"]))) for line in modes),
        tuple((each.id, choice_words(job, each)) for each in reversed(job.sets) if each is not shown),
        tuple(_order_line(job, k, waits) for k in reversed(range(len(job.timeline)))),
        bool(waits),
        tuple(ActLine(act.id, moment_words(act.made), act.text) for act in acts),
    )


def _mode_line(mode: Mode, pitch: float) -> ModeLine:
    guess = "?" if mode.label and mode.labelled_by != "maker" else ""
    name = label_sign(mode.label) if mode.label else ""
    alias = label_alias(mode.label) if mode.label else ""
    return ModeLine(
        f"{mode.frequency:.3f}",
        mode_words(replace(mode, label=None)).removesuffix(" Hz"),
        note_words(mode.frequency, pitch_a4=pitch),
        name,
        ", ".join(filter(None, [name + guess, alias])),
        kind_words(mode.kind),
        DECIDED.get(mode.labelled_by, "") if mode.label else "",
    )


def _order_line(job: Job, place: int, waits: set[str]) -> OrderLine:
    entry = job.timeline[place]
    name, words, at = _entry_words(job, entry)
    trust = ("suspected" if entry.id in job.suspected else "trusted") if entry.kind == "tap set" else ""
    return OrderLine(
        entry.id,
        name,
        words,
        moment_words(at) if at else "",
        f"{at.astimezone():%Y-%m-%dT%H:%M}" if at else "",
        entry.kind != "remark",
        entry.id in waits,
        place == 0,
        place == len(job.timeline) - 1,
        trust,
        entry.id == job.target,
    )


def _entry_words(job: Job, entry: Entry) -> tuple[str, str, datetime | None]:
    if entry.kind == "tap set":
        tap_set = find_set(job, entry.id)
        repeat = f", repeats {set_words(tap_set.repeat_of)}" if tap_set.repeat_of else ""
        return set_words(entry.id).capitalize(), taps_words(tap_set) + repeat, tap_set.taken
    if entry.kind == "adjustment":
        adjustment = find_adjustment(job, entry.id)
        made = adjustment.made if entry.at_given else None
        return adjustment_id_words(entry.id).capitalize(), adjustment_words(adjustment), made
    return "Remark", entry.text, entry.at


def show(request: Request) -> Response:
    """Show what can be overruled."""
    shop = shop_of(request)
    job = shop.job(request.path_params["job"])
    view = overrule_page(shop, job, request.query_params.get("set", ""))
    return page(request, "overrule.html", view, job=job, section="overrule")


def name(request: Request, form: FormData) -> Response:
    """Name a resonance, confirm its name, or take it away."""
    shop, job, tap_set = _found(request, form)
    given = text_of(form, "name").replace("−", "-").replace("–", "-").removesuffix("?").strip()
    away = text_of(form, "what") == "away"
    if not given and not away:
        raise ResonanceError("the name is empty; write A0, CBR, B1−, B1+, or a name of your own")
    mode = shop.label(job.id, tap_set.id, _hertz(form, "hertz"), None if away else given)
    where = set_words(tap_set.id)
    said = (
        f"no name now: {mode_words(mode)} in {where}"
        if away
        else f"named by you: {mode_words(mode)} in {where}"
    )
    return done(_back(job, tap_set), said)


def same(request: Request, form: FormData) -> Response:
    """Say that two resonances of two tap sets are one."""
    shop, job, tap_set = _found(request, form)
    other = find_set(job, text_of(form, "other"))
    first = (tap_set.id, _hertz(form, "hertz"))
    modes = shop.same_mode(job.id, first, (other.id, _hertz(form, "other_hertz")))
    sets = (set_words(each.id) for each in (tap_set, other))
    told = [f"{mode_words(mode)} in {words}" for mode, words in zip(modes, sets, strict=True)]
    return done(_back(job, tap_set), f"one resonance from now on: {told[0]}, and {told[1]}")


def order(request: Request, form: FormData) -> Response:
    """Move a line, date it, trust a tap set or not, aim at it."""
    shop = shop_of(request)
    job = shop.job(request.path_params["job"])
    ids = [entry.id for entry in job.timeline]
    entry, what = text_of(form, "id"), text_of(form, "what")
    if entry not in ids or what not in DONE:
        raise ResonanceError("that line is not there any more; look at the order again")
    said = DONE[what](shop, job, entry, text_of(form, "at"))
    return done(f"{job_path(job.id, 'overrule')}#order", said)


def confirm(request: Request, form: FormData) -> Response:
    """Take the order as it stands for the maker's word."""
    job = shop_of(request).confirm_order(request.path_params["job"])
    return done(f"{job_path(job.id, 'overrule')}#order", "the order is confirmed by you")


def undo(request: Request, form: FormData) -> Response:
    """Take an act back."""
    shop = shop_of(request)
    job = shop.job(request.path_params["job"])
    number = text_of(form, "act")
    if number not in {str(act.id) for act in undoable(shop, job.id)}:
        raise ResonanceError("that was taken back already, or is not of this job; look at the list again")
    act = undo_act(shop, int(number))
    gone = not any(line.id == job.id for line in shop.jobs())
    return done("/" if gone else f"{job_path(job.id, 'overrule')}#acts", f"taken back: {act.text}")


def _earlier(shop: Shop, job: Job, entry: str, at: str) -> str:
    return _moved(shop, job, entry, -1)


def _later(shop: Shop, job: Job, entry: str, at: str) -> str:
    return _moved(shop, job, entry, 1)


def _moved(shop: Shop, job: Job, entry: str, way: int) -> str:
    """Put a line before the one above it in time, or after the one below."""
    ids = [each.id for each in job.timeline]
    place = ids.index(entry) + way
    if not 0 <= place < len(ids):
        raise ResonanceError("it stands at the end of the order already")
    if way < 0:
        shop.move_entry(job.id, entry, before=ids[place])
    else:
        shop.move_entry(job.id, entry, after=ids[place])
    return "moved; its place in the order is confirmed by you"


def _date(shop: Shop, job: Job, entry: str, at: str) -> str:
    try:
        when = datetime.fromisoformat(at).astimezone()
    except (ValueError, OverflowError) as error:
        raise ResonanceError(f"'{at}' is no date and time; write it like 2026-03-01T14:30") from error
    if any(tap_set.id == entry for tap_set in job.sets):
        shop.edit_tap_set(job.id, entry, taken=when)
    else:
        shop.edit_adjustment(job.id, replace(find_adjustment(job, entry), made=when))
    return f"dated {moment_words(when)}; the order stays as it is"


def _suspect(shop: Shop, job: Job, entry: str, at: str) -> str:
    shop.suspect_set(job.id, entry)
    return f"{set_words(entry)} is left out of the weeks by your word; all else stays"


def _trust(shop: Shop, job: Job, entry: str, at: str) -> str:
    shop.suspect_set(job.id, entry, suspect=False)
    return f"{set_words(entry)} counts in the weeks again"


def _aim(shop: Shop, job: Job, entry: str, at: str) -> str:
    shop.set_target(job.id, entry)
    return f"you aim at {set_words(entry)}"


DONE: dict[str, Callable[[Shop, Job, str, str], str]] = {
    "earlier": _earlier,
    "later": _later,
    "date": _date,
    "suspect": _suspect,
    "trust": _trust,
    "aim": _aim,
}


def _found(request: Request, form: FormData) -> tuple[Shop, Job, TapSet]:
    shop = shop_of(request)
    job = shop.job(request.path_params["job"])
    return shop, job, find_set(job, text_of(form, "set"))


def _back(job: Job, tap_set: TapSet) -> str:
    return f"{job_path(job.id, 'overrule')}?{urlencode({'set': tap_set.id})}"


def _hertz(form: FormData, field: str) -> float:
    text = text_of(form, field).replace(",", ".").lower().removesuffix("hz").strip()
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not (isfinite(value) and value > 0.0):
        raise ResonanceError(f"'{text}' is no frequency; write it in hertz, such as 437.5")
    return value


ROUTES = (
    get("/job/{job}/overrule", show),
    post("/job/{job}/overrule/name", name),
    post("/job/{job}/overrule/same", same),
    post("/job/{job}/overrule/order", order),
    post("/job/{job}/overrule/confirm", confirm),
    post("/job/{job}/overrule/undo", undo),
)
