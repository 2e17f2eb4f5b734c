"""The tables that leave the bench: stable columns, their dictionary, what a customer is given."""

import json
from dataclasses import fields, replace

import numpy as np
import pytest

from resonance.changes.course import MOVED, History, Step
from resonance.jobs.dictionary import TABLES, all_columns, columns_of
from resonance.jobs.job import Entry
from resonance.jobs.results import history_rows, settling_rows, shift_rows, step_rows
from resonance.reasons import Reason
from resonance.report.tables import attachments, tables_json, tables_of

# The columns of version 0.1: others may be added behind these, none may go or change its place.
PROMISED = {
    "readings": "set_id taken place after chapter track label labelled_by kind frequency frequency_u "
    "frequency_dof model_u damping damping_u damping_dof peak snr_db n_taps method damping_model_u",
    "strings": "set_id taken place name nominal pitch pitch_u pitch_dof cents_off inharmonicity n_partials "
    "tension_ratio",
    "timeline": "place kind id at confirmed text part along_mm across_mm end new_chapter chapter repeat_of "
    "repeat_kind temperature_c humidity_percent n_modes",
    "shifts": "before after track label frequency_before frequency_before_u frequency_after "
    "frequency_after_u shift shift_u shift_cents interval_low_cents interval_high_cents "
    "least_detectable_cents scatter_cents scatter_source damping_change damping_change_u level_change_db "
    "level_change_db_u verdict reasons",
    "bands": "before after low high change_db change_db_u verdict",
    "levels": "set_id taken what track label frequency low high tap_place microphone_place db db_u",
    "histories": "track label chapter set_id taken frequency frequency_u fitted fitted_u settling_cents "
    "suspect",
    "steps": "track label adjustment cents interval_low_cents interval_high_cents total_cents "
    "least_detectable_cents hours_before hours_after verdict reasons",
    "settling": "track label chapter settled settled_by rate_cents_per_week rate_low_cents_per_week "
    "rate_high_cents_per_week expected_4_weeks_low_cents expected_4_weeks_high_cents time_constant_days "
    "humidity_cents_per_percent humidity_low_cents_per_percent humidity_high_cents_per_percent "
    "temperature_cents_per_degree temperature_low_cents_per_degree temperature_high_cents_per_degree",
}


@pytest.mark.parametrize("table", TABLES)
def test_columns_are_as_promised(table):
    names = [column.column for column in columns_of(table)]
    promised = PROMISED[table].split()
    assert names[: len(promised)] == promised
    assert names == [field.name for field in fields(TABLES[table][0])]


def test_every_column_says_its_unit_meaning_and_source():
    for column in all_columns():
        assert column.meaning
        assert column.how
        ends = sorted(UNITS, key=len, reverse=True)
        unit = next((UNITS[e] for e in ends if column.column.removesuffix("_u").endswith(e)), None)
        assert unit is None or column.unit == unit, column


UNITS = {
    "_db": "dB",
    "_cents": "cents",
    "_mm": "mm",
    "_c": "°C",
    "_percent": "%",
    "_days": "days",
    "_dof": "1",
}
UNITS |= {"cents_per_percent": "cents/%", "cents_per_week": "cents/week", "_dof": "1"}


def a_history(job):
    """A history written down by hand."""
    taken = tuple(s.taken for s in job.sets)
    step = Step("adj1", 10.0, (4.0, 16.0), 12.0, MOVED, (Reason("since"), Reason("since")), 5.0, 1.0, 2.0)
    return History(
        "m5",
        "B1+",
        taken,
        np.array([441.3, 443.8, 444.1]),
        np.array([0.3, 0.3, 0.3]),
        np.array([441.4, 443.7, 444.0]),
        np.array([0.2, 0.2, 0.2]),
        steps=(step,),
        rate_cents_per_week=(-3.0, -1.0, 1.0),
        expected_4_weeks=(-9.0, 2.0),
        suspect_sets=("set2",),
        sets=tuple(s.id for s in job.sets),
    )


def test_rows_hold_what_was_found(job, comparisons):
    rows = shift_rows(comparisons)
    moved = next(row for row in rows if row.verdict == "moved")
    assert (moved.before, moved.after, moved.label) == ("set1", "set2", "B1-")
    assert moved.frequency_after - moved.frequency_before == pytest.approx(moved.shift) == pytest.approx(2.1)
    history = a_history(job)
    first, second, _ = history_rows(job, [history])
    assert (first.frequency, first.fitted, first.suspect, second.suspect) == (441.3, 441.4, False, True)
    assert first.taken == job.sets[0].taken
    (step,) = step_rows([history])
    assert (step.cents, step.interval_low_cents, step.reasons) == (10.0, 4.0, "since")
    (settling,) = settling_rows([history])
    assert (settling.rate_low_cents_per_week, settling.rate_cents_per_week) == (-3.0, -1.0)
    assert settling.expected_4_weeks_high_cents == 2.0


def test_a_customer_is_given_no_more_than_is_shown(job, comparisons):
    given = tables_of(job, comparisons, [a_history(job)], audience="customer")
    assert "levels" not in given
    assert {row.label for row in given["readings"]} == {"", "B1-"}
    assert {row.label for row in given["shifts"]} == {"", "B1-"}
    assert {row.label for row in given["histories"] + given["steps"]} == {""}  # B1+ is a guess
    assert {row.kind for row in given["timeline"]} == {"tap set", "adjustment"}
    assert "bench secret" not in str(given)
    sets = tuple(replace(job.sets[0], id=f"set{k}") for k in range(1, 41))
    many = replace(job, sets=sets, timeline=tuple(Entry("tap set", each.id) for each in sets))
    shown = tables_of(many, audience="customer")["readings"]
    assert {row.set_id for row in shown} == {f"set{k}" for k in range(17, 41)}  # 24 of 40
    assert len({row.set_id for row in tables_of(many)["readings"]}) == 40


def test_the_json_explains_itself(job, comparisons):
    whole = json.loads(tables_json(job, tables_of(job, comparisons), made=None))
    assert whole["format"] == "resonance tables"
    told = {(c["table"], c["column"]) for c in whole["columns"]}
    for name, rows in whole["tables"].items():
        for row in rows:
            assert {(name, key) for key in row} <= told
    assert whole["tables"]["readings"][2]["damping"] is None  # not known is null


def test_only_tables_with_rows_are_attached(job):
    names = {each.name for each in attachments(job, audience="bench")}
    assert "shifts.csv" not in names
    assert {"readings.csv", "columns.csv", "data.json"} <= names
