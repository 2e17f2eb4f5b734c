"""One tap set: its readings, and each of its taps to hear, to see, to refuse or to restore."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response

from resonance.bench.pages import done, get, job_path, page, post, text_of
from resonance.bench.state import bench_of, shop_of
from resonance.bench.waves import tap_path, tap_wav
from resonance.bench.works import Progress
from resonance.changes.comparison import Repeatability
from resonance.errors import NotFoundError, ResonanceError
from resonance.jobs.answers import put_back_scatter
from resonance.jobs.job import Job, find_set, unconfirmed
from resonance.jobs.recompute import JUDGED, OutOfDate, analyse_anew, keep_analyses
from resonance.jobs.store import Shop
from resonance.report.blocks import Block, Table
from resonance.report.differences import differs_blocks
from resonance.report.readings import advice_lines, readings_table, set_blocks
from resonance.report.scatter import repeat_pays_words
from resonance.report.words import moment_words, reasons_words, sentence, set_words
from resonance.sets.tapset import TapSet
from resonance.sound.recording import FloatArray
from resonance.taps.tap import Tap

SHORT = ("Frequency, Hz", "Name", "Note", "Damping, %", "Kind", "See")
REPEAT = "tap a set that says it repeats the last one."


@dataclass(frozen=True)
class TapLine:
    """One tap in words, with its outline."""

    number: int
    take: int
    onset: str
    kept: bool
    words: str
    drawing: str


@dataclass(frozen=True)
class TakeLines:
    """The taps of one take."""

    title: str
    taps: tuple[TapLine, ...]


@dataclass(frozen=True)
class TapSetPage:
    """A tap set in words."""

    id: str
    title: str
    when: str
    readings: Table
    limits: tuple[Block, ...]
    advice: tuple[str, ...]
    more: tuple[Block, ...]
    takes: tuple[TakeLines, ...]
    judged: bool
    waits: bool
    repeat: str


def tapset_page(
    job: Job, tap_set: TapSet, sounds: Sequence[FloatArray], scatter: Repeatability
) -> TapSetPage:
    """Make the page of a tap set.

    Parameters
    ----------
    sounds : one array (n,) a take; empty where its recording cannot be had
    scatter : Repeatability   put-back scatter as job and shop know it
    """
    lines: dict[int, list[TapLine]] = {}
    for number, tap in enumerate(tap_set.taps):
        rate = tap_set.takes[tap.take].recording.sample_rate
        lines.setdefault(tap.take, []).append(_tap_line(number, tap, sounds[tap.take], rate))
    last = job.sets and job.sets[-1].id == tap_set.id
    return TapSetPage(
        tap_set.id,
        set_words(tap_set.id).capitalize(),
        moment_words(tap_set.taken),
        _chosen(readings_table(tap_set, strings=False), SHORT),
        (*differs_blocks(job, tap_set), *filter(_cautions, set_blocks(tap_set))),
        advice_lines(tap_set),
        tuple(block for block in set_blocks(tap_set, bench=True) if not _cautions(block)),
        tuple(TakeLines(_take_title(tap_set, take), tuple(own)) for take, own in sorted(lines.items())),
        any(reason.code == JUDGED for reason in tap_set.reasons),
        tap_set.id in [entry.id for entry in unconfirmed(job)],
        repeat_pays_words(job, scatter, then=REPEAT) if last else "",
    )


def _cautions(block: Block) -> bool:
    return getattr(block, "tone", "") == "caution"


def _chosen(table: Table, columns: Sequence[str]) -> Table:
    """Give a table with some of its columns, in their order there."""
    kept = [k for k, name in enumerate(table.columns) if name in columns]
    return replace(
        table,
        columns=tuple(table.columns[k] for k in kept),
        rows=tuple(tuple(row[k] for k in kept) for row in table.rows),
        numeric=tuple(n for n, k in enumerate(kept) if k in table.numeric),
    )


def _take_title(tap_set: TapSet, take: int) -> str:
    it = tap_set.takes[take]
    tapped = f"tapped at: {it.tap_place}" if it.tap_place else ""
    heard = f"microphone: {it.microphone_place}" if it.microphone_place else ""
    where = "; ".join(filter(None, [tapped, heard]))
    return sentence(where or it.recording.source or f"recording {take + 1}")


def _tap_line(number: int, tap: Tap, sound: FloatArray, rate: float) -> TapLine:
    verdict = "used" if tap.kept else "refused"
    by = " by you" if tap.judged_by == "maker" else ""
    why = "; ".join(reasons_words(tap.faults))
    drawing = tap_path(sound, rate, tap) if len(sound) else ""
    words = f"{verdict}{by}" + (f": {why}" if why else "")
    return TapLine(number + 1, tap.take, f"{tap.onset:.4f}", tap.kept, words, drawing)


def show_set(request: Request) -> Response:
    """Show a tap set."""
    shop, job, tap_set = _found(request)
    known = bench_of(request).sounds
    sounds = [known.of(shop, tap_set, take) for take in range(len(tap_set.takes))]
    shown = tapset_page(job, tap_set, sounds, put_back_scatter(job, shop=shop))
    return page(request, "tapset.html", shown, job=job, section="job")


def _found(request: Request) -> tuple[Shop, Job, TapSet]:
    shop = shop_of(request)
    job = shop.job(request.path_params["job"])
    return shop, job, find_set(job, request.path_params["set"])


def sound(request: Request) -> Response:
    """Give one tap as a sound file."""
    shop, _, tap_set = _found(request)
    number = request.path_params["number"]
    if not 1 <= number <= len(tap_set.taps):
        raise NotFoundError(f"{set_words(tap_set.id)} has no tap {number}")
    tap = tap_set.taps[number - 1]
    heard = bench_of(request).sounds.of(shop, tap_set, tap.take)
    if not len(heard):
        raise NotFoundError("the recording of that tap is missing; 'resonance check' tells more")
    rate = tap_set.takes[tap.take].recording.sample_rate
    return Response(tap_wav(heard, rate, tap), media_type="audio/wav")


def judge(request: Request, form: FormData) -> Response:
    """Refuse or restore a tap."""
    shop, job, tap_set = _found(request)
    try:
        take, onset = int(text_of(form, "take")), float(text_of(form, "onset"))
    except ValueError as error:
        raise ResonanceError("that tap is not there any more; look at the tap set again") from error
    kept = text_of(form, "what") == "restore"
    shop.judge_tap(job.id, tap_set.id, take, onset, kept=kept)
    return done(f"{job_path(job.id, 'set', tap_set.id)}#taps", "tap restored" if kept else "tap refused")


def read_anew(request: Request, form: FormData) -> Response:
    """Read the resonances again from the taps that now count."""
    shop, job, tap_set = _found(request)
    there = job_path(job.id, "set", tap_set.id)

    def work(progress: Progress) -> str:
        anew = analyse_anew(shop.folder, OutOfDate(job.id, tap_set.id, "taps"), progress=progress)
        if anew.trouble:
            raise ResonanceError(anew.trouble)
        keep_analyses(shop, job.id, [anew])
        return there

    title = f"Reading {set_words(tap_set.id)} anew"
    return done(f"/work/{bench_of(request).works.begin(job.id, title, there, work).id}")


ROUTES = (
    get("/job/{job}/set/{set}", show_set),
    get("/job/{job}/set/{set}/tap/{number:int}.wav", sound),
    post("/job/{job}/set/{set}/judge", judge),
    post("/job/{job}/set/{set}/anew", read_anew),
)
