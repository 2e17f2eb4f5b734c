"""One job at a glance: what comes next, its last readings, what was done to it in order; and remarks."""

from dataclasses import dataclass

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response

from resonance.bench.pages import done, get, job_path, page, post, text_of
from resonance.bench.state import shop_of
from resonance.errors import ResonanceError
from resonance.jobs.job import Entry, Job, find_adjustment, find_set, unconfirmed
from resonance.report.facts import adjustment_words, instrument_facts, setup_facts, taps_words
from resonance.report.live import reading_words
from resonance.report.words import adjustment_id_words, count_words, moment_words, set_words
from resonance.sets.tapset import TapSet
from resonance.taking.readings import main_modes


@dataclass(frozen=True)
class Line:
    """One line of a job's order, in words."""

    kind: str
    name: str
    when: str
    words: str
    path: str = ""
    waits: bool = False


@dataclass(frozen=True)
class Next:
    """What comes next: words, and the button that leads there."""

    words: str
    button: str
    path: str


@dataclass(frozen=True)
class JobPage:
    """A job in words."""

    next: Next
    last: str
    last_path: str
    readings: tuple[tuple[str, str], ...]
    lines: tuple[Line, ...]
    instrument: tuple[tuple[str, str], ...]
    setup: tuple[tuple[str, str], ...]
    notes: str


def job_page(job: Job) -> JobPage:
    """Make the page of a job: the newest line first."""
    waits = {entry.id for entry in unconfirmed(job)}
    last = job.sets[-1] if job.sets else None
    return JobPage(
        next_of(job),
        f"{set_words(last.id).capitalize()}, {moment_words(last.taken)}" if last else "",
        job_path(job.id, "set", last.id) if last else "",
        readings_of(last) if last else (),
        tuple(_line(job, entry, entry.id in waits) for entry in reversed(job.timeline)),
        instrument_facts(job.instrument, owner=True),
        setup_facts(job.setup),
        job.notes,
    )


def next_of(job: Job) -> Next:
    """Say what comes next: a tap set before anything is changed and after each adjustment, else the work."""
    done_ = [entry for entry in job.timeline if entry.kind != "remark"]
    tap, adjust = job_path(job.id, "tap"), job_path(job.id, "adjust")
    if not done_:
        return Next(
            "Nothing is noted yet. Begin with a tap set, before anything is changed.", "Take a tap set", tap
        )
    if done_[-1].kind == "adjustment":
        since = adjustment_id_words(done_[-1].id).capitalize()
        hold = " and the strings hold" if job.instrument.piece == "whole" else ""
        return Next(f"{since} is noted. When the work is done{hold}, tap again.", "Take a tap set", tap)
    repeats = sum(bool(tap_set.repeat_of) for tap_set in job.sets)
    since = f"{count_words(len(job.sets), 'tap set')} so far"
    also = f", {count_words(repeats, 'repeat')} among them" if repeats else ""
    return Next(f"{since}{also}. What next?", "Log an adjustment", adjust)


def readings_of(tap_set: TapSet) -> tuple[tuple[str, str], ...]:
    """Give the main readings of a tap set, (name, value)."""
    return tuple(reading_words(mode) for mode in main_modes(tap_set.modes))


def _line(job: Job, entry: Entry, waits: bool) -> Line:
    when = moment_words(entry.at)
    if entry.kind == "tap set":
        tap_set = find_set(job, entry.id)
        path = job_path(job.id, "set", entry.id)
        name = set_words(entry.id).capitalize()
        repeat = f", repeats {set_words(tap_set.repeat_of)}" if tap_set.repeat_of else ""
        return Line("tap set", name, when, taps_words(tap_set) + repeat, path, waits)
    if entry.kind == "adjustment":
        words = adjustment_words(find_adjustment(job, entry.id))
        return Line("adjustment", adjustment_id_words(entry.id).capitalize(), when, words, "", waits)
    return Line("remark", "Remark", when, entry.text, "", waits)


def show_job(request: Request) -> Response:
    """Show a job."""
    job = shop_of(request).job(request.path_params["job"])
    return page(request, "job.html", job_page(job), job=job, section="job")


def remark(request: Request, form: FormData) -> Response:
    """Note a remark."""
    shop, text = shop_of(request), text_of(form, "text")
    job = shop.job(request.path_params["job"])
    if not text:
        raise ResonanceError("the remark is empty; write what you noticed")
    shop.add_remark(job.id, text)
    return done(job_path(job.id), "remark noted")


ROUTES = (get("/job/{job}", show_job), post("/job/{job}/remark", remark))
