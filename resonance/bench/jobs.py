"""The jobs of the shop, with search; and a new one."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import nan

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response

from resonance.bench.pages import done, get, job_path, page, post, text_of
from resonance.bench.state import bench_of, shop_of
from resonance.errors import ResonanceError
from resonance.jobs.assign import apply_instrument
from resonance.jobs.store import JobLine
from resonance.report.facts import kind_of_instrument
from resonance.report.words import count_words, day_words
from resonance.sets.instrument import FAMILIES, PIECES, Instrument

PIECE_CHOICES = {"whole": "the whole instrument", "top": "a top plate in the white", "back": "a back plate"}
MOST = 60  # jobs shown before all are asked for
TYPED = ("name", "family", "piece", "maker", "year", "owner", "body_mm", "string_length_mm", "notes")


@dataclass(frozen=True)
class JobRow:
    """One job in the list, in words."""

    path: str
    name: str
    kind: str
    done: str
    last: str
    settled: str = ""
    damaged: bool = False


@dataclass(frozen=True)
class JobsPage:
    """The list, and what was searched for."""

    rows: tuple[JobRow, ...]
    wanted: str
    n_all: int
    n_more: int = 0


@dataclass(frozen=True)
class NewJobPage:
    """The form of a new job, with what was typed and what is wrong with it."""

    typed: dict[str, str]
    trouble: str = ""
    families: tuple[str, ...] = FAMILIES
    pieces: tuple[tuple[str, str], ...] = tuple(PIECE_CHOICES.items())


def jobs_page(
    lines: Sequence[JobLine],
    wanted: str = "",
    *,
    most: int | None = None,
    settled: Callable[[JobLine], str] = lambda line: "",
) -> JobsPage:
    """Make the list of what was found, so many at most."""
    found = found_jobs(lines, wanted)
    rows = tuple(_row(line, settled(line)) for line in found[:most])
    return JobsPage(rows, wanted, len(lines), len(found) - len(rows))


def found_jobs(lines: Sequence[JobLine], wanted: str) -> list[JobLine]:
    """Give the jobs that hold every word searched for, newest first."""
    words = wanted.casefold().split()
    newest = sorted(lines, key=_latest, reverse=True)
    return [line for line in newest if all(word in _searched(line) for word in words)]


def _latest(line: JobLine) -> float:
    at = line.last or line.created
    return at.timestamp() if at else 0.0


def _searched(line: JobLine) -> str:
    it = line.instrument
    return " ".join((line.id, it.name, kind_of_instrument(it), it.maker, it.year, it.owner)).casefold()


def _row(line: JobLine, settled: str) -> JobRow:
    sets = count_words(line.n_sets, "tap set") if line.n_sets else "no tap set yet"
    adjusted = count_words(line.n_adjustments, "adjustment") if line.n_adjustments else ""
    return JobRow(
        job_path(line.id),
        line.instrument.name,
        kind_of_instrument(line.instrument),
        ", ".join(filter(None, [sets, adjusted])),
        f"last tap set {day_words(line.last_set)}" if line.last_set else f"begun {day_words(line.created)}",
        settled,
        line.damaged,
    )


def show_jobs(request: Request) -> Response:
    """Show the list."""
    wanted = " ".join(request.query_params.get("find", "").split())
    most = None if "all" in request.query_params else MOST
    bench = bench_of(request)
    lines = bench.shop.jobs()
    bench.settling.ask(bench.shop.folder, found_jobs(lines, wanted)[:MOST], lambda: bench.microphones.busy)
    view = jobs_page(lines, wanted, most=most, settled=bench.settling.words)
    return page(request, "jobs.html", view)


def show_new(request: Request) -> Response:
    """Show the form of a new job."""
    return page(
        request, "new.html", NewJobPage({"family": shop_of(request).settings().family, "piece": "whole"})
    )


def begin(request: Request, form: FormData) -> Response:
    """Begin a job."""
    typed = {name: text_of(form, name) for name in TYPED}
    try:
        job = shop_of(request).new_job(instrument_of(typed))
    except ResonanceError as error:
        return page(request, "new.html", NewJobPage(typed, str(error)), status=422)
    return done(job_path(job.id), f"job begun: {job.instrument.name}")


def instrument_of(typed: dict[str, str]) -> Instrument:
    """Make an instrument of what was typed.

    Raises
    ------
    ResonanceError   naming what does not fit
    """
    if not typed.get("name"):
        raise ResonanceError("the instrument needs a name: what you call it, or its number")
    family = typed.get("family") or FAMILIES[0]
    blank = Instrument(typed["name"], family=family, piece=typed.get("piece") or PIECES[0], body_mm=nan)
    return apply_instrument(blank, {key: value for key, value in typed.items() if value})


ROUTES = (get("/", show_jobs), get("/new", show_new), post("/new", begin))
