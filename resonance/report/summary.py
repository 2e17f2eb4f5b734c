"""The summary, one page: what was done, what moved, what could not have been seen, what is steady, a picture.

Everything in it is bounded: long notes are shortened and many things counted, so that it stays one page. What
is cut here stands whole further on.
"""

from collections.abc import Sequence
from dataclasses import replace
from math import isfinite, nan

from resonance.changes.comparison import Comparison, ModeShift
from resonance.changes.course import CANNOT_TELL, NOT_YET, SETTLED, History
from resonance.jobs.job import Job
from resonance.report.blocks import (
    Block,
    Paragraph,
    Photo,
    Picture,
    Section,
    Table,
    Verdict,
    Verdicts,
    table_of,
)
from resonance.report.facts import adjustment_words, kind_of_instrument, shortened
from resonance.report.numbers import limit, measured, number
from resonance.report.readings import tracks_of
from resonance.report.timeline import between
from resonance.report.verdicts import (
    checks_words_first,
    comparison_headline,
    least_detectable,
    null_words,
    scatter_assumed,
    shared_reasons,
    shift_half_width,
    shift_label,
    shift_reasons,
    shift_sentence,
    shift_verdict,
)
from resonance.report.words import (
    count_words,
    day_words,
    list_words,
    set_words,
    verdict_sign,
    verdict_words,
)
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Adjustment
from resonance.units import hertz

LONGEST_TITLE = 80
LONGEST_NOTE = 72
LONGEST_IN_ROW = 46
TELLING = 4  # verdicts told in a sentence
EARLIER = 6  # comparisons before the last, in a line each
IN_A_LINE = 3  # modes named in a line
NOT_PROOF = "This proves neither the identity nor the value nor the condition of the instrument."


def report_title(instrument: Instrument) -> str:
    """Name a report by what the instrument is, e.g. ``Viola by A. Maker, 2025``, not by the job's name."""
    kind = kind_of_instrument(instrument) if instrument.family != "other" else "instrument"
    by = f" by {instrument.maker}" if instrument.maker else ""
    year = f", {instrument.year}" if instrument.year else ""
    return shortened(f"{kind[:1].upper()}{kind[1:]}{by}{year}", LONGEST_TITLE)


def report_subtitle(job: Job) -> str:
    """Say how the workshop calls the instrument, and when it was tapped."""
    name = f"“{shortened(job.instrument.name, LONGEST_TITLE)}”" if job.instrument.name else ""
    return " · ".join(filter(None, [name, tapped_words(job)]))


def tapped_words(job: Job) -> str:
    """Say how many tap sets there are and of which days; '' where there is none."""
    if not job.sets:
        return ""
    taken = [tap_set.taken for tap_set in job.sets if tap_set.taken]
    days = list(dict.fromkeys(day_words(day) for day in ([min(taken), max(taken)] if taken else [])))
    return count_words(len(job.sets), "tap set") + (f", {' to '.join(days)}" if days else "")


def summary_section(
    job: Job,
    comparisons: Sequence[Comparison],
    *,
    histories: Sequence[History] = (),
    band: tuple[float, float] = (nan, nan),
    picture: Picture | None = None,
    photo: Photo | None = None,
    guesses: bool = True,
) -> Section:
    """Give the summary of a job.

    Parameters
    ----------
    comparisons : in the order of the job; the last one is told in sentences
    histories : sequence of History   for what is steady and what is not
    band : (float, float), Hz   where the sets of the last comparison were looked at
    picture : the one that tells the story; photo : of the instrument
    guesses : bool   show names that the maker has not given or confirmed
    """
    if comparisons:
        blocks = _last(job, comparisons[-1], band, guesses=guesses)
        earlier = _earlier(job, comparisons[:-1], guesses=guesses)
        blocks += [earlier] if earlier.rows else []
    elif job.sets:
        n = count_words(len(job.sets), "tap set")
        blocks = [Paragraph(f"{n} so far; nothing has been compared yet.", "lead")]
    else:
        blocks = [Paragraph("No tap set yet.", "lead")]
    steady = steady_words(job, histories, guesses=guesses)
    extra: list[Block] = [*([Paragraph(steady)] if steady else []), Paragraph(NOT_PROOF, "small")]
    shown = [each for each in (photo, picture and replace(picture, floating=False)) if each is not None]
    return Section("In short", tuple([*blocks, *extra, *shown]), name="short")


