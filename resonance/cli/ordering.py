"""The order of tap sets and adjustments, as shown and asked about."""

from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from resonance.cli import screen
from resonance.report.blocks import Block, Paragraph, table_of

if TYPE_CHECKING:
    from resonance.jobs.job import Entry, Job


def order_blocks(job: "Job", *, last: int = 0) -> list[Block]:
    """Show a job's order, with the names that commands take.

    Parameters
    ----------
    job : Job
    last : int   so many lines from the end; 0 for all
    """
    if not job.timeline:
        return [Paragraph("Nothing is noted yet.")]
    first = max(0, len(job.timeline) - last) if last else 0
    waiting = _waiting(job)
    rows = [
        (
            entry.id,
            _when(entry),
            "" if entry.id not in waiting else "not confirmed",
            _entry_words(job, entry),
        )
        for entry in job.timeline[first:]
    ]
    title = "In order" + (f", the last {last}" if first else "")
    return [table_of(("", "When", "Order", "What"), rows, title=title)]


def unconfirmed_words(job: "Job") -> str:
    """Say that the order waits for the maker's word, and how to give it; '' when it does not."""
    from resonance.report.words import list_words

    waiting = _waiting(job)
    if not waiting:
        return ""
    return (
        f"The place of {list_words(waiting)} in the order is proposed, not confirmed. If it is right: "
        f"'resonance job confirm {job.id}'. If not: 'resonance job move {job.id} {waiting[-1]} --before "
        "ENTRY' or '--after ENTRY'."
    )


def future_words(moment: datetime | None) -> str:
    """Warn of a date more than a day ahead; '' for any other."""
    from resonance.report.words import moment_words

    if moment is None or moment <= datetime.now().astimezone() + timedelta(days=1):
        return ""
    return f"{moment_words(moment)} lies in the future: see that the date is right."


def ask_for_order(job: "Job") -> bool:
    """Show the proposed order and ask whether it is right; True when the maker says so."""
    screen.gap()
    screen.show(*order_blocks(job, last=8))
    return screen.confirm("Is this the order in which it happened?")


def _waiting(job: "Job") -> list[str]:
    from resonance.jobs.job import unconfirmed

    return [entry.id for entry in unconfirmed(job)]


def _when(entry: "Entry") -> str:
    from resonance.report.words import moment_words

    if entry.at is None:
        return "date not noted"
    return moment_words(entry.at) if entry.at_given else f"noted {moment_words(entry.at)}"


def _entry_words(job: "Job", entry: "Entry") -> str:
    from resonance.jobs.job import find_adjustment, find_set
    from resonance.report.facts import adjustment_words, taps_words
    from resonance.report.words import set_words

    if entry.kind == "adjustment":
        adjustment = find_adjustment(job, entry.id)
        return adjustment_words(adjustment) + (" (a new chapter begins)" if adjustment.new_chapter else "")
    if entry.kind == "remark":
        return f"Remark: {entry.text}"
    tap_set = find_set(job, entry.id)
    repeat = f"repeats {set_words(tap_set.repeat_of)}" if tap_set.repeat_of else ""
    remark = tap_set.conditions.remark
    return ", ".join(filter(None, ["Tap set", repeat, taps_words(tap_set) if tap_set.taps else "", remark]))
