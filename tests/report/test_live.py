"""What the maker reads while a set is taken: words short and right, for every event and every fault."""

import re
from math import nan

import pytest

from resonance.modes.mode import Mode
from resonance.reasons import Fault, Reason
from resonance.report.live import (
    LARGE,
    advice_line,
    event_lines,
    large_verdict,
    large_words,
    level_lines,
    reading_line,
    verdict_line,
)
from resonance.taking import listen
from resonance.taking.level import LevelCheck
from resonance.taking.notes import Note
from resonance.taking.readings import Readings
from resonance.taking.session import (
    Began,
    Checked,
    Done,
    Dropped,
    Ended,
    Held,
    Hint,
    Judged,
    Lost,
    Move,
    Ready,
)
from resonance.taps import vet
from resonance.taps.tap import Tap

GOOD = Tap(1.0)
FAULTS = {
    "clipped": Fault("clipped", {"run": 5.0, "level": 1.0}),
    "double_hit": Fault("double_hit", {"delay": 0.04, "ratio_db": -6.0}),
    "too_quiet": Fault("too_quiet", {"snr_db": 8.0, "needed_db": 15.0}),
    "cut_short": Fault("cut_short", {"left": 0.05}),
    "overlaps_next": Fault("overlaps_next", {"after": 0.15}),
    "unlike_others": Fault("unlike_others", {"distance": 6.0}),
    "dull": Fault("dull", {"reach": 224.0}),
    "still_ringing": Fault("still_ringing", {"snr_db": 12.0, "after": 1.0}),
    "too_soon": Fault("too_soon"),
    "sound_lost": Fault("sound_lost"),
}


def refused(*codes):
    return Tap(1.0, kept=False, faults=tuple(FAULTS[code] for code in codes))


def test_every_fault_that_a_tap_can_have_has_its_large_word_and_its_reason():
    told = set(re.findall(r"^(\w+) : ", f"{vet.__doc__}\n{listen.__doc__}", re.M))
    assert told == set(FAULTS) == set(LARGE)
    for code in FAULTS:
        line = verdict_line(refused(code), 1, 4)
        assert line.startswith("✗ Refused: ")
        assert "_" not in line
        assert len(large_verdict(refused(code), 1, 4)) <= 8  # letters of 6 columns, and a sign before them


@pytest.mark.parametrize(
    ("tap", "large", "line"),
    [
        (GOOD, "2 OF 4", "✓ Accepted, 2 of 4."),
        (refused("double_hit"), "DOUBLE", "✗ Refused: double hit: a second blow 40 ms after the first."),
        (
            refused("dull"),
            "DULL",
            "✗ Refused: dull blow: it excites little above 224 Hz; a harder tip and a lighter blow show "
            "the upper notes.",
        ),
        (refused("dull", "clipped"), "CLIPPED", None),  # what matters more stands in large letters
        (Tap(1.0, faults=(FAULTS["dull"],)), "2 OF 4", None),
    ],
)
def test_a_verdict_in_large_letters_and_in_a_line(tap, large, line):
    assert large_verdict(tap, 2, 4) == large
    assert line is None or verdict_line(tap, 2, 4) == line
    assert ("harder tip" in verdict_line(tap, 2, 4)) == any(fault.code == "dull" for fault in tap.faults)


def test_more_than_were_wanted_is_no_riddle():
    assert verdict_line(GOOD, 6, 4) == "✓ Accepted, 6 of 6."


def test_every_event_has_its_line_or_none():
    level = LevelCheck(-70.0, -50.0, 41.3)
    said = {
        Ready(): ["Ready, 48000 Hz."],
        Began(0, 0): [],
        Began(1, 0): ["Tap on."],
        Ended(0, 9): [],
        Lost(9): [],
        Move("bass side", 1): ["Move the microphone to: bass side. Then press a key and tap on."],
        Move("", 1): ["Move the microphone to its second place. Then press a key and tap on."],
        Held(Note(1.0, 2.5, -20.0), 2): ["✓ Note 2 of 4, 1.5 s."],
        Dropped(GOOD, 1): ["Taken back; 1 of 4 left."],
        Done("full"): ["Done: the set is complete."],
        Done("finished"): ["Finished."],
        Done("idle"): ["Nothing came for a long while: finished."],
        Checked(level): ["Quiet enough: taps should stand about 41 dB above the room."],
    }
    for event, lines in said.items():
        assert event_lines(event, 4, sample_rate=48e3) == lines
    (hint,) = event_lines(Hint(Reason("gain_low", {"peak_dbfs": -35.0})), 4, sample_rate=48e3)
    assert "turn the gain up" in hint
    assert large_words(Move("x", 1), 4) == "MOVE MIC"
    assert large_words(Judged(refused("clipped"), 1), 4) == "✗ CLIPPED"
    assert large_words(Lost(3), 4) == ""


@pytest.mark.parametrize(
    ("reasons", "words"),
    [
        ((Reason("no_sound"),), ("No sound at all",)),
        ((Reason("noisy", {"expected_db": 12.0}),), ("extractor",)),
        ((Reason("hum_heard", {"frequency": 100.0, "db": 20.0}),), ("Quiet enough", "100")),
        ((Reason("level_hot", {"noise_dbfs": -18.0}),), ("turn the gain down",)),
    ],
)
def test_the_level_check_says_what_to_do(reasons, words):
    lines = level_lines(LevelCheck(-70.0, -50.0, 41.0, reasons=reasons))
    assert len(lines) == len(words)
    for line, word in zip(lines, words, strict=True):
        assert word in line


def test_readings_carry_their_interval_and_say_whether_to_go_on():
    mode = Mode(462.13, 0.01, frequency_u=0.3, frequency_dof=1e6, label="B1-", labelled_by="program")
    assert reading_line(mode) == "B1−?  462.1 ± 0.6 Hz"  # 95 %: 1.96 standard uncertainties
    assert advice_line(Readings((mode,), 3, False, mode)) == "B1−? to ± 0.6 Hz, go on."
    assert advice_line(Readings((mode,), 3, True, mode)) == "More taps will not help now."
    assert advice_line(Readings((mode,), 1)) == "Go on."
    unknown = Mode(462.13, 0.01, frequency_u=nan)
    assert advice_line(Readings((unknown,), 2, False, unknown)) == "Go on."
