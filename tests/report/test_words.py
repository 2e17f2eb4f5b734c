"""Every code has words; labels, notes, dates and unknown codes read sensibly."""

import ast
import re
from datetime import UTC, datetime
from math import nan
from pathlib import Path
from string import Formatter

import pytest

from resonance.modes.mode import Mode
from resonance.reasons import Fault, Reason
from resonance.report.codes import CODES
from resonance.report.words import (
    ALIASES,
    adjustment_id_words,
    count_words,
    day_words,
    kind_words,
    label_alias,
    label_sign,
    limit_words,
    list_words,
    mode_label,
    moment_words,
    note_words,
    off_words,
    reason_words,
    reasons_words,
    sentence,
    set_words,
    time_words,
    verdict_sign,
    verdict_words,
)

PACKAGE = Path(__file__).parents[2] / "resonance"
BANNED = ("signature mode", "residue", "posterior", "pole")


def emitted(path):
    """Give (line, code or None, names of the values or None) of each Reason and Fault made in a module."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") in ("Reason", "Fault") and node.args:
            first, values = node.args[0], node.args[1] if len(node.args) > 1 else None
            literal = isinstance(first, ast.Constant)
            keys = None
            if isinstance(values, ast.Dict):
                literal_keys = all(isinstance(key, ast.Constant) for key in values.keys)
                keys = {key.value for key in values.keys} if literal_keys else None
            yield node.lineno, first.value if literal else None, keys if values is not None else set()


def modules():
    return [path for path in sorted(PACKAGE.rglob("*.py")) if path.parent.name != "report"]


def listed(path):
    """Give the codes that a module's docstring lists, one a line: ``code : {values} ...``."""
    text = ast.get_docstring(ast.parse(path.read_text("utf-8"))) or ""
    return re.findall(r"^([a-z][a-z_]*) (?:: )?\{", text, flags=re.MULTILINE)


