"""What a job's report says, built once; text and HTML only lay it out.

For the customer (the default) the owner's data, bench notes (the maker's remarks, notes of job and
instrument, who tapped, file names, analysis details), guessed names, hum and unsure resonances that tell
nothing are left out. The bench gets all.
"""

from collections.abc import Collection, Sequence
from datetime import datetime
from math import nan

from resonance import __version__
from resonance.changes.comparison import Comparison, ModeShift
from resonance.jobs.job import Entry, Job
from resonance.report.blocks import (
    Block,
    Facts,
    Items,
    Paragraph,
    Picture,
    Report,
    Section,
    Verdict,
    Verdicts,
    table_of,
)
from resonance.report.cautions import caution_items
from resonance.report.customer import for_customer
from resonance.report.facts import (
    adjustment_words,
    instrument_facts,
    kind_of_instrument,
    setup_facts,
    taps_words,
)
from resonance.report.method import STATEMENT, method_blocks
from resonance.report.readings import over_time_tables, set_blocks
from resonance.report.verdicts import (
    band_verdict,
    band_words,
    change_cells,
    checks_words_first,
    comparison_headline,
    comparison_reasons,
    frequencies_words,
    least_detectable,
    limit_cell,
    null_words,
    order_words,
    own_reasons,
    read_anew,
    shared_reasons,
    shift_cells,
    shift_label,
    shift_reasons,
    shift_sentence,
    shift_verdict,
)
from resonance.report.words import (
    adjustment_id_words,
    count_words,
    day_words,
    list_words,
    mark_notes,
    marks_of,
    moment_words,
    sentence,
    set_words,
    verdict_sign,
)
from resonance.sets.setup import Adjustment
from resonance.sets.tapset import TapSet

AUDIENCES = ("customer", "bench")
READ_ANEW = (
    "Both are read from one list of resonances: a frequency may differ a little from its tap set's own."
)
ALL_TOLD = 8  # so many shifts are told in a sentence each, whatever their verdict


def build_report(
    job: Job,
    comparisons: Sequence[Comparison] = (),
    pictures: Sequence[Picture] = (),
    *,
    audience: str = "customer",
    made: datetime | None = None,
    notice: str = "",
) -> Report:
    """Build the content of a job's report.

    Parameters
    ----------
    job : Job
    comparisons : sequence of Comparison, in the order of the job; the last one stands in the summary
    pictures : sequence of Picture   figures, each with its place
    audience : 'customer' or 'bench'
    made : datetime or None   day of the report; left out when None
    notice : str   stands before all else, e.g. that the job is invented

    Raises
    ------
    ValueError   when `audience` is neither
    """
    if audience not in AUDIENCES:
        raise ValueError(f"audience is '{audience}'; it is one of {', '.join(AUDIENCES)}")
    bench = audience == "bench"
    comparisons = [each if bench else for_customer(each) for each in comparisons]
    sections = [
        _short(job, comparisons, guesses=bench),
        _instrument(job, bench=bench),
        _done(job, bench=bench),
        _changes(job, comparisons, pictures, guesses=bench),
        _over_time(job, pictures, guesses=bench),
        _tap_sets(job, pictures, bench=bench),
        Section("Take care", (Items(caution_items(job.instrument)),), name="care"),
        Section("How this was measured", method_blocks(job, guesses=bench), name="method"),
        Section("What this report is not", (Paragraph(STATEMENT),), name="not"),
    ]
    kept = tuple(section for section in sections if section.blocks or section.sections)
    return Report(job.instrument.name, _subtitle(job), notice, kept, _footer(made))


def _subtitle(job: Job) -> str:
    instrument = job.instrument
    kind = kind_of_instrument(instrument)
    who = ", ".join(filter(None, [kind, instrument.maker, instrument.year]))
    taken = [tap_set.taken for tap_set in job.sets if tap_set.taken]
    days = list(dict.fromkeys(day_words(day) for day in ([min(taken), max(taken)] if taken else [])))
    when = f"tap sets of {' to '.join(days)}" if days else ""
    return " · ".join(filter(None, [who, when]))