def _last(job: Job, comparison: Comparison, band: tuple[float, float], *, guesses: bool) -> list[Block]:
    """Tell the last comparison: checks first, what was done, what moved, what could not have been seen."""
    telling = [s for s in comparison.shifts if s.verdict in ("moved", "appeared", "not found")]
    named = [s for s in comparison.shifts if s.verdict == "ambiguous" and shift_label(s, guesses=guesses)]
    chosen = sorted([*telling, *named][:TELLING], key=_frequency)
    shared = shared_reasons(comparison)
    told = tuple(verdict_of(shift, guesses=guesses, shared=shared) for shift in chosen)
    blocks: list[Block] = [
        Paragraph(checks_words_first(comparison), "caution"),
        Paragraph(headline_of(job, comparison), "lead"),
        Verdicts(told),
        Paragraph(null_words(comparison, band)),
    ]
    return [b for b in blocks if (b.text if isinstance(b, Paragraph) else told)]


def headline_of(job: Job, comparison: Comparison) -> str:
    """Say in short what lies between two tap sets and what moved."""
    done = _done_words(between(job, comparison), IN_A_LINE, LONGEST_NOTE)
    return f"{sets_words(comparison)}{f' ({done})' if done else ''}. {comparison_headline(comparison)}"


def _done_words(done: Sequence[Adjustment], most: int, longest: int) -> str:
    """Say some adjustments in short, and how many more there are."""
    told = [short_adjustment(each, longest=longest) for each in done[:most]]
    more = len(done) - len(told)
    return list_words([*told, f"{more} more"] if more else told)


def short_adjustment(adjustment: Adjustment, *, longest: int = LONGEST_NOTE) -> str:
    """Say an adjustment in a few words: its measures where it has some, else a little of the note."""
    return adjustment_words(adjustment, longest=longest)


def sets_words(comparison: Comparison) -> str:
    """Name the two sets of a comparison, e.g. ``Tap set 1 → tap set 2``."""
    before = set_words(comparison.before)
    return f"{before[:1].upper()}{before[1:]} → {set_words(comparison.after)}"


def verdict_of(shift: ModeShift, *, guesses: bool, shared: Sequence[str]) -> Verdict:
    """Give one verdict with its sign, its sentence and what limits it."""
    return Verdict(
        verdict_sign(shift.verdict),
        shift_verdict(shift),
        shift_sentence(shift, guesses=guesses),
        shift_reasons(shift, shared=shared),
        strong=shift.verdict == "moved",
    )


def _earlier(job: Job, comparisons: Sequence[Comparison], *, guesses: bool) -> Table:
    """Give a line for each comparison before the last."""
    shown = comparisons[-EARLIER:]
    rows = []
    for comparison in shown:
        done = between(job, comparison)
        made = [a.made for a in done if a.made is not None]
        numbers = [str(job.adjustments.index(a) + 1) for a in done]
        numbers = numbers if len(numbers) < 3 else [f"{numbers[0]} to {numbers[-1]}"]
        rows.append(
            (
                ", ".join(numbers),
                day_words(max(made)) if made else "",
                _done_words(done, 1, LONGEST_IN_ROW) or "no adjustment between",
                sets_words(comparison).removeprefix("Tap set ").replace("tap set ", ""),
                moved_cell(comparison, guesses=guesses),
                unseen_cell(comparison),
            )
        )
    left = len(comparisons) - len(shown)
    title = f"Before that, the last {len(shown)} of {len(comparisons)}" if left else "Before that"
    columns = ("", "Made", "What was done", "Tap sets", "What moved", "Unseen if under")
    return table_of(columns, rows, title=title)


