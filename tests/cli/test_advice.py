"""What would help next time."""

from dataclasses import replace

import numpy as np

from resonance.cli.advice import ADVICE, MOST, advice
from resonance.reasons import Fault, Reason
from resonance.report.codes import CODES
from resonance.sets.tapset import TapSet
from resonance.sound.recording import Recording, Take
from resonance.taps.tap import Tap

NOTHING = TapSet("set1", None, ())


def test_a_good_set_needs_none():
    assert advice(NOTHING) == ()


def test_faults_reasons_and_warnings_each_call_for_theirs():
    recording = Recording(np.zeros((0, 1)), 48_000.0, warnings=(Reason("lossy", {"format": "mp3"}),))
    poor = replace(
        NOTHING,
        takes=(Take(recording),),
        taps=(Tap(0.5, kept=False, faults=(Fault("clipped"),)),),
        reasons=(Reason("one_microphone_place"),),
    )
    said = advice(poor)
    assert [word for word in ("gain", "FLAC", "second place") if any(word in text for text in said)] == [
        "gain",
        "FLAC",
        "second place",
    ]


def test_never_more_than_can_be_kept_in_mind():
    codes = [code for _, calls in ADVICE for code in calls]
    assert len(advice(replace(NOTHING, reasons=tuple(Reason(code) for code in codes)))) == MOST


def test_every_code_is_one_that_the_program_has_words_for():
    assert {code for _, calls in ADVICE for code in calls} <= set(CODES)