def _footer(made: datetime | None) -> str:
    return " · ".join(filter(None, [f"Written by resonance {__version__}", day_words(made) if made else ""]))


def _short(job: Job, comparisons: Sequence[Comparison], *, guesses: bool) -> Section:
    if comparisons:
        blocks = _short_of(job, comparisons, guesses=guesses)
    elif job.sets:
        n = count_words(len(job.sets), "tap set")
        blocks = [Paragraph(f"{n} so far; nothing has been compared yet.", "lead")]
    else:
        blocks = [Paragraph("No tap set yet.", "lead")]
    return Section("In short", tuple(block for block in blocks if not _empty(block)), name="short")


def _short_of(job: Job, comparisons: Sequence[Comparison], *, guesses: bool) -> list[Block]:
    """Sum up the last comparison, and those before it in a line each."""
    last = comparisons[-1]
    shared = shared_reasons(last)
    telling = [s for s in chief_shifts(last) if s.verdict != "no change seen"]
    earlier = tuple(_headline(job, comparison) for comparison in comparisons[:-1])
    return [
        Paragraph(checks_words_first(last), "caution"),
        Paragraph(_headline(job, last), "lead"),
        Verdicts(tuple(_verdict(s, guesses=guesses, shared=shared) for s in telling)),
        Paragraph(null_words(last, _band(job, last))),
        *(Items(earlier, title="Before that"),) * bool(earlier),
    ]


def _headline(job: Job, comparison: Comparison) -> str:
    done = between(job, comparison)
    what = f" ({list_words(adjustment_words(a) for a in done)})" if done else ""
    return f"{_sets_words(comparison)}{what}. {comparison_headline(comparison)}"


def _empty(block: Block) -> bool:
    if isinstance(block, Paragraph):
        return not block.text
    return isinstance(block, Verdicts) and not block.verdicts


def _instrument(job: Job, *, bench: bool) -> Section:
    blocks: list[Block] = [Facts(instrument_facts(job.instrument, owner=bench))]
    setup = setup_facts(job.setup)
    if setup:
        blocks.append(Facts(setup, title="Setup as it is now", wide=True))
    else:
        blocks.append(Paragraph("No setup is noted.", "small"))
    if bench and job.notes:
        blocks.append(Facts((("Notes of the job", job.notes),), wide=True))
    return Section("Instrument and setup", tuple(blocks), name="instrument")


def _done(job: Job, *, bench: bool) -> Section:
    entries = [entry for entry in timeline_of(job) if bench or entry.kind != "remark"]
    if not entries:
        return Section("What was done, in order", name="done")
    rows = [
        (
            str(number),
            moment_words(entry.at) if entry.at else "date not noted",
            "confirmed" if entry.confirmed else "not confirmed",
            _entry_words(job, entry),
        )
        for number, entry in enumerate(entries, 1)
    ]
    blocks: list[Block] = [table_of(("", "When", "Order", "What"), rows, numeric=("",))]
    if not all(entry.confirmed for entry in entries):
        blocks.append(
            Paragraph(
                "Where the order is not confirmed, before and after are only proposed.",
                "caution",
            )
        )
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
    return tuple(a for a in job.adjustments if a.id in ids[start:stop])


def _entry_words(job: Job, entry: Entry) -> str:
    if entry.kind == "adjustment":
        found = next((a for a in job.adjustments if a.id == entry.id), None)
        chapter = " (a new chapter begins)" if found and found.new_chapter else ""
        return adjustment_words(found) + chapter if found else sentence(adjustment_id_words(entry.id))
    if entry.kind == "tap set":
        found_set = _set_of(job, entry.id)
        taps = taps_words(found_set) if found_set and found_set.taps else ""
        repeat = f"repeats {set_words(found_set.repeat_of)}" if found_set and found_set.repeat_of else ""
        more = ", ".join(filter(None, [repeat, taps]))
        return _capital(set_words(entry.id)) + (f": {more}" if more else "")
    return f"Remark: {entry.text}"


