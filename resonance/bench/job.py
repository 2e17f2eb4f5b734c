"""One job at a glance: what was done to it, in order, and what its last tap set read."""

from dataclasses import dataclass

from starlette.requests import Request
from starlette.responses import Response

from resonance.bench.pages import get, job_path, page
from resonance.bench.state import shop_of
from resonance.jobs.job import Entry, Job, find_adjustment, find_set, unconfirmed
from resonance.report.facts import adjustment_words, instrument_facts, setup_facts, taps_words
from resonance.report.words import adjustment_id_words, moment_words, set_words


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
class JobPage:
    """A job in words."""

    lines: tuple[Line, ...]
    instrument: tuple[tuple[str, str], ...]
    setup: tuple[tuple[str, str], ...]
    notes: str


def job_page(job: Job) -> JobPage:
    """Make the page of a job: the newest line first."""
    waits = {entry.id for entry in unconfirmed(job)}
    lines = tuple(_line(job, entry, entry.id in waits) for entry in reversed(job.timeline))
    return JobPage(lines, instrument_facts(job.instrument, owner=True), setup_facts(job.setup), job.notes)


def _line(job: Job, entry: Entry, waits: bool) -> Line:
    when = moment_words(entry.at)
    if entry.kind == "tap set":
        tap_set = find_set(job, entry.id)
        path = job_path(job.id, "set", entry.id)
        name = set_words(entry.id).capitalize()
        return Line("tap set", name, when, taps_words(tap_set), path, waits)
    if entry.kind == "adjustment":
        words = adjustment_words(find_adjustment(job, entry.id))
        return Line("adjustment", adjustment_id_words(entry.id).capitalize(), when, words, "", waits)
    return Line("remark", "Remark", when, entry.text, "", waits)


def show_job(request: Request) -> Response:
    """Show a job."""
    job = shop_of(request).job(request.path_params["job"])
    return page(request, "job.html", job_page(job), job=job, section="job")


ROUTES = (get("/job/{job}", show_job),)
