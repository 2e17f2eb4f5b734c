"""``resonance recompute``: analyse anew what an older method analysed, or what was judged since."""

from argparse import Namespace
from collections.abc import Iterator, Sequence
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

from resonance.cli import screen
from resonance.cli.analysing import one_thread
from resonance.cli.options import Commands, add_command, add_json, whole_number
from resonance.cli.shop import open_shop
from resonance.errors import NotFoundError, ResonanceError
from resonance.jobs.workers import WORKERS, WORTH_PROCESSES, pool_of
from resonance.report.blocks import Block, Items, Paragraph

if TYPE_CHECKING:
    from resonance.jobs.job import Job
    from resonance.jobs.recompute import Anew, OutOfDate
    from resonance.jobs.store import Shop

EXAMPLE = """\
resonance recompute my-viola
resonance recompute --workers 4"""


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "recompute",
        does="analyse tap sets anew after an upgrade, or after taps were judged",
        about="Tap sets analysed by different methods are never compared. Without JOB: all jobs. Names, taps "
        "you judged and all you noted stay; the old analyses are kept; 'resonance undo' takes it back.",
        example=EXAMPLE,
    )
    parser.add_argument("job", metavar="JOB", nargs="?", help="name of the job; all jobs unless said")
    parser.add_argument(
        "--workers", type=whole_number, metavar="N", help=f"tap sets at a time: {WORKERS} unless said"
    )
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> int:
    """Analyse anew what is out of date; 1 when something was passed over."""
    from resonance.jobs.recompute import out_of_date
    from resonance.modes.estimate import METHOD

    shop = open_shop(arguments)
    jobs, unread = _jobs(shop, arguments.job)
    asked = [each for job in jobs for each in out_of_date(job, method=METHOD)]
    newer = [job.id for job in jobs if any(s.analysis.method > METHOD for s in job.sets)]
    with screen.Progress() as progress:
        kept, passed = _recomputed(shop, asked, arguments.workers, progress)
    troubles = [*unread, *((each.asked.job, each.asked.set_id, each.trouble) for each in passed)]
    if arguments.json:
        done = [{"job": each.job, "set": each.set_id, "why": each.why, "method": METHOD} for each in kept]
        over = [{"job": job, "set": set_id, "trouble": trouble} for job, set_id, trouble in troubles]
        screen.print_json({"recomputed": done, "passed_over": over})
    else:
        screen.show(*_done_blocks(shop, kept, nothing=not asked and not troubles))
    screen.note(*_trouble_lines(troubles), *map(_newer_words, newer))
    return 1 if troubles else 0


def _jobs(shop: "Shop", named: str | None) -> "tuple[list[Job], list[tuple[str, str, str]]]":
    """Give the job named, or all that can be read, and (job, '', trouble) for those that cannot."""
    if named is not None:
        return [shop.job(named)], []
    jobs, unread = [], []
    for line in shop.jobs():
        try:
            jobs.append(shop.job(line.id))
        except ResonanceError as error:
            unread.append((line.id, "", str(error)))
    return jobs, unread


def _recomputed(
    shop: "Shop", asked: "Sequence[OutOfDate]", workers: int | None, progress: screen.Progress
) -> "tuple[list[OutOfDate], list[Anew]]":
    """Analyse and keep, job by job; what was done is kept even when the work is stopped."""
    from resonance.jobs.recompute import keep_analyses

    kept: list[OutOfDate] = []
    passed: list[Anew] = []
    for job_id, group in groupby(_analysed(shop.folder, asked, workers, progress), key=lambda a: a.asked.job):
        done: list[Anew] = []
        try:
            for anew in group:
                done.append(anew)
        finally:
            ids = keep_analyses(shop, job_id, done)
        kept += [anew.asked for anew in done if anew.asked.set_id in ids]
        passed += [anew for anew in done if anew.tap_set is None]
    return kept, passed


def _analysed(
    folder: Path, asked: "Sequence[OutOfDate]", workers: int | None, progress: screen.Progress
) -> "Iterator[Anew]":
    """Analyse the tap sets anew, in order, over processes where that pays."""
    from resonance.jobs.recompute import analyse_anew

    n = workers or (WORKERS if len(asked) >= WORTH_PROCESSES else 1)
    if min(n, len(asked)) <= 1:
        for number, each in enumerate(asked):
            with one_thread():
                part = progress.part(number / len(asked), (number + 1) / len(asked))
                anew = analyse_anew(folder, each, progress=part)
            yield anew
        return
    progress(0.0, f"analysing {len(asked)} tap sets")
    pool = pool_of(n)
    try:
        for number, anew in enumerate(pool.map(analyse_one, [folder] * len(asked), asked), start=1):
            progress(number / len(asked), f"{number} of {len(asked)} tap sets")
            yield anew
    finally:
        pool.shutdown(cancel_futures=True)


def analyse_one(folder: Path, asked: "OutOfDate") -> "Anew":
    """Analyse one tap set in a process of its own."""
    from resonance.jobs.recompute import analyse_anew

    with one_thread():
        return analyse_anew(folder, asked)


def _done_blocks(shop: "Shop", kept: "Sequence[OutOfDate]", *, nothing: bool) -> list[Block]:
    """Say which tap sets were analysed anew, and which of the maker's names found no resonance there."""
    from resonance.jobs.job import find_set
    from resonance.report.words import list_words, reason_words, set_words

    if nothing:
        return [Paragraph("Nothing to do: every tap set is analysed by this program's method.")]
    lines, lost = [], []
    for job_id, group in groupby(kept, key=lambda each: each.job):
        try:
            job = shop.job(job_id)
        except NotFoundError:
            continue  # deleted meanwhile, in another window
        ids = [each.set_id for each in group]
        lines.append(f"{job_id}: {list_words(map(set_words, ids))}")
        lost += [
            f"{job_id}, {set_words(set_id)}: {reason_words(reason)}"
            for set_id in ids
            for reason in find_set(job, set_id).reasons
            if reason.code == "label_without_mode"
        ]
    blocks: list[Block] = [Items(tuple(lines), title="Analysed anew")] if lines else []
    return [*blocks, *([Items(tuple(lost), title="Look at these")] if lost else [])]


def _trouble_lines(troubles: Sequence[tuple[str, str, str]]) -> list[str]:
    """Name each tap set, or whole job, that was passed over, with its trouble."""
    from resonance.report.words import set_words

    return [
        f"Passed over: {', '.join(filter(None, (job, set_id and set_words(set_id))))}: {trouble}"
        for job, set_id, trouble in troubles
    ]


def _newer_words(job: str) -> str:
    return f"{job} has tap sets analysed by a newer program; bring this one up to date for them."
