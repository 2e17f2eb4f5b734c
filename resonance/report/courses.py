"""Histories in words: what each adjustment did, what settles, what is expected; and tables of it.

Hertz first, then cents. The ± of a step is half the width of its 95 % interval, put-back scatter, settling
and weather included. A set that came hours or days after the work shows what happened "since", not at once.
"""

from collections.abc import Sequence
from dataclasses import replace
from math import isfinite, nan

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
    string_words,
)
from resonance.sets.setup import Adjustment
from resonance.sets.tapset import TapSet
from resonance.units import hertz

MODES_SHOWN = 10
NAMED_AT_MOST = 3
IN_TABLE = ("rate_not_known",)
SIGNS = {MOVED: "●", NO_CHANGE: "=", CANNOT_SEPARATE: "?"}


def history_blocks(
    job: Job, histories: Sequence[History], *, guesses: bool = True, remarks: bool = True
) -> list[Block]:
    """Say the histories of a job.

    Parameters
    ----------
    job : Job   its modes with tracks, as the histories have them
    histories : sequence of History
    guesses : bool   show names that the maker has not given or confirmed
    remarks : bool   show the maker's own words along the way
    """
    if not histories:
        return [Paragraph(_none_yet(job))]
    names = dict(chief_tracks(job, MODES_SHOWN, guesses=guesses))
    shown = [h for h in histories if h.track in names]
    together = groups_of(job, histories)
    blocks: list[Block] = []
    for group in together:
        steps = steps_of(group, histories)
        if group[0].new_chapter:
            what = f"{adjustment_id_words(group[0].id)}: {adjustment_words(group[0])}"
            blocks.append(Paragraph(f"{_capital(what)}. A new chapter: nothing is followed across it."))
        elif steps:
            blocks.append(Items(adjustment_lines(steps, names), title=_group_title(group, steps)))
    blocks += _steps_table(together, shown, names)
    blocks += _settling(histories, shown, names)
    blocks += along_the_way(job, remarks=remarks)
    notes = (*_suspected_words(job), *_notes(histories, names))
    if notes:
        blocks.append(Items(notes, title="What to bear in mind"))
    return blocks


def _suspected_words(job: Job) -> tuple[str, ...]:
    """Say which tap sets the maker keeps out of the histories."""
    if not job.suspected:
        return ()
    return (sentence(f"left out by your word: {list_words(map(set_words, job.suspected))}"),)


def groups_of(job: Job, histories: Sequence[History]) -> list[tuple[Adjustment, ...]]:
    """Put adjustments made between the same two tap sets together, in order; a new chapter stands alone."""
    seen = {name for history in histories for name in history.sets}
    sets = [tap_set for tap_set in job.sets if tap_set.id in seen]
    found: dict[tuple[object, ...], list[Adjustment]] = {}
    for each in job.adjustments:
        behind = tuple(each.id in tap_set.after for tap_set in sets)
        key = (each.id,) if each.new_chapter or all(behind) or not any(behind) else behind
        found.setdefault(key, []).append(each)
    return [tuple(group) for group in found.values()]


def steps_of(group: Sequence[Adjustment], histories: Sequence[History]) -> list[tuple[History, Step]]:
    """Give what adjustments made together did to each mode, as one step."""
    ids = [each.id for each in group]
    found = ((history, _one_step(history, ids)) for history in histories)
    return [(history, step) for history, step in found if step is not None]


def _one_step(history: History, ids: Sequence[str]) -> Step | None:
    steps = [step for step in history.steps if step.adjustment in ids]
    if not steps:
        return None
    shared = next((reason for reason in steps[0].reasons if reason.code == "made_together"), None)
    if len(ids) == 1 or shared is None:
        return steps[0]
    values = shared.values
    if {steps[0].adjustment, *str(values["others"]).split(", ")} != set(ids):
        return steps[0]
    return replace(
        steps[0],
        adjustment=", ".join(ids),
        cents=float(values["cents"]),
        interval_cents=(float(values["low"]), float(values["high"])),
        verdict=str(values["together"]),
        least_detectable_cents=float(values.get("least_cents", nan)),
        reasons=tuple(reason for reason in steps[0].reasons if reason is not shared),
    )


def _group_title(group: Sequence[Adjustment], steps: Sequence[tuple[History, Step]]) -> str:
    late = sum(any(reason.code == "since" for reason in step.reasons) for _, step in steps)
    since = "since " if 2 * late > len(steps) else ""
    ids = adjustment_id_words(", ".join(each.id for each in group))
    what = "; ".join(adjustment_words(each) for each in group)
    told = f"{ids}, told together since no tap set lies between" if len(group) > 1 else ids
    return _capital(f"{since}{told}: {what}")


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
    unknown = [h for h, s in steps if s.verdict == CANNOT_SEPARATE]
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
        lines.append(f"cannot be separated from settling or other work: {_which(unknown, names)}")
    return tuple(sentence(line) for line in (*lines, *_reason_lines(steps, names)))


