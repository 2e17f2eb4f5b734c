"""What a job answers over its tap sets: comparisons, histories, what the post does, put-back scatter.

One place for commands, page and report, so that all say the same. Many comparisons are spread over two
processes, started afresh so that it works on every system.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from resonance.changes.compare import compare
from resonance.changes.comparison import Comparison, Repeatability
from resonance.changes.course import History
from resonance.changes.history import fit_history
from resonance.changes.post import PostResponse, post_response
from resonance.changes.repeatability import repeatability
from resonance.changes.tracks import in_doubt
from resonance.errors import ResonanceError
from resonance.jobs.job import (
    Job,
    adjustments_between,
    chapters,
    default_pair,
    find_set,
    position,
    sets_around,
    unconfirmed,
)
from resonance.jobs.kept import find_kept, mark_of, worked_out
from resonance.jobs.records import to_record
from resonance.jobs.scatter import shop_scatter
from resonance.jobs.store import Shop
from resonance.jobs.tables import with_tracks
from resonance.jobs.workers import WORTH_PROCESSES, pool_of
from resonance.modes.estimate import METHOD
from resonance.modes.mode import Mode
from resonance.modes.threads import in_one_thread
from resonance.reasons import Reason
from resonance.sets.setup import Adjustment
from resonance.sets.tapset import TapSet

Progress = Callable[[float, str], None]
Pairs = Sequence[tuple[TapSet, TapSet]]


def compare_sets(shop: Shop, job: Job, before: TapSet, after: TapSet) -> Comparison:
    """Compare two tap sets of a job, with sound, its adjustments between and its repeat sets.

    Modes are paired as they were followed through all tap sets of the job, afresh where that is in doubt. The
    reason 'order_not_confirmed' is added where the place of one of the two sets, or of an adjustment
    between them, is only proposed.

    Raises
    ------
    ResonanceError   when the two were analysed by different methods, or are the same
    """
    if before.id == after.id:
        raise ResonanceError(f"{before.id} is named twice; a comparison needs two tap sets")
    if before.analysis.method != after.analysis.method:
        raise ResonanceError(
            f"{before.id} and {after.id} were analysed by different methods and cannot be compared: "
            f"{remedy_words(job)}"
        )
    job = tracked(shop, job)
    before, after = _followed(job, before), _followed(job, after)
    scatter = put_back_scatter(job, method=before.analysis.method, shop=shop)
    adjustments, backwards = _dated(job, before, after), _against_order(job, before, after)
    comparison = worked_out(
        shop.folder,
        "comparison",
        _inputs(job, before, after, scatter),
        Comparison,
        lambda: in_one_thread(compare)(
            shop.with_sound(before),
            shop.with_sound(after),
            repeatability=scatter,
            adjustments=adjustments,
            backwards=backwards,
        ),
    )
    return _with_order(job, before, after, comparison)


def _followed(job: Job, tap_set: TapSet) -> TapSet:
    """Give a tap set's modes their tracks, but where it is in doubt whether the reading belongs to it."""
    own = next((s.modes for s in job.sets if s.id == tap_set.id), ())
    if len(own) != len(tap_set.modes):
        return tap_set
    modes = tuple(
        replace(mode, track=None if in_doubt(follower) else follower.track)
        for mode, follower in zip(tap_set.modes, own, strict=True)
    )
    return replace(tap_set, modes=modes)


def _with_order(job: Job, before: TapSet, after: TapSet, comparison: Comparison) -> Comparison:
    """Say where the order of the two waits for the maker's word."""
    if not _order_confirmed(job, before, after):
        reasons = (Reason("order_not_confirmed"), *comparison.reasons)
        comparison = replace(comparison, reasons=reasons)
    return comparison


def _inputs(job: Job, before: TapSet, after: TapSet, scatter: Repeatability) -> Any:
    """All that a comparison hangs on; the sound by its hash."""
    adjustments, backwards = _dated(job, before, after), _against_order(job, before, after)
    return [mark_of(before), mark_of(after), to_record([scatter, adjustments, backwards])]


def _against_order(job: Job, before: TapSet, after: TapSet) -> bool:
    return position(job, before.id) > position(job, after.id)


def tracked(shop: Shop, job: Job) -> Job:
    """Give the job with a track for every mode, as `resonance.jobs.tables.with_tracks` does."""
    modes = worked_out(
        shop.folder,
        "tracks",
        [[mark_of(each) for each in job.sets], to_record(job.adjustments)],
        list[tuple[Mode, ...]],
        lambda: [tap_set.modes for tap_set in with_tracks(job).sets],
    )
    return replace(job, sets=tuple(replace(s, modes=m) for s, m in zip(job.sets, modes, strict=True)))


def histories_of(shop: Shop, job: Job, *, progress: Progress | None = None) -> list[History]:
    """Fit the histories of a job whose modes have tracks, over its trusted tap sets of the newest method."""
    sets = _trusted(job)
    scatter = put_back_scatter(job, shop=shop)
    return worked_out(
        shop.folder,
        "histories",
        [[mark_of(each) for each in sets], to_record([job.adjustments, scatter])],
        list[History],
        lambda: in_one_thread(fit_history)(sets, job.adjustments, repeatability=scatter, progress=progress),
    )