@pytest.mark.parametrize("path", modules(), ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_every_code_in_the_sources_has_words(path):
    codes = [(f"line {line}", code) for line, code, _ in emitted(path) if code is not None]
    for where, code in [*codes, *(("docstring", code) for code in listed(path))]:
        assert code in CODES, f"{path.name}, {where}: '{code}' has no words in report/codes.py"


def test_forms_speak_only_of_values_that_come_with_the_code():
    given = {}
    for path in modules():
        for _, code, keys in emitted(path):
            given.setdefault(code, []).append(keys)
    for code, forms in CODES.items():
        kinds = given.get(code.split(":")[0], [])
        if not kinds or None in kinds:
            continue  # not emitted yet, or with values made elsewhere
        known = set().union(*kinds)
        for form in forms[1:]:
            missing = {name for _, name, _, _ in Formatter().parse(form) if name} - known
            assert not missing, f"{code}: no module gives {sorted(missing)}"


def test_the_scan_sees_a_code(tmp_path):
    (tmp_path / "made.py").write_text("Reason('gone_missing', {'at': 1.0})\nFault('dull')\nReason(code)\n")
    found = list(emitted(tmp_path / "made.py"))
    assert found == [(1, "gone_missing", {"at"}), (2, "dull", set()), (3, None, set())]


@pytest.mark.parametrize("code", CODES)
def test_words_are_plain(code):
    assert code.isascii()
    assert not [name for name in Formatter().parse(CODES[code][0]) if name[1]], "the first form always fits"
    for form in CODES[code]:
        words = "".join(text for text, _, _, _ in Formatter().parse(form))
        assert not any(banned in words.lower() for banned in BANNED)
        assert not words.endswith(".")
        assert "_" not in words


def test_the_longer_form_needs_all_its_values():
    assert (
        reason_words(Fault("double_hit", {"delay": 0.042}))
        == "double hit: a second blow 42 ms after the first"
    )
    assert reason_words(Fault("double_hit")) == "double hit"
    assert reason_words(Fault("double_hit", {"delay": nan})) == "double hit"


def test_the_form_that_says_most_is_used():
    weak = {"level_db": -31.0, "needed_db": -28.0}
    assert "−31 dB" in reason_words(Reason("too_weak", weak))
    assert "12 dB above it" in reason_words(Reason("too_weak", {"snr_db": 12.0, "needed_db": 15.0}))
    assert reason_words(Reason("time_between", {"hours": 72.0, "days": 3.0})).startswith("3 days lie between")
    after = reason_words(Reason("time_between", {"hours": 3.0, "days": 0.125, "adjustment": "adj2"}))
    assert "3 hours after adjustment 2" in after


def test_a_condition_is_told_in_its_own_unit():
    def changed(what, before, after, **more):
        return reason_words(
            Reason("condition_changed", {"what": what, "before": before, "after": after, **more})
        )

    assert changed("humidity", 55.0, 30.0).startswith("humidity 55 % before, 30 % after")
    assert "19.5 °C before, 24 °C after" in changed("temperature", 19.5, 24.0)
    assert "by +13 cents" in changed("temperature", 19.5, 24.0, expected_a0_cents=13.2)
    assert changed("holding", "cradle", "lap") == "holding changed as well: cradle before, lap after"
    assert changed("seams", True, False) == "seams changed as well: yes before, no after"


@pytest.mark.parametrize(
    ("hours", "words"),
    [(0.25, "15 minutes"), (1.0, "1 hour"), (30.2, "30 hours"), (72.0, "3 days"), (nan, "not known")],
)
def test_times(hours, words):
    assert time_words(hours) == words


def test_values_in_words_are_not_format_strings():
    words = reason_words(Reason("lossy", {"format": "{delay:ms} {0}"}))
    assert "({delay:ms} {0})" in words


def test_an_unknown_code_reads_sensibly():
    reason = Reason("belly_up", {"height_mm": 3.25, "seen": True, "by": "the_maker", "u": nan})
    assert reason_words(reason) == "belly up (height mm 3.25, seen yes, by the maker)"
    assert reason_words(Reason("")) == "not known"


def test_each_reason_is_said_once():
    assert reasons_words([Reason("one_tap"), Reason("one_tap"), Reason("no_modes")]) == (
        reason_words(Reason("one_tap")),
        reason_words(Reason("no_modes")),
    )


def test_labels_show_a_true_minus_and_guesses_a_question_mark():
    assert label_sign("B1-") == "B1−"
    assert mode_label(Mode(461.0, 0.01, label="B1-", labelled_by="program")) == "B1−?"
    assert mode_label(Mode(461.0, 0.01, label="B1-", labelled_by="program"), guesses=False) == ""
    assert mode_label(Mode(461.0, 0.01, label="B1-", labelled_by="maker"), guesses=False) == "B1−"
    assert mode_label(Mode(461.0, 0.01)) == mode_label(None) == ""


def test_aliases_are_plain_words():
    assert label_alias("A0") == "main air note"
    assert label_alias("my wolf") == ""
    assert {"A0", "CBR", "B1-", "B1+", "#2", "#5"} <= set(ALIASES)


@pytest.mark.parametrize(
    ("frequency", "words"),
    [(440.0, "A4"), (446.4, "A4 +25 cents"), (261.6256, "C4"), (433.0, "A4 −28 cents"), (nan, ""), (0.0, "")],
)
def test_notes(frequency, words):
    # A4 = 440 Hz (ISO 16), C4 = 440 2^(-9/12) = 261.6256 Hz; 1200 lg2(446.4 / 440) = 25.0
    assert note_words(frequency) == words


def test_notes_follow_the_pitch():
    assert note_words(442.0, pitch_a4=442.0) == "A4"


def test_dates_do_not_depend_on_the_language_of_the_computer():
    moment = datetime(2025, 3, 3, 9, 5, tzinfo=UTC)
    assert day_words(moment) == "3 March 2025"
    assert moment_words(moment) == "3 March 2025, 09:05"
    assert day_words(None) == moment_words(None) == "date not noted"


def test_small_words():
    assert kind_words("hum") == "mains hum"
    assert kind_words("new_kind") == "new kind"
    assert limit_words("hand") == "tap to tap"
    assert verdict_words("ambiguous") == "cannot tell"
    assert verdict_words("never_heard") == "never heard"
    assert verdict_sign("never_heard") == ""
    assert set_words("set3") == "tap set 3"
    assert set_words("odd one") == "tap set odd one"
    assert list_words(["a"]) == "a"
    assert list_words(["a", "b", "c"]) == "a, b and c"
    assert count_words(1, "tap") == "1 tap"
    assert count_words(2, "tap") == "2 taps"
    assert sentence(" wood first ") == "Wood first."
    assert sentence("") == ""


def test_verdicts_differ_by_sign_too():
    signs = [
        verdict_sign(v)
        for v in ("moved", "no change seen", "appeared", "not found", "not reached", "ambiguous")
    ]
    assert len(set(signs)) == len(signs)


def test_a_string_off_its_note():
    both = Reason("string_pitch", {"string": "D4", "before": -35.2, "after": 1.8})
    assert reason_words(both).startswith("the D string was 35 cents flat before, 2 cents sharp after")
    gone = Reason("string_pitch", {"string": "D4", "after": 0.8})
    assert reason_words(gone) == "the D string was 1 cent sharp after; before it was not heard"
    assert off_words(-0.4) == "in tune"


def test_adjustments_are_named_by_their_number():
    assert adjustment_id_words("adj2") == "adjustment 2"
    assert adjustment_id_words("adj2, adj3") == "adjustment 2 and adjustment 3"


def test_what_is_known_roughly_is_said_roughly():
    said = reason_words(Reason("room_bends_shift", {"u": 2.3661}))
    assert "about 2.4 Hz" in said.replace("\u00a0", " ")
