"""Comparing tap sets of a job with their sound, as `compare`, `report`, `figure` and `demo` need it.

Many comparisons are spread over two processes, started afresh so that it works on every system.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from resonance.cli.analysing import one_thread
from resonance.errors import ResonanceError
from resonance.reasons import Reason
from resonance.sets.tapset import TapSet

if TYPE_CHECKING:
    from resonance.changes.comparison import Comparison, Repeatability
    from resonance.jobs.job import Job
    from resonance.jobs.store import Shop
    from resonance.sets.setup import Adjustment

Progress = Callable[[float, str], None]
WORKERS = 2
WORTH_PROCESSES = 4  # comparisons; a process takes about as long to start as one comparison lasts


def compare_sets(shop: "Shop", job: "Job", before: TapSet, after: TapSet) -> "Comparison":
    """Compare two tap sets of a job, with sound, its adjustments between and its repeat sets.

    The reason 'order_not_confirmed' is added where the place of one of the two sets, or of an adjustment
    between them, is only proposed.

    Raises
    ------
    ResonanceError   when the two were analysed by different methods, or are the same
    """
    from resonance.changes.compare import compare
    from resonance.jobs.job import position

    if before.id == after.id:
        raise ResonanceError(f"{before.id} is named twice; a comparison needs two tap sets")
    if before.analysis.method != after.analysis.method:
        raise ResonanceError(
            f"{before.id} and {after.id} were analysed by different methods and cannot be compared: "
            f"{remedy_words(job)}"
        )
    with one_thread():
        comparison = compare(
            shop.with_sound(before),
            shop.with_sound(after),
            repeatability=put_back_scatter(job, method=before.analysis.method, shop=shop),
            adjustments=_dated(job, before, after),
            backwards=position(job, before.id) > position(job, after.id),
        )
    if not _order_confirmed(job, before, after):
        reasons = (Reason("order_not_confirmed"), *comparison.reasons)
        comparison = replace(comparison, reasons=reasons)
    return comparison


def mixed_words(job: "Job") -> str:
    """Say that not all tap sets can be compared, and what to do; '' where all are of one method."""
    methods = [tap_set.analysis.method for tap_set in job.sets]
    older = sum(method < max(methods) for method in methods)
    if not older:
        return ""
    were = "was" if older == 1 else "were"
    return (
        f"Not all tap sets are in this: {older} of {len(methods)} {were} analysed by an older method; "
        f"{remedy_words(job)}."
    )


def remedy_words(job: "Job") -> str:
    """Say how all tap sets of a job come to be of one method."""
    from resonance.modes.estimate import METHOD

    newer = any(tap_set.analysis.method > METHOD for tap_set in job.sets)
    return f"{'bring this program up to date, then ' if newer else ''}run 'resonance recompute {job.id}'"


def _dated(job: "Job", before: TapSet, after: TapSet) -> "list[Adjustment]":
    """Give the adjustments between two tap sets.

    A date that only says when the line was typed in is left out where a tap set's own date lies beyond it.
    """
    from resonance.jobs.job import adjustments_between, position

    first, last = sorted((before, after), key=lambda each: position(job, each.id))
    typed = {entry.id for entry in job.timeline if entry.kind == "adjustment" and not entry.at_given}
    return [
        replace(each, made=None) if each.id in typed and not _fits(first, each, last) else each
        for each in adjustments_between(job, first.id, last.id)
    ]


def _fits(first: TapSet, adjustment: "Adjustment", last: TapSet) -> bool:
    dates = [each for each in (first.taken, adjustment.made, last.taken) if each is not None]
    return dates == sorted(dates)


def put_back_scatter(job: "Job", *, method: int | None = None, shop: "Shop | None" = None) -> "Repeatability":
    """Learn the put-back scatter from a job's repeat sets of one method, the newest unless said.

    With the shop, its other jobs of the same family tell what to start from.
    """
    from resonance.changes.repeatability import repeatability
    from resonance.jobs.scatter import shop_scatter

    if method is None:
        method = max((tap_set.analysis.method for tap_set in job.sets), default=0)
    prior = shop_scatter(shop, job) if shop is not None else None
    return repeatability([s for s in job.sets if s.analysis.method == method], prior=prior)


def _order_confirmed(job: "Job", before: TapSet, after: TapSet) -> bool:
    """Whether nothing from the one set to the other waits for the maker's word."""
    from resonance.jobs.job import position, unconfirmed

    low, high = sorted((position(job, before.id), position(job, after.id)))
    span = {entry.id for entry in job.timeline[low : high + 1]}
    return not any(entry.id in span for entry in unconfirmed(job))


def pairs_of(job: "Job") -> tuple[tuple[TapSet, TapSet], ...]:
    """Give the pairs a report compares: around each adjustment, in order, and the default pair last.

    Sets of different methods are no pair.
    """
    from resonance.jobs.job import default_pair, sets_around

    pairs: list[tuple[TapSet, TapSet]] = []
    for adjustment in job.adjustments:
        before, after = sets_around(job, adjustment.id)
        if before is not None and after is not None:
            pairs.append((before, after))
    if len(job.sets) > 1:
        pairs.append(default_pair(job))
    unique = {
        (before.id, after.id): (before, after)
        for before, after in reversed(pairs)
        if before.analysis.method == after.analysis.method
    }
    return tuple(reversed(unique.values()))


def compare_all(shop: "Shop", job: "Job", *, progress: Progress) -> "tuple[Comparison, ...]":
    """Compare every pair a report shows, in order."""
    pairs = [(before.id, after.id) for before, after in pairs_of(job)]
    if not pairs:
        return ()
    progress(0.0, "comparing tap sets")
    found = []
    for number, comparison in enumerate(_compared(shop, job, pairs), start=1):
        found.append(comparison)
        progress(number / len(pairs), f"{number} of {len(pairs)} comparisons")
    return tuple(found)


def _compared(shop: "Shop", job: "Job", pairs: Sequence[tuple[str, str]]) -> "Iterator[Comparison]":
    if len(pairs) < WORTH_PROCESSES:
        for pair in pairs:
            yield compare_by_id(shop.folder, job.id, pair)
        return
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    pool = ProcessPoolExecutor(WORKERS, mp_context=get_context("spawn"), initializer=leave_stopping)
    try:
        yield from pool.map(
            compare_by_id, *zip(*((shop.folder, job.id, pair) for pair in pairs), strict=True)
        )
    finally:
        pool.shutdown(cancel_futures=True)


def compare_by_id(folder: Path, job_id: str, pair: tuple[str, str]) -> "Comparison":
    """Compare two tap sets named by their ids; stands alone, so that another process can run it."""
    from resonance.jobs.job import find_set
    from resonance.jobs.store import Shop

    shop = Shop(folder)
    job = shop.job(job_id)
    return compare_sets(shop, job, find_set(job, pair[0]), find_set(job, pair[1]))


def leave_stopping() -> None:
    """Let Ctrl-C stop the parent, which stops the workers, without a word from each."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)