def _set_of(job: Job, identity: str) -> TapSet | None:
    return next((tap_set for tap_set in job.sets if tap_set.id == identity), None)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _sets_words(comparison: Comparison) -> str:
    return f"{_capital(set_words(comparison.before))} → {set_words(comparison.after)}"


def _band(job: Job, comparison: Comparison) -> tuple[float, float]:
    """Band in which both sets of a comparison were looked at, Hz; NaN when not known."""
    sets = [_set_of(job, identity) for identity in (comparison.before, comparison.after)]
    bands = [tap_set.analysis.band for tap_set in sets if tap_set is not None]
    if len(bands) < 2:
        return nan, nan
    return max(band[0] for band in bands), min(band[1] for band in bands)


def _changes(
    job: Job, comparisons: Sequence[Comparison], pictures: Sequence[Picture], *, guesses: bool
) -> Section:
    parts = tuple(_comparison(job, comparison, pictures, guesses=guesses) for comparison in comparisons)
    return Section("Before and after", sections=parts, name="changes")


def _comparison(job: Job, comparison: Comparison, pictures: Sequence[Picture], *, guesses: bool) -> Section:
    done = between(job, comparison)
    first = checks_words_first(comparison)
    null = null_words(comparison, _band(job, comparison))
    reasons = comparison_reasons(comparison)
    shared = shared_reasons(comparison)
    blocks: list[Block] = [
        Paragraph(order_words(comparison), "caution"),
        Paragraph(first, "caution"),
        Paragraph(_between_words(comparison, done)),
        Paragraph(comparison_headline(comparison), "lead"),
        Verdicts(tuple(_verdict(s, guesses=guesses, shared=shared) for s in chief_shifts(comparison))),
        Paragraph(_rest_words(comparison), "small"),
        Paragraph(null),
        *(Items(reasons, title="What to bear in mind"),) * bool(reasons),
        *(p for p in pictures if p.place == "changes" and p.key == f"{comparison.before} {comparison.after}"),
        *_shift_tables(job, comparison, guesses=guesses),
    ]  # fmt: skip
    kept = tuple(block for block in blocks if not _empty(block))
    return Section(_sets_words(comparison), kept, name=f"{comparison.before}-{comparison.after}")


def _between_words(comparison: Comparison, done: Sequence[Adjustment]) -> str:
    if not done:
        return "No adjustment lies between them."
    way = f", made from {set_words(comparison.after)} to {set_words(comparison.before)}"
    what = list_words(adjustment_words(a) for a in done)
    return f"Between them{way if order_words(comparison) else ''}: {what}."


def chief_shifts(comparison: Comparison) -> tuple[ModeShift, ...]:
    """Give the shifts that are told in a sentence each: all of a few, else those that moved, came, went or
    are named; the others stand in the table.
    """
    if len(comparison.shifts) <= ALL_TOLD:
        return comparison.shifts
    return tuple(s for s in comparison.shifts if s.verdict in ("moved", "appeared", "not found") or _named(s))


def _named(shift: ModeShift) -> bool:
    return any(mode is not None and mode.label for mode in (shift.before, shift.after))


def _rest_words(comparison: Comparison) -> str:
    told = chief_shifts(comparison)
    rest = [shift_verdict(s) for s in comparison.shifts if s not in told]
    if not rest:
        return ""
    counts = [f"{rest.count(words)} {words}" for words in dict.fromkeys(rest)]
    return sentence(f"{count_words(len(rest), 'further resonance')} in the table: {list_words(counts)}")


def _verdict(shift: ModeShift, *, guesses: bool, shared: Collection[str]) -> Verdict:
    return Verdict(
        verdict_sign(shift.verdict),
        shift_verdict(shift),
        shift_sentence(shift, guesses=guesses),
        shift_reasons(shift, shared=shared),
        strong=shift.verdict == "moved",
    )


