"""Before and after: each comparison with its verdicts, its bounds, its table and its bands."""

from collections.abc import Sequence
from math import isfinite, nan

from resonance.changes.comparison import BandChange, Comparison, ModeShift
from resonance.jobs.job import Job
from resonance.modes.intervals import half_width
from resonance.report.blocks import Block, Items, Paragraph, Picture, Section, Verdicts, table_of
from resonance.report.facts import adjustment_words
from resonance.report.numbers import half_width_text, number
from resonance.report.summary import sets_words, verdict_of
from resonance.report.timeline import between, set_of
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
    shift_verdict,
)
from resonance.report.words import count_words, list_words, mark_notes, marks_of, sentence, set_words
from resonance.sets.setup import Adjustment

READ_ANEW = (
    "Both are read from one list of resonances: a frequency may differ a little from its tap set's own."
)
ALL_TOLD = 8  # so many shifts are told in a sentence each, whatever their verdict


def changes_section(
    job: Job, comparisons: Sequence[Comparison], pictures: Sequence[Picture], *, guesses: bool
) -> Section:
    """Give each comparison with its verdicts, bounds, picture and tables."""
    parts = tuple(_comparison(job, comparison, pictures, guesses=guesses) for comparison in comparisons)
    return Section("Before and after", sections=parts, name="changes")


def _comparison(job: Job, comparison: Comparison, pictures: Sequence[Picture], *, guesses: bool) -> Section:
    done = between(job, comparison)
    first = checks_words_first(comparison)
    null = null_words(comparison, band_of(job, comparison))
    reasons = comparison_reasons(comparison)
    shared = shared_reasons(comparison)
    blocks: list[Block] = [
        Paragraph(order_words(comparison), "caution"),
        Paragraph(first, "caution"),
        Paragraph(_between_words(comparison, done)),
        Paragraph(comparison_headline(comparison), "lead"),
        Verdicts(tuple(verdict_of(s, guesses=guesses, shared=shared) for s in chief_shifts(comparison))),
        Paragraph(_rest_words(comparison), "small"),
        Paragraph(null),
        *(Items(reasons, title="What to bear in mind"),) * bool(reasons),
        *(p for p in pictures if p.place == "changes" and p.key == f"{comparison.before} {comparison.after}"),
        *_shift_tables(job, comparison, guesses=guesses),
    ]  # fmt: skip
    kept = tuple(block for block in blocks if not _says_nothing(block))
    return Section(sets_words(comparison), kept, name=f"{comparison.before}-{comparison.after}")


def _says_nothing(block: Block) -> bool:
    if isinstance(block, Paragraph):
        return not block.text
    return isinstance(block, Verdicts) and not block.verdicts


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
    sets = [set_of(job, identity) for identity in (comparison.before, comparison.after)]
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
    """Level changes of the bands that changed; the others in a sentence, also those that cannot be told."""
    judged = [change for change in comparison.bands if change.verdict != "not comparable"]
    left_out = [change for change in comparison.bands if change.verdict == "not comparable"]
    told = [change for change in judged if change.verdict != "no change seen"]
    rows = [
        (band_words(change), change_cells(change.change_db, change.change_db_u), band_verdict(change))
        for change in told
    ]
    heads = ("Band", "Level change, dB", "Verdict")
    title = "Levels of frequency bands, relative to the sum over all bands"
    blocks: list[Block] = [table_of(heads, rows, numeric=heads[:2], title=title)] if rows else []
    words = _even_bands([change for change in judged if change not in told], others=bool(rows))
    if words:
        blocks.append(Paragraph(words, "small"))
    if left_out:
        lowest = min(change.low for change in left_out)
        blocks.append(Paragraph(_bands_left_out(lowest, bool(judged)), "small"))
    return tuple(blocks)


def _even_bands(changes: Sequence[BandChange], *, others: bool) -> str:
    """Say of the bands whose level was not seen to change how well that is known; '' for none."""
    if not changes:
        return ""
    halves = [half for change in changes if isfinite(half := half_width(change.change_db_u))]
    ends = list(dict.fromkeys(half_width_text(f(halves)) for f in (min, max))) if halves else ["not known"]
    low, high = number(changes[0].low, 0), number(changes[-1].high, 0)
    which = f"the other {len(changes)} bands" if others else f"{len(changes)} bands"
    unit = " dB" if halves else ""
    return (
        f"Levels of {which} from {low} to {high} Hz, relative to the sum over all bands: no change seen "
        f"(each known to ± {' to '.join(ends)}{unit})."
    )


def band_of(job: Job, comparison: Comparison) -> tuple[float, float]:
    """Band in which both sets of a comparison were looked at, Hz; NaN when not known."""
    sets = [set_of(job, identity) for identity in (comparison.before, comparison.after)]
    bands = [tap_set.analysis.band for tap_set in sets if tap_set is not None]
    if len(bands) < 2:
        return nan, nan
    return max(band[0] for band in bands), min(band[1] for band in bands)
