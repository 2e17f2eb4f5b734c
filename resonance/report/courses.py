"""Histories in words: what each adjustment did, what settles, what is expected; and tables of it.

Hertz first, then cents. The ± of a step is half the width of its 95 % interval, put-back scatter, settling
and weather included. A set that came hours or days after the work shows what happened "since", not at once.
"""

from collections.abc import Sequence
from math import isfinite

from resonance.changes.course import CANNOT_SEPARATE, MOVED, NO_CHANGE, NOT_YET, SETTLED, History, Step
from resonance.jobs.job import Job
from resonance.report.blocks import Block, Items, Paragraph, table_of
from resonance.report.facts import adjustment_words
from resonance.report.numbers import about_cents, measured, number
from resonance.report.readings import chief_tracks
from resonance.report.words import (
    adjustment_id_words,
    count_words,
    day_words,
    list_words,
    reasons_words,
    sentence,
    set_words,
)
from resonance.units import hertz

MODES_SHOWN = 10
IN_TABLE = ("rate_not_known",)
SIGNS = {MOVED: "●", NO_CHANGE: "=", CANNOT_SEPARATE: "?"}


def history_blocks(job: Job, histories: Sequence[History], *, guesses: bool = True) -> list[Block]:
    """Say the histories of a job.

    Parameters
    ----------
    job : Job   its modes with tracks, as the histories have them
    histories : sequence of History
    guesses : bool   show names that the maker has not given or confirmed
    """
    if not histories:
        return [Paragraph(_none_yet(job))]
    names = dict(chief_tracks(job, MODES_SHOWN, guesses=guesses))
    shown = [h for h in histories if h.track in names]
    blocks: list[Block] = []
    for adjustment in job.adjustments:
        steps = [(h, s) for h in histories for s in h.steps if s.adjustment == adjustment.id]
        what = f"{adjustment_id_words(adjustment.id)}: {adjustment_words(adjustment)}"
        if adjustment.new_chapter:
            blocks.append(Paragraph(f"{_capital(what)}. A new chapter: nothing is followed across it."))
        elif steps:
            late = any(r.code == "since" for _, s in steps for r in s.reasons)
            title = f"Since {what}" if late else _capital(what)
            blocks.append(Items(adjustment_lines(steps, names), title=title))
    blocks += _steps_table(job, shown, names)
    blocks += _settling(histories, shown, names)
    blocks += along_the_way(job)
    notes = _notes(histories)
    if notes:
        blocks.append(Items(notes, title="What to bear in mind"))
    return blocks


def _none_yet(job: Job) -> str:
    """Say what a history needs that the job does not have."""
    bare = [tap_set.id for tap_set in job.sets if tap_set.taken is None]
    if len(job.sets) > 1 and len(job.sets) - len(bare) < 2:
        return (
            "No history yet: it needs the dates of the tap sets. 'resonance job edit "
            f"{job.id} {bare[0]} taken=2025-03-01T10:00' adds one."
        )
    return "No history yet: it takes two tap sets that show the same resonance. Add another one."


def adjustment_lines(steps: Sequence[tuple[History, Step]], names: dict[str, str]) -> tuple[str, ...]:
    """Say what one adjustment did: the modes that moved, how many did not, what would have shown."""
    moved = [(h, s) for h, s in steps if s.verdict == MOVED]
    still = [s for _, s in steps if s.verdict == NO_CHANGE]
    unknown = [s for _, s in steps if s.verdict == CANNOT_SEPARATE]
    lines = []
    if moved:
        told = list_words(step_words(h, s, names.get(h.track or "", "")) for h, s in moved)
        assumed = all(s.scatter is not None and s.scatter.source == "assumed" for _, s in moved)
        lines.append(
            f"differs by more than the assumed put-back scatter: {told}" if assumed else f"moved: {told}"
        )
    if still:
        lines.append(f"no change seen in {count_words(len(still), 'resonance')}{_unseen(still)}")
    if unknown:
        of = count_words(len(unknown), "resonance")
        lines.append(f"cannot be separated from settling or other work in {of}")
    lines += reasons_words(reason for _, step in steps for reason in step.reasons)
    return tuple(sentence(line) for line in lines)


def _unseen(steps: Sequence[Step]) -> str:
    """Say how small a step could have gone unseen."""
    least = [s.least_detectable_cents for s in steps if s.least_detectable_cents > 0.0]
    if not least:
        return ""
    ends = list(dict.fromkeys(number(f(least), 0) for f in (min, max)))
    return f"; a step under {' to '.join(ends)} cents could have gone unseen"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def step_words(history: History, step: Step, name: str) -> str:
    """Say one step, e.g. ``B1− down 3.4 ± 1.5 Hz (about 17 cents)``."""
    at = float(history.frequency[-1])
    low, high = step.interval_cents
    by = abs(float(hertz(step.cents, at)))
    half = 0.5 * abs(float(hertz(high, at)) - float(hertz(low, at)))
    way = "up" if step.cents > 0.0 else "down"
    name = name or f"near {number(at, 0)} Hz"
    return f"{name} {way} {measured(by, half, 'Hz')} (about {about_cents(step.cents)})"


