"""What each table of a job is, and what each of its columns holds: unit, meaning, how it was obtained.

Names ending in ``_u`` are standard uncertainties (JCGM 100:2008), ``_dof`` their degrees of freedom; an
interval is always 95 %. An empty cell (null in JSON) is not known or not noted. Names are kept from version
to version.
"""

from dataclasses import dataclass, fields
from typing import Any

from resonance.jobs.results import BandRow, HistoryRow, LevelRow, SettlingRow, ShiftRow, StepRow
from resonance.jobs.tables import ReadingRow, StringRow, TimelineRow

TABLES: dict[str, tuple[type[Any], str]] = {
    "readings": (ReadingRow, "every reading of every tap set, one row each"),
    "strings": (StringRow, "the pitch of every open string that rang along with the taps"),
    "timeline": (TimelineRow, "tap sets, adjustments and remarks in the maker's order"),
    "shifts": (ShiftRow, "every resonance of every comparison of two tap sets"),
    "bands": (BandRow, "the level change of every third-octave band of every comparison"),
    "levels": (LevelRow, "levels of resonances and of bands at each place, in every tap set"),
    "histories": (HistoryRow, "every reading beside the course fitted to all readings of its resonance"),
    "steps": (StepRow, "what each adjustment did to each resonance, settling and weather taken out"),
    "settling": (SettlingRow, "whether and how fast each resonance settles, at the end of a chapter"),
}


@dataclass(frozen=True)
class Column:
    """One column of one table: its unit ('' for words, '1' for a ratio or count), meaning, and source."""

    table: str
    column: str
    unit: str
    meaning: str
    how: str


FIT = "fit to all kept taps of the tap set at once"
SPREAD = "spread from tap to tap, noise"
NOTED = "noted by the maker"
COMPARED = "both tap sets read from one list of resonances"
COURSE = "course fitted to all tap sets of a chapter: steps, settling, weather, put-back scatter"
GIVEN = "given by the program"

