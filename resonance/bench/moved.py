"""What moved between two tap sets: verdicts, both spectra, tables, and the two sounds to listen to."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan
from urllib.parse import urlencode

import numpy as np
from starlette.requests import Request
from starlette.responses import Response

from resonance.bench.chart import (
    HIGHEST,
    LOWEST,
    Chart,
    Level,
    Stretch,
    chart_of,
    fitting_stretch,
    stretch_around,
    stretches,
)
from resonance.bench.known import known_or_begun
from resonance.bench.listening import WAYS, heard_takes, listening_wav, same_places, sounds_alike
from resonance.bench.pages import get, job_path, page
from resonance.bench.state import Bench, bench_of, shop_of
from resonance.bench.works import Progress
from resonance.changes.comparison import Comparison, ModeShift
from resonance.errors import NotFoundError
from resonance.jobs.answers import compare_sets, pairs_of
from resonance.jobs.job import Job, adjustments_between, default_pair, find_set
from resonance.report.blocks import Block, Items, Table, Verdicts
from resonance.report.comparisons import changes_section
from resonance.report.facts import adjustment_words, shortened
from resonance.report.readings import pitch_of
from resonance.report.verdicts import shift_label
from resonance.report.words import day_words, set_words
from resonance.sets.curves import set_spectrum
from resonance.sets.tapset import TapSet

LONGEST_CHOICE = 60  # letters of an adjustment in a choice
SHORTCUTS = 6  # pairs around adjustments that are offered
NO_SOUND = "the recording of one of the two is missing; 'resonance check' tells more"


@dataclass(frozen=True, eq=False)
class Moved:
    """A comparison, and the spectra of the two tap sets; None where there is no sound to draw."""

    comparison: Comparison
    before: Level | None = None
    after: Level | None = None


@dataclass(frozen=True)
class Way:
    """A way to another stretch or another pair: its words, its address, that of the drawing alone."""

    words: str
    path: str
    drawing: str = ""
    here: bool = False


@dataclass(frozen=True)
class Drawing:
    """The two spectra with the ways to other stretches; `names` lead to single resonances."""

    chart: Chart
    before: str
    after: str
    ways: tuple[Way, ...]
    names: tuple[Way, ...]
    drawn: str  # address of the drawing of any stretch, with {low} and {high}


@dataclass(frozen=True)
class Listening:
    """What can be listened to: (words, address), and a line on it."""

    sounds: tuple[tuple[str, str], ...]
    words: str


@dataclass(frozen=True)
class MovedPage:
    """Two tap sets compared, in words."""

    title: str
    choices: tuple[tuple[str, str], ...]
    before: str
    after: str
    pairs: tuple[Way, ...]
    first: tuple[Block, ...]
    verdicts: tuple[Block, ...]
    beside: tuple[Block, ...]
    tables: tuple[Block, ...]
    drawing: Drawing | None
    listening: Listening | None


@dataclass(frozen=True)
class TooFew:
    """Why there is nothing to compare yet."""

    words: str


def moved_page(job: Job, moved: Moved, stretch: Stretch) -> MovedPage:
    """Make the page of a comparison."""
    comparison = moved.comparison
    section = changes_section(job, [comparison], [], guesses=True).sections[0]
    before, after = (find_set(job, each) for each in (comparison.before, comparison.after))
    verdicts = next((k for k, b in enumerate(section.blocks) if isinstance(b, Verdicts)), len(section.blocks))
    beside = [block for block in section.blocks if isinstance(block, Items)]
    tables = next((k for k, b in enumerate(section.blocks) if isinstance(b, Table)), len(section.blocks))
    first = min(verdicts, tables)
    return MovedPage(
        section.title,
        tuple((each.id, choice_words(job, each)) for each in job.sets),
        before.id,
        after.id,
        _pairs(job, comparison),
        _without(section.blocks[:first], beside),
        _without(section.blocks[first:tables], beside),
        tuple(beside),
        _without(section.blocks[tables:], beside),
        drawing_of(job, moved, stretch),
        _listening(job, before, after),
    )


def drawing_of(job: Job, moved: Moved, stretch: Stretch) -> Drawing | None:
    """Draw a stretch of the two spectra; None where there is no sound to draw."""
    if moved.before is None or moved.after is None:
        return None
    comparison = moved.comparison
    pitch = pitch_of(find_set(job, comparison.after))

    def way(words: str, there: Stretch) -> Way:
        query = {"from": f"{there[0]:.1f}", "to": f"{there[1]:.1f}"}
        ids = {"before": comparison.before, "after": comparison.after}
        path = f"{job_path(job.id, 'moved')}?{urlencode({**ids, **query})}#spectra"
        return Way(
            words, path, f"{_own_path(job, comparison, 'spectra')}?{urlencode(query)}", there == stretch
        )

    return Drawing(
        chart_of(moved.before, moved.after, comparison.shifts, stretch, pitch_a4=pitch),
        set_words(comparison.before),
        set_words(comparison.after),
        tuple(way(words, there) for words, there in stretches(stretch).items()),
        tuple(way(shift_label(s), stretch_around(s)) for s in _named(comparison.shifts)),
        f"{_own_path(job, comparison, 'spectra')}?from={{low}}&to={{high}}",
    )


def choice_words(job: Job, tap_set: TapSet) -> str:
    """Say a tap set in a choice: its day, and what was done last before it."""
    parts = [set_words(tap_set.id).capitalize(), day_words(tap_set.taken) if tap_set.taken else ""]
    last = next((a for a in reversed(job.adjustments) if a.id in tap_set.after), None)
    if last is not None:
        parts.append(f"after: {shortened(adjustment_words(last), LONGEST_CHOICE)}")
    return ", ".join(filter(None, parts))


def work_out(bench: Bench, job: Job, before: TapSet, after: TapSet, progress: Progress) -> Moved:
    """Compare two tap sets, and work out what is drawn of them."""
    progress(0.1, f"comparing {set_words(before.id)} and {set_words(after.id)}")
    comparison = compare_sets(bench.shop, job, before, after)
    progress(0.8, "drawing both")
    return Moved(comparison, *(_level(bench, each) for each in (before, after)))


def _level(bench: Bench, tap_set: TapSet) -> Level | None:
    frequencies, db = set_spectrum(bench.shop.with_sound(tap_set))
    shown = (frequencies >= 0.5 * LOWEST) & (frequencies <= 1.5 * HIGHEST)
    return Level(frequencies[shown], db[shown]) if np.any(shown) else None


def _named(shifts: Sequence[ModeShift]) -> list[ModeShift]:
    return [shift for shift in shifts if shift_label(shift) and (shift.before or shift.after) is not None]


def _without(blocks: Sequence[Block], those: Sequence[Block]) -> tuple[Block, ...]:
    return tuple(block for block in blocks if block not in those)


def _pairs(job: Job, comparison: Comparison) -> tuple[Way, ...]:
    """Give the last pairs around an adjustment, each under the words of what was done."""
    found = []
    for before, after in pairs_of(job)[-SHORTCUTS:]:
        between = adjustments_between(job, before.id, after.id)
        done = "; ".join(map(adjustment_words, between)) or "nothing between"
        query = urlencode({"before": before.id, "after": after.id})
        here = (before.id, after.id) == (comparison.before, comparison.after)
        path = f"{job_path(job.id, 'moved')}?{query}"
        found.append(Way(shortened(done, LONGEST_CHOICE), path, here=here))
    return tuple(reversed(found))


def _listening(job: Job, before: TapSet, after: TapSet) -> Listening | None:
    heard = heard_takes(before, after)
    if heard is None:
        return None
    there = job_path(job.id, "moved", before.id, after.id)
    names = (set_words(before.id).capitalize(), set_words(after.id).capitalize(), "In turns")
    alike = same_places(before, after, heard)
    words = "At equal loudness, so that the harder blow does not win." if alike else (
        "At equal loudness, but tapped or heard at other places, or at places not noted: that is heard too."
    )  # fmt: skip
    return Listening(tuple((n, f"{there}/{w}.wav") for n, w in zip(names, WAYS, strict=True)), words)


def _own_path(job: Job, comparison: Comparison, part: str) -> str:
    return job_path(job.id, "moved", comparison.before, comparison.after, part)


def show(request: Request) -> Response:
    """Show what moved between two tap sets: those asked for, else those around the last adjustment."""
    job = shop_of(request).job(request.path_params["job"])
    if len(job.sets) < 2:
        has = "There is one tap set so far" if job.sets else "There is no tap set yet"
        words = f"{has}; a comparison needs two, one before and one after the work."
        return page(request, "moved_none.html", TooFew(words), job=job, section="moved")
    asked = [request.query_params.get(name, "") for name in ("before", "after")]
    before, after = [find_set(job, each) for each in asked] if all(asked) else default_pair(job)
    moved = _asked(request, job, before, after)
    if isinstance(moved, Response):
        return moved
    return page(request, "moved.html", moved_page(job, moved, _stretch(request)), job=job, section="moved")


def _asked(request: Request, job: Job, before: TapSet, after: TapSet) -> Moved | Response:
    bench = bench_of(request)
    query = f"?{request.url.query}" if request.url.query else ""
    return known_or_begun(
        bench,
        job.id,
        ("moved", before.id, after.id),
        lambda progress: work_out(bench, job, before, after, progress),
        kind=Moved,
        title=f"Comparing {set_words(before.id)} and {set_words(after.id)}",
        back=job_path(job.id, "moved") + query,
    )


def _stretch(request: Request) -> Stretch:
    """Read the stretch asked for; the usual one where it is none."""
    try:
        low, high = (float(request.query_params.get(name, "nan")) for name in ("from", "to"))
    except ValueError:
        low, high = nan, nan
    return fitting_stretch(low, high)


def draw(request: Request) -> Response:
    """Give the drawing of a stretch alone, for the page's script."""
    job, before, after = _pair(request)
    moved = _asked(request, job, before, after)
    if isinstance(moved, Response):
        return moved
    return page(request, "spectra.html", drawing_of(job, moved, _stretch(request)))


def listen(request: Request) -> Response:
    """Give the taps before, those after, or both in turns as a sound file."""
    _, before, after = _pair(request)
    way, heard = request.path_params["way"], heard_takes(before, after)
    if way not in WAYS or heard is None:
        raise NotFoundError("there is no such sound; go back to the job")
    bench = bench_of(request)
    takes = ((before, heard.before), (after, heard.after))
    first, second = (bench.sounds.of(bench.shop, tap_set, take) for tap_set, take in takes)
    if not (len(first) and len(second)):
        raise NotFoundError(NO_SOUND)
    try:
        taps = sounds_alike(before, after, heard, (first, second))
    except ValueError as error:
        raise NotFoundError(f"{error}, so they cannot be heard one against the other") from error
    return Response(listening_wav(*taps, way), media_type="audio/wav")


def _pair(request: Request) -> tuple[Job, TapSet, TapSet]:
    job = shop_of(request).job(request.path_params["job"])
    return job, find_set(job, request.path_params["before"]), find_set(job, request.path_params["after"])


ROUTES = (
    get("/job/{job}/moved", show),
    get("/job/{job}/moved/{before}/{after}/spectra", draw),
    get("/job/{job}/moved/{before}/{after}/{way}.wav", listen),
)
