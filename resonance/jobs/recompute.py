"""Tap sets analysed anew: which ones, the analysis itself, and how it is kept beside the old one.

The method number is the estimator's; the taps stay as they were found and as the maker judged them. What
the maker said (names, same modes, taps, target) is laid over whichever analysis counts, untouched.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from resonance.errors import ResonanceError
from resonance.jobs.assemble import analysis_body
from resonance.jobs.change import changing
from resonance.jobs.job import Job, find_set
from resonance.jobs.store import Shop
from resonance.sets.tapset import TapSet

JUDGED = "taps_judged_since"
Progress = Callable[[float, str], None]


@dataclass(frozen=True)
class OutOfDate:
    """A tap set whose analysis no longer holds.

    Parameters
    ----------
    job, set_id : str
    why : 'method' (an older one) or 'taps' (the maker refused or restored some since)
    """

    job: str
    set_id: str
    why: str


@dataclass(frozen=True, eq=False)
class Anew:
    """What came of analysing a tap set anew: the set without its recordings, or why it was passed over."""

    asked: OutOfDate
    tap_set: TapSet | None = None
    trouble: str = ""


def out_of_date(job: Job, *, method: int) -> tuple[OutOfDate, ...]:
    """Give the tap sets of a job to analyse anew, in order.

    Those analysed by a newer method than `method` are left alone: an older analysis would not count.
    """
    found = []
    for tap_set in job.sets:
        if tap_set.analysis.method < method:
            found.append(OutOfDate(job.id, tap_set.id, "method"))
        elif tap_set.analysis.method == method and any(r.code == JUDGED for r in tap_set.reasons):
            found.append(OutOfDate(job.id, tap_set.id, "taps"))
    return tuple(found)


def analyse_anew(folder: Path, asked: OutOfDate, *, progress: Progress | None = None) -> Anew:
    """Analyse a tap set of a shop anew by the settings it had; nothing is written.

    Stands alone, so that another process can run it. A tap set whose sound is missing or damaged comes back
    with the trouble said.
    """
    try:
        shop = Shop(folder)
        job = shop.job(asked.job)
        tap_set = shop.with_sound(find_set(job, asked.set_id))
        if not tap_set.takes:
            return Anew(asked, trouble="it has no recording")
        found = _analysed(tap_set, job, pitch_a4=shop.settings().pitch_a4, progress=progress)
    except ResonanceError as error:
        return Anew(asked, trouble=str(error))
    return Anew(asked, replace(found, takes=()))


def _analysed(tap_set: TapSet, job: Job, *, pitch_a4: float, progress: Progress | None) -> TapSet:
    """Analyse by the settings of the stored analysis; the job and the shop say what it does not."""
    from resonance.sets.analyse import analyse_set  # loads the estimator only where needed

    old = tap_set.analysis
    return analyse_set(
        tap_set.takes,
        taps=tap_set.taps or None,
        family=str(old.settings.get("family") or job.instrument.family),
        piece=str(old.settings.get("piece") or job.instrument.piece),
        band=old.band if old.settings.get("band_given") else None,
        pitch_a4=float(old.settings.get("pitch_a4") or pitch_a4),
        set_id=tap_set.id,
        progress=progress,
    )


def keep_analyses(shop: Shop, job: str, found: Sequence[Anew]) -> tuple[str, ...]:
    """Keep new analyses of a job's tap sets beside the old ones: one act, which `Shop.undo` takes back.

    Returns
    -------
    tuple of str   ids of the tap sets; those deleted meanwhile are left out
    """
    whole = [anew.tap_set for anew in found if anew.tap_set is not None]
    if not whole:
        return ()
    with changing(shop.database, job, made=shop.clock()) as change:
        there = {tap_set.id for tap_set in change.assembled().sets}
        kept = tuple(tap_set.id for tap_set in whole if tap_set.id in there)
        change.text = f"analysed {', '.join(kept) or 'nothing'} of {change.job} anew"
        for tap_set in whole:
            if tap_set.id in there:
                change.write("analysis", tap_set.id, analysis_body(tap_set, change.made))
    return kept