# column -> (unit, meaning, how obtained); 'table.column' where a table means another thing by it
_MEANT: dict[str, tuple[str, str, str]] = {
    "set_id": ("", "id of the tap set", GIVEN),
    "taken": ("ISO 8601", "when the tap set was taken", "noted, or the recording's own date"),
    "place": ("1", "place among the tap sets, from 1", "order confirmed by the maker"),
    "timeline.place": ("1", "place in the timeline, from 1", "order confirmed by the maker"),
    "after": ("", "id of the last adjustment before the tap set", "order confirmed by the maker"),
    "shifts.after": ("", "id of the tap set after", GIVEN),
    "bands.after": ("", "id of the tap set after", GIVEN),
    "before": ("", "id of the tap set before", GIVEN),
    "chapter": (
        "1",
        "number of the chapter; a new post, all new strings or an opened body begins one",
        NOTED,
    ),
    "histories.chapter": ("", "id of the adjustment that began the chapter, empty for the first", NOTED),
    "settling.chapter": ("", "id of the adjustment that began the chapter, empty for the first", NOTED),
    "track": ("", "identity of a resonance through the job", "followed from tap set to tap set"),
    "label": ("", "name of the resonance, in ASCII: B1- for B1−", "maker's, else the program's guess"),
    "labelled_by": ("", "maker or program", GIVEN),
    "kind": ("", "body, air, string, room, hum or unsure", "from damping, pitch and place"),
    "timeline.kind": ("", "tap set, adjustment or remark", GIVEN),
    "frequency": ("Hz", "frequency of the resonance", FIT),
    "frequency_u": ("Hz", "standard uncertainty of frequency", SPREAD),
    "frequency_dof": ("1", "degrees of freedom of frequency_u", "number of taps and fit"),
    "model_u": (
        "Hz",
        "how far frequency hangs on how much of the decay is used",
        "fits begun later; the room",
    ),
    "damping": ("1", "damping ratio; 0.01 is 1 % of critical", FIT),
    "damping_u": ("1", "standard uncertainty of damping", SPREAD),
    "damping_dof": ("1", "degrees of freedom of damping_u", "number of taps and fit"),
    "damping_model_u": ("1", "as model_u, for damping", "fits begun later; the room"),
    "peak": ("Hz", "nearest maximum of the averaged spectrum", "averaged spectrum of the kept taps"),
    "snr_db": ("dB", "line of the resonance over the noise", "averaged spectrum"),
    "n_taps": ("1", "taps behind the value", "taps kept"),
    "method": ("1", "number of the estimator; only like numbers are compared", GIVEN),
    "name": ("", "note the string is tuned to, such as A4", "family of the instrument"),
    "nominal": ("Hz", "frequency of that note", "equal temperament at the pitch noted"),
    "pitch": ("Hz", "first partial of the open string", "all partials that rang, stiffness included"),
    "pitch_u": ("Hz", "standard uncertainty of pitch", SPREAD),
    "pitch_dof": ("1", "degrees of freedom of pitch_u", "number of partials and taps"),
    "cents_off": ("cents", "pitch above the note", "from pitch and nominal"),
    "inharmonicity": ("1", "B of f_n = n f_0 sqrt(1 + B n^2)", "three partials or more"),
    "n_partials": ("1", "partials behind the value", "lines found"),
    "tension_ratio": ("1", "tension over that at the note, same string", "square of pitch over nominal"),
    "id": ("", "id of the entry", GIVEN),
    "at": ("ISO 8601", "when", NOTED),
    "confirmed": ("", "whether the maker has confirmed its place in the order", NOTED),
    "text": ("", "the maker's words", NOTED),
    "part": ("", "what was adjusted", NOTED),
    "along_mm": ("mm", "move of the post relative to the bridge, + away from the bridge", NOTED),
    "across_mm": ("mm", "the same, + in, towards the centre joint", NOTED),
    "end": ("", "which end of the post was moved", NOTED),
    "new_chapter": ("", "whether a new chapter begins", NOTED),
    "repeat_of": ("", "id of the tap set it repeats", NOTED),
    "repeat_kind": ("", "untouched, put back, or slackened and retuned", NOTED),
    "temperature_c": ("°C", "air at the bench", NOTED),
    "humidity_percent": ("%", "relative humidity at the bench", NOTED),
    "n_modes": ("1", "resonances found", FIT),
    "frequency_before": ("Hz", "frequency in the tap set before", COMPARED),
    "frequency_before_u": ("Hz", "its standard uncertainty, put-back scatter left out", SPREAD),
    "frequency_after": ("Hz", "frequency in the tap set after", COMPARED),
    "frequency_after_u": ("Hz", "its standard uncertainty, put-back scatter left out", SPREAD),
    "shift": ("Hz", "after less before", COMPARED),
    "shift_u": ("Hz", "its standard uncertainty, put-back scatter left out", SPREAD),
    "shift_cents": ("cents", "the shift as an interval", COMPARED),
    "interval_low_cents": (
        "cents",
        "lower end of the 95 % interval, put-back scatter included",
        "t interval",
    ),
    "interval_high_cents": ("cents", "upper end of it", "t interval"),
    "steps.interval_low_cents": ("cents", "lower end of the 95 % interval of the step", COURSE),
    "steps.interval_high_cents": ("cents", "upper end of it", COURSE),
    "least_detectable_cents": ("cents", "least change found four times out of five", "scatter and spread"),
    "scatter_cents": ("cents", "put-back scatter of one reading, as a standard deviation", "repeat tap sets"),
    "scatter_source": ("", "this job, this shop or assumed", GIVEN),
    "damping_change": ("1", "damping ratio after less before", COMPARED),
    "damping_change_u": ("1", "its standard uncertainty", SPREAD),
    "level_change_db": ("dB", "level after less before, re the sum over the tap set", "same places only"),
    "level_change_db_u": ("dB", "its standard uncertainty", "spread and assumed scatter of levels"),
    "verdict": (
        "",
        "moved, no change seen, appeared, not found, not reached, ambiguous",
        "all modes together",
    ),
    "bands.verdict": ("", "moved (changed), no change seen or not comparable", "all bands together"),
    "steps.verdict": ("", "moved, no change seen or cannot separate", "all modes together"),
    "reasons": ("", "codes of what limits the verdict, parted by blanks", GIVEN),
    "low": ("Hz", "lower edge of the band", "IEC 61260-1 base ten"),
    "high": ("Hz", "upper edge of the band", "IEC 61260-1 base ten"),
    "change_db": ("dB", "level after less before, re the sum over the bands", "same places only"),
    "change_db_u": ("dB", "its standard uncertainty", "spread and assumed scatter of levels"),
    "what": ("", "mode or band", GIVEN),
    "tap_place": ("", "where it was tapped", NOTED),
    "microphone_place": ("", "where the microphone stood", NOTED),
    "db": ("dB", "energy of the decay re the sum over the tap set", "no absolute level is known"),
    "db_u": ("dB", "its standard uncertainty", SPREAD),
    "fitted": ("Hz", "course at that tap set, put-back scatter taken out", COURSE),
    "fitted_u": ("Hz", "its standard uncertainty", COURSE),
    "settling_cents": ("cents", "settling's part of the course, from the first tap set on", COURSE),
    "suspect": ("", "whether the reading was counted less", "it fits the others badly"),
    "adjustment": ("", "id of the adjustment", GIVEN),
    "cents": ("cents", "what it did at once", COURSE),
    "total_cents": ("cents", "with the small settling of its own that follows", COURSE),
    "hours_before": ("h", "from the last tap set to the work", "dates noted"),
    "hours_after": ("h", "from the work to the next tap set", "dates noted"),
    "settled": ("", "settled, not yet or cannot tell yet", COURSE),
    "settled_by": ("ISO 8601", "settled by then with 95 % chance", COURSE),
    "rate_cents_per_week": ("cents/week", "movement at the last tap set, weather left out", COURSE),
    "rate_low_cents_per_week": ("cents/week", "lower end of its 95 % interval", COURSE),
    "rate_high_cents_per_week": ("cents/week", "upper end of it", COURSE),
    "expected_4_weeks_low_cents": ("cents", "movement in four weeks, lower end of 95 %", COURSE),
    "expected_4_weeks_high_cents": ("cents", "movement in four weeks, upper end of 95 %", COURSE),
    "time_constant_days": ("days", "time in which settling falls to a third", "where the data carry one"),
    "humidity_cents_per_percent": ("cents/%", "answer to humidity", COURSE),
    "humidity_low_cents_per_percent": ("cents/%", "lower end of its 95 % interval", COURSE),
    "humidity_high_cents_per_percent": ("cents/%", "upper end of it", COURSE),
    "temperature_cents_per_degree": ("cents/°C", "answer to temperature", COURSE),
    "temperature_low_cents_per_degree": ("cents/°C", "lower end of its 95 % interval", COURSE),
    "temperature_high_cents_per_degree": ("cents/°C", "upper end of it", COURSE),
}


def columns_of(table: str) -> tuple[Column, ...]:
    """Give the columns of a table, in their order."""
    kind, _ = TABLES[table]
    names = [field.name for field in fields(kind)]
    meant = [(name, _MEANT.get(f"{table}.{name}") or _MEANT[name]) for name in names]
    return tuple(Column(table, name, *words) for name, words in meant)


def all_columns() -> tuple[Column, ...]:
    """Give the columns of all tables."""
    return tuple(column for table in TABLES for column in columns_of(table))