def settled_sentence(history: History, name: str) -> str:
    """Say whether a mode is settled, how fast it goes, by when it should be, what four weeks may bring."""
    low, middle, high = history.rate_cents_per_week
    at = float(history.frequency[-1])
    hz = float(hertz(middle, at)) if isfinite(middle) else middle
    pace = f"{number(low, 0, signed=True)} to {number(high, 0, signed=True)} cents a week"
    if not isfinite(middle):
        return f"{name}: cannot tell yet whether it is settled."
    if history.settled == SETTLED:
        text = f"{name}: settled ({pace})"
    elif history.settled == NOT_YET:
        way = "rises" if middle > 0.0 else "falls"
        text = f"{name}: not yet settled: {way} by about {number(abs(hz), 1)} Hz a week ({pace})"
        if history.settled_by is not None:
            text += f"; settled by {day_words(history.settled_by)}, 95 times in 100"
    else:
        text = f"{name}: cannot tell yet whether it is settled ({pace})"
    return sentence(text + _expected(history, at) + _time_constant(history))


def _expected(history: History, at: float) -> str:
    low, high = history.expected_4_weeks
    if not (isfinite(low) and isfinite(high)):
        return ""
    ends = [number(float(hertz(value, at)), 1, signed=True) for value in (low, high)]
    return f"; expected in the next four weeks: {ends[0]} to {ends[1]} Hz"


def _time_constant(history: History) -> str:
    if history.time_constant_days is None:
        return ""
    span = history.time_constant_interval_days
    ends = f" ({number(span[0], 0)} to {number(span[1], 0)})" if span else ""
    return f"; its settling falls to a third in about {number(history.time_constant_days, 0)} days{ends}"


def _steps_table(job: Job, shown: Sequence[History], names: dict[str, str]) -> list[Block]:
    """Give a table of the steps, one row a mode and one column an adjustment."""
    ids = [a.id for a in job.adjustments if any(s.adjustment == a.id for h in shown for s in h.steps)]
    if not ids:
        return []
    rows = []
    for history in shown:
        by_id = {step.adjustment: step for step in history.steps}
        rows.append((names[history.track or ""], *(step_cell(by_id.get(each)) for each in ids)))
    columns = ("Resonance", *(adjustment_id_words(each).capitalize() for each in ids))
    notes = (
        ("●", "moved"),
        ("=", "no change seen"),
        ("?", "cannot be separated from settling or other work"),
    )
    return [table_of(columns, rows, numeric=columns[1:], title="Steps, cents", notes=notes)]


def step_cell(step: Step | None) -> str:
    """Write one step in cents with its half width and the sign of its verdict; '' where there is none."""
    if step is None:
        return ""
    sign = SIGNS.get(step.verdict, "?")
    if not isfinite(step.cents):
        return sign
    half = 0.5 * (step.interval_cents[1] - step.interval_cents[0])
    return f"{measured(step.cents, half, signed=True, decimals=0)} {sign}"


def _settling(histories: Sequence[History], shown: Sequence[History], names: dict[str, str]) -> list[Block]:
    """Say whether the named modes are settled, and all shown in a table; the last chapter counts."""
    last = {h.track: h for h in histories}
    now = [h for h in shown if last[h.track] is h]
    if not now:
        return []
    told = tuple(settled_sentence(h, names[h.track or ""]) for h in now if h.label)
    columns = ("Resonance", "Settled", "Cents a week, 95 %", "Four weeks, Hz, 95 %", "Settled by")
    rows = [
        (
            names[h.track or ""],
            h.settled,
            _range(h.rate_cents_per_week[0], h.rate_cents_per_week[2], 0),
            _range(*_in_hertz(h.expected_4_weeks, float(h.frequency[-1])), 1),
            day_words(h.settled_by) if h.settled_by else "",
        )
        for h in now
    ]
    table = table_of(columns, rows, title="Settling, weather taken out")
    return [*([Items(told, title="Settling")] if told else []), table]


def _in_hertz(ends: tuple[float, float], at: float) -> tuple[float, float]:
    return float(hertz(ends[0], at)), float(hertz(ends[1], at))


def _range(low: float, high: float, decimals: int) -> str:
    if not (isfinite(low) and isfinite(high)):
        return "not known"
    return f"{number(low, decimals, signed=True)} to {number(high, decimals, signed=True)}"


def along_the_way(job: Job) -> list[Block]:
    """Give what was noted at each tap set beside the curve: air, weight, pitch, projection, words."""
    rows = [
        (
            set_words(s.id).capitalize(),
            day_words(s.taken) if s.taken else "",
            _cell(s.climate.temperature_c, 1),
            _cell(s.climate.humidity_percent, 0),
            _cell(s.conditions.mass_g, 1),
            _cell(s.setup.pitch_a4, 1),
            _cell(s.setup.projection_mm, 1),
            _cell(s.setup.string_height_mm, 1),
            s.conditions.remark,
        )
        for s in job.sets
    ]
    columns = (
        "Tap set", "Taken", "°C", "Humidity, %", "Weight, g", "A4, Hz", "Projection, mm", "String height, mm",
        "Words",
    )  # fmt: skip
    blocks: list[Block] = [
        table_of(columns, rows, numeric=columns[2:8], title="Noted along the way, causes to think of")
    ]
    said = tuple(
        f"{day_words(entry.at)}: {entry.text}" if entry.at else entry.text
        for entry in job.timeline
        if entry.kind == "remark" and entry.text
    )
    return [*blocks, *([Items(said, title="Remarks")] if said else [])]


def _cell(value: float | None, decimals: int) -> str:
    return number(value, decimals) if value is not None and isfinite(value) else ""


def _notes(histories: Sequence[History]) -> tuple[str, ...]:
    """Say each reason of the histories once, but for what the table of settling shows."""
    own = [r for history in histories for r in history.reasons if r.code not in IN_TABLE]
    return tuple(dict.fromkeys(sentence(words) for words in reasons_words(own)))