def _reason_lines(steps: Sequence[tuple[History, Step]], names: dict[str, str]) -> list[str]:
    """Say each reason once: of all modes, or first of which; of a lone mode no more than its first reason."""
    told = [(history, reasons_words(step.reasons)) for history, step in steps]
    of_all = [words for words in dict.fromkeys(told[0][1]) if all(words in own for _, own in told)]
    rest = [(h, next((words for words in own if words not in of_all), "")) for h, own in told]
    found = dict.fromkeys(words for _, words in rest if words)
    return [
        *of_all,
        *(f"{_which([h for h, own in rest if own == words], names)}: {words}" for words in found),
    ]


def _which(histories: Sequence[History], names: dict[str, str]) -> str:
    """Name some modes, or count them where they are many."""
    if len(histories) > NAMED_AT_MOST:
        return count_words(len(histories), "resonance")
    return list_words(_name_of(history, names) for history in histories)


def _name_of(history: History, names: dict[str, str]) -> str:
    return names.get(history.track or "") or f"near {number(float(history.frequency[-1]), 0)} Hz"


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


def _steps_table(
    together: Sequence[Sequence[Adjustment]], shown: Sequence[History], names: dict[str, str]
) -> list[Block]:
    """Give a table of the steps, one row a mode, one column an adjustment or those made together."""
    cells = [{id(h): step_cell(step) for h, step in steps_of(group, shown)} for group in together]
    kept = [(group, of) for group, of in zip(together, cells, strict=True) if of]
    if not kept:
        return []
    rows = [(_name_of(h, names), *(of.get(id(h), "") for _, of in kept)) for h in shown]
    columns = ("Resonance", *(_capital(adjustment_id_words(", ".join(a.id for a in g))) for g, _ in kept))
    used = {cell[-1] for row in rows for cell in row[1:] if cell}
    notes = (
        ("●", "moved"),
        ("=", "no change seen"),
        ("~", "no change seen: looked at alone it would count, beside the others it does not"),
        ("?", "cannot be separated from settling or other work"),
    )
    shown_notes = tuple(note for note in notes if note[0] in used)
    return [table_of(columns, rows, numeric=columns[1:], title="Steps, cents", notes=shown_notes)]


def step_cell(step: Step | None) -> str:
    """Write one step in cents with its half width and the sign of its verdict; '' where there is none."""
    if step is None:
        return ""
    many = step.verdict == NO_CHANGE and any(reason.code == "one_of_many" for reason in step.reasons)
    sign = "~" if many else SIGNS.get(step.verdict, "?")
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


def along_the_way(job: Job, *, remarks: bool = True) -> list[Block]:
    """Give what was noted at each tap set beside the curve: air, weight, pitch, projection, words."""
    rows = [
        (
            set_words(s.id).capitalize(),
            day_words(s.taken) if s.taken else "",
            _cell(s.climate.temperature_c, 1),
            _cell(s.climate.humidity_percent, 0),
            _cell(s.conditions.mass_g, 1),
            _cell(s.setup.pitch_a4, 1),
            _strings_cell(s),
            _cell(s.setup.projection_mm, 1),
            _cell(s.setup.string_height_mm, 1),
            s.conditions.remark if remarks else "",
        )
        for s in job.sets
    ]
    columns = (
        "Tap set", "Taken", "°C", "Humidity, %", "Weight, g", "A4, Hz", "Strings, cents off",
        "Projection, mm", "String height, mm", "Words",
    )  # fmt: skip
    blocks: list[Block] = [
        table_of(
            columns,
            rows,
            numeric=(*columns[2:6], *columns[7:9]),
            title="Noted along the way, causes to think of",
        )
    ]
    said = (
        ()
        if not remarks
        else tuple(
            f"{day_words(entry.at)}: {entry.text}" if entry.at else entry.text
            for entry in job.timeline
            if entry.kind == "remark" and entry.text
        )
    )
    return [*blocks, *([Items(said, title="Remarks")] if said else [])]


def _strings_cell(tap_set: TapSet) -> str:
    """Say how far each open string was off its note as it was heard, e.g. ``C 0, G +4``."""
    heard = [each for each in tap_set.strings if isfinite(each.cents_off)]
    return ", ".join(f"{string_words(s.name)} {number(s.cents_off, 0, signed=True)}" for s in heard)


def _cell(value: float | None, decimals: int) -> str:
    return number(value, decimals) if value is not None and isfinite(value) else ""


def _notes(histories: Sequence[History], names: dict[str, str]) -> tuple[str, ...]:
    """Say each reason of the histories once, and of which modes; not what the table of settling shows."""
    found: dict[str, list[History]] = {}
    for history in histories:
        for words in reasons_words(r for r in history.reasons if r.code not in IN_TABLE):
            found.setdefault(words, []).append(history)
    return tuple(
        sentence(words if len(those) == len(histories) else f"{_which(those, names)}: {words}")
        for words, those in found.items()
    )
