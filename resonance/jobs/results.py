"""What comparisons and histories found, as rows: shifts, bands, levels, histories, steps, settling. Pure.

Names of columns are kept: a new one comes last, none changes its meaning. `resonance.jobs.dictionary` says
what each holds.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import nan

from resonance.changes.comparison import Comparison, ModeShift
from resonance.changes.course import History, Step
from resonance.jobs.job import Job
from resonance.modes.mode import Mode
from resonance.reasons import Reason
from resonance.sound.recording import FloatArray


@dataclass(frozen=True)
class ShiftRow:
    """One mode in one comparison."""

    before: str
    after: str
    track: str
    label: str
    frequency_before: float
    frequency_before_u: float
    frequency_after: float
    frequency_after_u: float
    shift: float
    shift_u: float
    shift_cents: float
    interval_low_cents: float
    interval_high_cents: float
    least_detectable_cents: float
    scatter_cents: float
    scatter_source: str
    damping_change: float
    damping_change_u: float
    level_change_db: float
    level_change_db_u: float
    verdict: str
    reasons: str


@dataclass(frozen=True)
class BandRow:
    """The level of one band in one comparison."""

    before: str
    after: str
    low: float
    high: float
    change_db: float
    change_db_u: float
    verdict: str


@dataclass(frozen=True)
class LevelRow:
    """How strongly one mode, or one band, sounds at one tap place and microphone place in one tap set."""

    set_id: str
    taken: datetime | None
    what: str
    track: str
    label: str
    frequency: float
    low: float
    high: float
    tap_place: str
    microphone_place: str
    db: float
    db_u: float


@dataclass(frozen=True)
class HistoryRow:
    """One reading of one mode beside the course fitted to all of them."""

    track: str
    label: str
    chapter: str
    set_id: str
    taken: datetime | None
    frequency: float
    frequency_u: float
    fitted: float
    fitted_u: float
    settling_cents: float
    suspect: bool


@dataclass(frozen=True)
class StepRow:
    """What one adjustment did to one mode, settling and weather taken out."""

    track: str
    label: str
    adjustment: str
    cents: float
    interval_low_cents: float
    interval_high_cents: float
    total_cents: float
    least_detectable_cents: float
    hours_before: float
    hours_after: float
    verdict: str
    reasons: str


@dataclass(frozen=True)
class SettlingRow:
    """How one mode settles at the end of a chapter."""

    track: str
    label: str
    chapter: str
    settled: str
    settled_by: datetime | None
    rate_cents_per_week: float
    rate_low_cents_per_week: float
    rate_high_cents_per_week: float
    expected_4_weeks_low_cents: float
    expected_4_weeks_high_cents: float
    time_constant_days: float | None
    humidity_cents_per_percent: float
    humidity_low_cents_per_percent: float
    humidity_high_cents_per_percent: float
    temperature_cents_per_degree: float
    temperature_low_cents_per_degree: float
    temperature_high_cents_per_degree: float


def shift_rows(comparisons: Iterable[Comparison]) -> tuple[ShiftRow, ...]:
    """Give every mode of every comparison."""
    return tuple(_shift_row(c, shift) for c in comparisons for shift in c.shifts)


def _shift_row(comparison: Comparison, shift: ModeShift) -> ShiftRow:
    scatter = shift.repeatability
    return ShiftRow(
        comparison.before,
        comparison.after,
        shift.track or "",
        _label(shift.after) or _label(shift.before) or shift.label or "",
        *_frequency(shift.before),
        *_frequency(shift.after),
        shift.shift,
        shift.shift_u,
        shift.shift_cents,
        *shift.interval_cents,
        shift.least_detectable_cents,
        scatter.scatter_cents if scatter else nan,
        scatter.source if scatter else "",
        shift.damping_change,
        shift.damping_change_u,
        shift.level_change_db,
        shift.level_change_db_u,
        shift.verdict,
        _codes(shift.reasons),
    )


def band_rows(comparisons: Iterable[Comparison]) -> tuple[BandRow, ...]:
    """Give the level change of every band of every comparison."""
    return tuple(
        BandRow(c.before, c.after, b.low, b.high, b.change_db, b.change_db_u, b.verdict)
        for c in comparisons
        for b in c.bands
    )


def level_rows(job: Job) -> tuple[LevelRow, ...]:
    """Give the levels of modes and of bands, one row a place, in the order of the timeline."""
    rows = []
    for s in job.sets:
        rows += [
            LevelRow(s.id, s.taken, "mode", m.track or "", m.label or "", m.frequency, nan, nan,
                     level.tap_place, level.microphone_place, level.db, level.db_u)
            for m in s.modes
            for level in m.levels
        ]  # fmt: skip
        rows += [
            LevelRow(s.id, s.taken, "band", "", "", nan, b.low, b.high, b.tap_place, b.microphone_place,
                     b.db, b.db_u)
            for b in s.bands
        ]  # fmt: skip
    return tuple(rows)


def history_rows(job: Job, histories: Iterable[History]) -> tuple[HistoryRow, ...]:
    """Give every reading of every history with the course at it; dates as noted with the tap sets."""
    noted = {tap_set.id: tap_set.taken for tap_set in job.sets}
    return tuple(
        HistoryRow(
            h.track or "",
            h.label or "",
            h.chapter,
            h.sets[k] if k < len(h.sets) else "",
            noted.get(h.sets[k] if k < len(h.sets) else "", taken),
            float(h.frequency[k]),
            float(h.frequency_u[k]),
            _at(h.fitted, k),
            _at(h.fitted_u, k),
            _at(h.settling_cents, k),
            k < len(h.sets) and h.sets[k] in h.suspect_sets,
        )
        for h in histories
        for k, taken in enumerate(h.taken)
    )


def step_rows(histories: Iterable[History]) -> tuple[StepRow, ...]:
    """Give every step of every history."""
    return tuple(_step_row(h, step) for h in histories for step in h.steps)


def _step_row(history: History, step: Step) -> StepRow:
    return StepRow(
        history.track or "",
        history.label or "",
        step.adjustment,
        step.cents,
        *step.interval_cents,
        step.total_cents,
        step.least_detectable_cents,
        step.hours_before,
        step.hours_after,
        step.verdict,
        _codes(step.reasons),
    )


def settling_rows(histories: Iterable[History]) -> tuple[SettlingRow, ...]:
    """Give how every mode settles, one row a history."""
    return tuple(
        SettlingRow(
            h.track or "",
            h.label or "",
            h.chapter,
            h.settled,
            h.settled_by,
            h.rate_cents_per_week[1],
            h.rate_cents_per_week[0],
            h.rate_cents_per_week[2],
            *h.expected_4_weeks,
            h.time_constant_days,
            h.humidity_cents_per_percent,
            *h.humidity_interval,
            h.temperature_cents_per_degree,
            *h.temperature_interval,
        )
        for h in histories
    )


def _frequency(mode: Mode | None) -> tuple[float, float]:
    return (mode.frequency, mode.frequency_u) if mode is not None else (nan, nan)


def _label(mode: Mode | None) -> str:
    return (mode.label or "") if mode is not None else ""


def _codes(reasons: Sequence[Reason]) -> str:
    return " ".join(dict.fromkeys(reason.code for reason in reasons))


def _at(values: FloatArray, k: int) -> float:
    return float(values[k]) if k < len(values) else nan