def moved_cell(comparison: Comparison, *, guesses: bool) -> str:
    """Say in a few words what moved between two tap sets, e.g. ``B1− up 1.8 ± 0.9 Hz``."""
    moved = [s for s in comparison.shifts if s.verdict == "moved" and isfinite(s.shift)]
    if not moved:
        others = [s.verdict for s in comparison.shifts if s.verdict != "no change seen"]
        counts = [f"{others.count(v)} {verdict_words(v)}" for v in dict.fromkeys(others)]
        return "; ".join(["none seen" if counts else "no change seen", *counts])
    told = [_moved_words(shift, guesses=guesses) for shift in moved[:IN_A_LINE]]
    more = len(moved) - len(told)
    return "; ".join([*told, f"{more} more"] if more else told)


def _moved_words(shift: ModeShift, *, guesses: bool) -> str:
    name = shift_label(shift, guesses=guesses) or f"near {number(_frequency(shift), 0)} Hz"
    if scatter_assumed(shift):
        return f"{name} differs by {measured(shift.shift, shift_half_width(shift), 'Hz', signed=True)}"
    way = "up" if shift.shift > 0.0 else "down"
    return f"{name} {way} {measured(abs(shift.shift), shift_half_width(shift), 'Hz')}"


def unseen_cell(comparison: Comparison) -> str:
    """Say how small a shift could have gone unseen, e.g. ``2.1 to 17 Hz``."""
    least = [
        v for s in comparison.shifts if s.verdict == "no change seen" and isfinite(v := least_detectable(s))
    ]
    if not least:
        return ""
    low, high = limit(min(least)), limit(max(least))
    return f"{low} Hz" if low == high else f"{low} to {high} Hz"


def _frequency(shift: ModeShift) -> float:
    mode = shift.before or shift.after
    return mode.frequency if mode is not None else nan


def steady_words(job: Job, histories: Sequence[History], *, guesses: bool) -> str:
    """Say what is settled, what is not, what cannot be told, and between which days; '' without histories."""
    last = {history.track: history for history in histories}
    names = dict(tracks_of(job, guesses=guesses))
    now = [history for track, history in last.items() if track in names and history.taken]
    if not now:
        return ""
    inside = {each for history in now for each in history.sets}
    taken = [s.taken for s in job.sets if s.taken is not None and (s.id in inside or not inside)]
    first, end = min(taken), max(taken)
    parts = [
        _state(now, SETTLED, "settled", names),
        _state(now, NOT_YET, "not yet settled", names),
        _state(now, CANNOT_TELL, "cannot be told yet", names),
    ]
    days = (
        f"Between {day_words(first)} and {day_words(end)}" if first.date() != end.date() else day_words(end)
    )
    return f"Steady or not? {days}, settling apart from steps and weather: {'; '.join(filter(None, parts))}."


def _state(now: Sequence[History], state: str, words: str, names: dict[str, str]) -> str:
    """Name the modes of one state, the named ones first; count those that are many."""
    own = sorted((h for h in now if h.settled == state), key=lambda h: not h.label)
    if not own:
        return ""
    if len(own) == len(now) > 1:
        return f"{words} for any of {len(own)} resonances" if state == CANNOT_TELL else f"all {words}"
    told = [names[h.track or ""] + _pace(h, state) for h in own[:IN_A_LINE]]
    more = len(own) - len(told)
    return f"{words}: {list_words([*told, f'{more} more'] if more else told)}"


def _pace(history: History, state: str) -> str:
    middle = history.rate_cents_per_week[1]
    if state != NOT_YET or not isfinite(middle):
        return ""
    by = float(hertz(middle, float(history.frequency[-1])))
    return f" ({'rises' if by > 0.0 else 'falls'} by about {number(abs(by), 1)} Hz a week)"
