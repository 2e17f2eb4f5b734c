"""The weeks: readings over time, what each adjustment did, what is settled, the post, the target."""

from collections.abc import Sequence
from dataclasses import dataclass

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response

from resonance.bench.known import known_or_begun
from resonance.bench.moved import choice_words
from resonance.bench.pages import done, get, job_path, page, post, text_of
from resonance.bench.state import Bench, bench_of, shop_of
from resonance.bench.works import Progress
from resonance.changes.distance import distances
from resonance.errors import NotFoundError
from resonance.jobs.answers import histories_of, mixed_words, put_back_scatter, tracked
from resonance.jobs.job import Job, find_set
from resonance.report.blocks import Block, Items, Paragraph, Picture, Table
from resonance.report.build import kept_response
from resonance.report.courses import history_blocks
from resonance.report.distances import distance_blocks
from resonance.report.gallery import post_drawn, weeks_drawn, weeks_mark
from resonance.report.post_words import post_blocks, track_names
from resonance.report.readings import over_time_tables
from resonance.report.summary import steady_words
from resonance.report.words import sentence, set_words

MAIN, MOST = 4, 12  # modes drawn first, and when all are asked for
APART = ("Settling", "What to bear in mind", "Remarks")  # told elsewhere on the page
CHIEF, REST, POST = "chief", "rest", "post"
# An SVG file may style itself, and nothing else: it holds no script and reaches for nothing.
DRAWING_POLICY = "default-src 'none'; style-src 'unsafe-inline'; sandbox"


@dataclass(frozen=True, eq=False)
class Weeks:
    """All that the page tells of a job over time, worked out: words, and drawings by their names."""

    lead: str
    warning: str
    settling: tuple[Block, ...]
    done: tuple[Block, ...]
    minded: tuple[Block, ...]
    tables: tuple[Block, ...]
    post: tuple[Block, ...]
    distance: tuple[Block, ...]
    drawings: dict[str, Picture]


@dataclass(frozen=True)
class Drawn:
    """A drawing on the page: its address, and how to read it."""

    path: str
    caption: str


@dataclass(frozen=True)
class WeeksPage:
    """A job over time, in words."""

    weeks: Weeks
    chief: Drawn | None
    rest: Drawn | None
    post: Drawn | None
    target: str
    target_words: str
    choices: tuple[tuple[str, str], ...]


def work_out(bench: Bench, job: Job, progress: Progress) -> Weeks:
    """Follow the modes of a job, and draw and word what they did."""
    shop = bench.shop
    progress(0.0, "following the resonances")
    job = tracked(shop, job)
    progress(0.2, "reading all tap sets together")
    histories = histories_of(shop, job) if len(job.sets) > 1 else []
    scatter = put_back_scatter(job, shop=shop)
    progress(0.6, "drawing the weeks")
    weeks = (shop, job, histories, weeks_mark(job), scatter.pooled.scatter_cents, True)
    drawings = {
        name: picture
        for name, most in ((CHIEF, MAIN), (REST, MOST))
        for picture in weeks_drawn("over time", *weeks, most=most, noted=name == CHIEF)
    }
    progress(0.9, "reading the moves of the post")
    response = kept_response(shop, job, histories)
    moved: list[Block] = []
    if response is not None and response.moves:
        moved = post_blocks(response, track_names(response, job))
        drawings[POST] = post_drawn(shop, job, response, guesses=True)[0]
    told = history_blocks(job, histories)
    items = [block for block in told if isinstance(block, Items)]
    return Weeks(
        steady_words(job, histories, guesses=True),
        sentence(mixed_words(job)) if mixed_words(job) else "",
        _titled(items, "Settling"),
        tuple(b for b in told if isinstance(b, Paragraph) or (isinstance(b, Items) and b.title not in APART)),
        _titled(items, "What to bear in mind", "Remarks"),
        (*(block for block in told if isinstance(block, Table)), *over_time_tables(job)),
        tuple(moved),
        _distance(bench, job),
        drawings,
    )


def _titled(items: Sequence[Items], *titles: str) -> tuple[Block, ...]:
    return tuple(block for block in items if block.title in titles)


def _distance(bench: Bench, job: Job) -> tuple[Block, ...]:
    """Say how far each tap set is from the target; nothing without one."""
    if job.target is None:
        return ()
    target = find_set(job, job.target)
    alike = [each for each in job.sets if each.analysis.method == target.analysis.method]
    scatter = put_back_scatter(job, method=target.analysis.method, shop=bench.shop)
    return tuple(distance_blocks(job, distances(alike, target, scatter)))


def weeks_page(job: Job, weeks: Weeks) -> WeeksPage:
    """Make the page of a job over time."""

    def drawn(name: str) -> Drawn | None:
        picture = weeks.drawings.get(name)
        return Drawn(f"{job_path(job.id, 'weeks', name)}.svg", picture.caption) if picture else None

    more = weeks.drawings.get(REST) != weeks.drawings.get(CHIEF)
    return WeeksPage(
        weeks,
        drawn(CHIEF),
        drawn(REST) if more else None,
        drawn(POST),
        job.target or "",
        f"You aim at {set_words(job.target)}." if job.target else "You aim at no tap set yet.",
        (("", "no tap set"), *((each.id, choice_words(job, each)) for each in job.sets)),
    )


def show(request: Request) -> Response:
    """Show the weeks."""
    job = shop_of(request).job(request.path_params["job"])
    weeks = _asked(request, job)
    if isinstance(weeks, Response):
        return weeks
    return page(request, "weeks.html", weeks_page(job, weeks), job=job, section="weeks")


def _asked(request: Request, job: Job) -> Weeks | Response:
    bench = bench_of(request)
    return known_or_begun(
        bench,
        job.id,
        ("weeks",),
        lambda progress: work_out(bench, job, progress),
        kind=Weeks,
        title="Reading all tap sets together",
        back=job_path(job.id, "weeks"),
    )


def draw(request: Request) -> Response:
    """Give one of the drawings as an SVG file."""
    job = shop_of(request).job(request.path_params["job"])
    weeks = _asked(request, job)
    if isinstance(weeks, Response):
        return weeks
    picture = weeks.drawings.get(request.path_params["name"])
    if picture is None:
        raise NotFoundError("there is no such drawing; go back to the job")
    policy = {"Content-Security-Policy": DRAWING_POLICY}
    return Response(picture.svg, media_type="image/svg+xml", headers=policy)


def aim(request: Request, form: FormData) -> Response:
    """Aim at a tap set, or at none."""
    shop = shop_of(request)
    job = shop.set_target(request.path_params["job"], text_of(form, "target") or None)
    said = f"you aim at {set_words(job.target)}" if job.target else "you aim at no tap set"
    return done(f"{job_path(job.id, 'weeks')}#target", said)


ROUTES = (
    get("/job/{job}/weeks", show),
    get("/job/{job}/weeks/{name}.svg", draw),
    post("/job/{job}/target", aim),
)
