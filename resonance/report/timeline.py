"""What was done to a job, in order: tap sets, adjustments and remarks, and what lies between two tap sets."""

from resonance.changes.comparison import Comparison
from resonance.jobs.job import Entry, Job
from resonance.report.blocks import Block, Paragraph, Section, table_of
from resonance.report.facts import adjustment_words, taps_words
from resonance.report.words import adjustment_id_words, moment_words, sentence, set_words
from resonance.sets.setup import Adjustment
from resonance.sets.tapset import TapSet


def done_section(job: Job, *, bench: bool) -> Section:
    """Give the timeline as a section; the maker's remarks for the bench only."""
    entries = [entry for entry in timeline_of(job) if bench or entry.kind != "remark"]
    if not entries:
        return Section("What was done, in order", name="done")
    confirmed = all(entry.confirmed for entry in entries)
    rows = [
        (
            str(number),
            moment_words(entry.at) if entry.at else "date not noted",
            "" if confirmed else "confirmed" if entry.confirmed else "not confirmed",
            _entry_words(job, entry),
        )
        for number, entry in enumerate(entries, 1)
    ]
    blocks: list[Block] = [table_of(("", "When", "Order", "What"), rows, numeric=("",))]
    if not confirmed:
        words = "Where the order is not confirmed, before and after are only proposed."
        blocks.append(Paragraph(words, "caution"))
    return Section("What was done, in order", tuple(blocks), name="done")


def timeline_of(job: Job) -> tuple[Entry, ...]:
    """Give the timeline of a job; where it has none, its sets with the adjustments each came after."""
    if job.timeline:
        return job.timeline
    known = {adjustment.id: adjustment for adjustment in job.adjustments}
    entries: list[Entry] = []
    for tap_set in job.sets:
        for identity in tap_set.after:
            made = known[identity].made if identity in known else None
            if not any(entry.id == identity for entry in entries):
                entries.append(Entry("adjustment", identity, made))
        entries.append(Entry("tap set", tap_set.id, tap_set.taken))
    later = [a for a in job.adjustments if not any(entry.id == a.id for entry in entries)]
    return (*entries, *(Entry("adjustment", a.id, a.made, confirmed=False) for a in later))


def between(job: Job, comparison: Comparison) -> tuple[Adjustment, ...]:
    """Give the adjustments that lie between the two sets of a comparison, by the job's timeline."""
    ids = [entry.id for entry in timeline_of(job)]
    if comparison.before not in ids or comparison.after not in ids:
        return ()
    start, stop = sorted((ids.index(comparison.before), ids.index(comparison.after)))
    inside = set(ids[start:stop])
    return tuple(a for a in job.adjustments if a.id in inside)


def set_of(job: Job, identity: str) -> TapSet | None:
    """Find a tap set; None where the job has no such one."""
    return next((tap_set for tap_set in job.sets if tap_set.id == identity), None)


def _entry_words(job: Job, entry: Entry) -> str:
    if entry.kind == "adjustment":
        found = next((a for a in job.adjustments if a.id == entry.id), None)
        chapter = " (a new chapter begins)" if found and found.new_chapter else ""
        return adjustment_words(found) + chapter if found else sentence(adjustment_id_words(entry.id))
    if entry.kind == "tap set":
        found_set = set_of(job, entry.id)
        taps = taps_words(found_set) if found_set and found_set.taps else ""
        repeat = f"repeats {set_words(found_set.repeat_of)}" if found_set and found_set.repeat_of else ""
        more = ", ".join(filter(None, [repeat, taps]))
        words = set_words(entry.id)
        return words[:1].upper() + words[1:] + (f": {more}" if more else "")
    return f"Remark: {entry.text}"
