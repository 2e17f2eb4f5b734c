"""Comparing two tap sets of a job with their sound, as `compare`, `report`, `figure` and `demo` need it."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from resonance.cli.analysing import one_thread
from resonance.errors import ResonanceError
from resonance.reasons import Reason
from resonance.sets.tapset import TapSet

if TYPE_CHECKING:
    from resonance.changes.comparison import Comparison
    from resonance.jobs.job import Job
    from resonance.jobs.store import Shop

Progress = Callable[[float, str], None]


def compare_sets(shop: "Shop", job: "Job", before: TapSet, after: TapSet) -> "Comparison":
    """Compare two tap sets of a job, with sound, its adjustments between and its repeat sets.

    The reason 'order_not_confirmed' is added where the place of one of the two sets, or of an adjustment
    between them, is only proposed.

    Raises
    ------
    ResonanceError   when the two were analysed by different methods, or are the same
    """
    from resonance.changes.compare import compare
    from resonance.changes.repeatability import repeatability
    from resonance.jobs.job import adjustments_between

    if before.id == after.id:
        raise ResonanceError(f"{before.id} is named twice; a comparison needs two tap sets")
    if before.analysis.method != after.analysis.method:
        raise ResonanceError(
            f"{before.id} and {after.id} were analysed by different methods (number "
            f"{before.analysis.method} and {after.analysis.method}) and cannot be compared; add the older "
            "recording to a new job"
        )
    between = adjustments_between(job, before.id, after.id)
    same_method = [s for s in job.sets if s.analysis.method == before.analysis.method]
    with one_thread():
        comparison = compare(
            shop.with_sound(before),
            shop.with_sound(after),
            repeatability=repeatability(same_method),
            adjustments=between,
        )
    if not _order_confirmed(job, before, after):
        reasons = (Reason("order_not_confirmed"), *comparison.reasons)
        comparison = replace(comparison, reasons=reasons)
    return comparison


def _order_confirmed(job: "Job", before: TapSet, after: TapSet) -> bool:
    """Whether nothing from the one set to the other waits for the maker's word."""
    from resonance.jobs.job import position, unconfirmed

    low, high = sorted((position(job, before.id), position(job, after.id)))
    span = {entry.id for entry in job.timeline[low : high + 1]}
    return not any(entry.id in span for entry in unconfirmed(job))


def pairs_of(job: "Job") -> tuple[tuple[TapSet, TapSet], ...]:
    """Give the pairs a report compares: around each adjustment, in order, and the default pair last."""
    from resonance.jobs.job import default_pair, sets_around

    pairs: list[tuple[TapSet, TapSet]] = []
    for adjustment in job.adjustments:
        before, after = sets_around(job, adjustment.id)
        if before is not None and after is not None:
            pairs.append((before, after))
    if len(job.sets) > 1:
        pairs.append(default_pair(job))
    unique = {(before.id, after.id): (before, after) for before, after in reversed(pairs)}
    return tuple(reversed(unique.values()))


def compare_all(shop: "Shop", job: "Job", *, progress: Progress) -> "tuple[Comparison, ...]":
    """Compare every pair a report shows."""
    pairs: Sequence[tuple[TapSet, TapSet]] = pairs_of(job)
    found = []
    for k, (before, after) in enumerate(pairs):
        progress(k / len(pairs), f"comparing {before.id} and {after.id}")
        found.append(compare_sets(shop, job, before, after))
    return tuple(found)