def _shift_tables(job: Job, comparison: Comparison, *, guesses: bool) -> tuple[Block, ...]:
    shared = shared_reasons(comparison)
    limits = [own_reasons(shift, shared=shared) for shift in comparison.shifts]
    marks = marks_of(limits)
    columns = (
        "Resonance, Hz", "Name", "Shift, Hz", "Shift, cents", "Least shift that shows", "Damping change, %",
        "Level change, dB", "Verdict", "See",
    )  # fmt: skip
    rows = [
        (
            frequencies_words(shift).removesuffix(" Hz"),
            shift_label(shift, guesses=guesses),
            *shift_cells(shift),
            limit_cell(least_detectable(shift)),
            change_cells(shift.damping_change, shift.damping_change_u, scale=100.0),
            change_cells(shift.level_change_db, shift.level_change_db_u),
            shift_verdict(shift),
            ", ".join(marks[words] for words in own),
        )
        for shift, own in zip(comparison.shifts, limits, strict=True)
    ]
    notes = (*mark_notes(marks), *_read_anew(job, comparison))
    table = table_of(columns, rows, numeric=columns[:1] + columns[2:7], title="In numbers", notes=notes)
    return (*((table,) if rows else ()), *_band_blocks(comparison))


def _read_anew(job: Job, comparison: Comparison) -> tuple[tuple[str, str], ...]:
    """Note that frequencies may differ from those of each tap set by itself, where one is seen to."""
    sets = [_set_of(job, identity) for identity in (comparison.before, comparison.after)]
    if not any(read_anew(shift, *sets) for shift in comparison.shifts):
        return ()
    return (("Note", READ_ANEW),)


def _bands_left_out(lowest: float, others: bool) -> str:
    """Say what bands cannot be compared, and what it would take."""
    if not others:
        return "Levels of bands cannot be compared: that takes the same places, noted, in both tap sets."
    return (
        f"Levels of bands from {lowest:.0f} Hz up cannot be compared: high up that takes the same two "
        "microphone places in both tap sets, noted, and taps that reach so far."
    )


def _band_blocks(comparison: Comparison) -> tuple[Block, ...]:
    """Level changes of the bands that can be compared; a word where some or all cannot."""
    rows = [
        (band_words(change), change_cells(change.change_db, change.change_db_u), band_verdict(change))
        for change in comparison.bands
        if change.verdict != "not comparable"
    ]
    left_out = [change for change in comparison.bands if change.verdict == "not comparable"]
    heads = ("Band", "Level change, dB", "Verdict")
    title = "Levels of frequency bands, relative to the sum over all bands"
    blocks: list[Block] = [table_of(heads, rows, numeric=heads[:2], title=title)] if rows else []
    if left_out:
        blocks.append(Paragraph(_bands_left_out(min(change.low for change in left_out), bool(rows)), "small"))
    return tuple(blocks)


def _over_time(job: Job, pictures: Sequence[Picture], *, guesses: bool) -> Section:
    shown: list[Block] = [picture for picture in pictures if picture.place == "over time"]
    if len(job.sets) > 1:
        shown += over_time_tables(job, guesses=guesses)
    return Section("Readings over time", tuple(shown), name="time")


def _tap_sets(job: Job, pictures: Sequence[Picture], *, bench: bool) -> Section:
    parts = []
    for tap_set in job.sets:
        blocks: list[Block] = list(set_blocks(tap_set, guesses=bench, bench=bench))
        blocks += [p for p in pictures if p.place == "readings" and p.key == tap_set.id]
        when = f", {day_words(tap_set.taken)}" if tap_set.taken else ""
        parts.append(Section(_capital(set_words(tap_set.id)) + when, tuple(blocks), name=tap_set.id))
    return Section("Every tap set", sections=tuple(parts), name="sets")