def response_of(shop: Shop, job: Job, *, histories: Sequence[History] | None = None) -> PostResponse:
    """Fit the moves of the post in a job's last chapter; the modes of its tap sets have tracks."""
    last = chapters(job)[-1]
    opened = last.opened_by.id if last.opened_by else ""
    known = histories if histories is not None else histories_of(shop, job)
    return in_one_thread(post_response)(
        [tap_set for tap_set in _trusted(job) if tap_set in last.sets],
        last.adjustments,
        repeatability=put_back_scatter(job, shop=shop),
        histories=[history for history in known if history.chapter == opened],
        chapter=opened,
    )


def _trusted(job: Job) -> list[TapSet]:
    """Give the tap sets that histories are read from: of the newest method, without those suspected."""
    return [tap_set for tap_set in _newest(job.sets) if tap_set.id not in job.suspected]


def _newest(sets: Sequence[TapSet]) -> list[TapSet]:
    """Give the tap sets of the newest method."""
    method = max((tap_set.analysis.method for tap_set in sets), default=0)
    return [tap_set for tap_set in sets if tap_set.analysis.method == method]


def mixed_words(job: Job) -> str:
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


def remedy_words(job: Job) -> str:
    """Say how all tap sets of a job come to be of one method."""
    newer = any(tap_set.analysis.method > METHOD for tap_set in job.sets)
    return f"{'bring this program up to date, then ' if newer else ''}run 'resonance recompute {job.id}'"


def _dated(job: Job, before: TapSet, after: TapSet) -> list[Adjustment]:
    """Give the adjustments between two tap sets.

    A date that only says when the line was typed in is left out where a tap set's own date lies beyond it.
    """
    first, last = sorted((before, after), key=lambda each: position(job, each.id))
    typed = {entry.id for entry in job.timeline if entry.kind == "adjustment" and not entry.at_given}
    return [
        replace(each, made=None) if each.id in typed and not _fits(first, each, last) else each
        for each in adjustments_between(job, first.id, last.id)
    ]


def _fits(first: TapSet, adjustment: Adjustment, last: TapSet) -> bool:
    dates = [each for each in (first.taken, adjustment.made, last.taken) if each is not None]
    return dates == sorted(dates)


def put_back_scatter(job: Job, *, method: int | None = None, shop: Shop | None = None) -> Repeatability:
    """Learn the put-back scatter from a job's repeat sets of one method, the newest unless said.

    With the shop, its other jobs of the same family tell what to start from.
    """
    if method is None:
        method = max((tap_set.analysis.method for tap_set in job.sets), default=0)
    sets = [s for s in job.sets if s.analysis.method == method]
    if shop is None:
        return repeatability(sets)
    prior = shop_scatter(shop, job)
    inputs = [[mark_of(each) for each in sets], to_record(prior)]
    return worked_out(shop.folder, "scatter", inputs, Repeatability, lambda: repeatability(sets, prior=prior))


def _order_confirmed(job: Job, before: TapSet, after: TapSet) -> bool:
    """Whether nothing from the one set to the other waits for the maker's word."""
    low, high = sorted((position(job, before.id), position(job, after.id)))
    span = {entry.id for entry in job.timeline[low : high + 1]}
    return not any(entry.id in span for entry in unconfirmed(job))


def pairs_of(job: Job) -> tuple[tuple[TapSet, TapSet], ...]:
    """Give the pairs a report compares: around each adjustment, in order, and the default pair last.

    Sets of different methods are no pair.
    """
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


def compare_all(
    shop: Shop, job: Job, *, pairs: Pairs | None = None, progress: Progress | None = None
) -> tuple[Comparison, ...]:
    """Compare the pairs given, in order: those of `pairs_of` unless said."""
    job = tracked(shop, job)
    wanted = pairs_of(job) if pairs is None else pairs
    pairs = [(_followed(job, before), _followed(job, after)) for before, after in wanted]
    tell = progress or (lambda done, text: None)
    if pairs:
        tell(0.0, "comparing tap sets")
    scatters = {m: put_back_scatter(job, method=m, shop=shop) for m in {b.analysis.method for b, _ in pairs}}
    known = [
        find_kept(shop.folder, "comparison", _inputs(job, b, a, scatters[b.analysis.method]), Comparison)
        for b, a in pairs
    ]
    missing = [(b.id, a.id) for (b, a), each in zip(pairs, known, strict=True) if each is None]
    made = _compared(shop, job, missing)
    found = []
    for number, ((before, after), each) in enumerate(zip(pairs, known, strict=True), start=1):
        found.append(next(made) if each is None else _with_order(job, before, after, each))
        tell(number / len(pairs), f"{number} of {len(pairs)} comparisons")
    return tuple(found)


def _compared(shop: Shop, job: Job, pairs: Sequence[tuple[str, str]]) -> Iterator[Comparison]:
    if len(pairs) < WORTH_PROCESSES:
        for pair in pairs:
            yield compare_by_id(shop.folder, job.id, pair)
        return
    pool = pool_of()
    try:
        yield from pool.map(
            compare_by_id, *zip(*((shop.folder, job.id, pair) for pair in pairs), strict=True)
        )
    finally:
        pool.shutdown(cancel_futures=True)


def compare_by_id(folder: Path, job_id: str, pair: tuple[str, str]) -> Comparison:
    """Compare two tap sets named by their ids; stands alone, so that another process can run it."""
    shop = Shop(folder)
    job = shop.job(job_id)
    return compare_sets(shop, job, find_set(job, pair[0]), find_set(job, pair[1]))
