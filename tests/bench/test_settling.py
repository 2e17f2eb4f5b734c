"""Whether jobs are settled, in the list. Truth: the verdicts of their histories."""

import pytest

from resonance.bench import settling
from resonance.bench.settling import Settling, settled_words
from resonance.changes.course import CANNOT_TELL, NOT_YET, SETTLED, History
from resonance.jobs.lines import JobLine
from resonance.sets.instrument import Instrument


def course(settled, *, label="B1-", chapter=""):
    return History("t1", label, settled=settled, chapter=chapter)


@pytest.mark.parametrize(
    ("histories", "words"),
    [
        ([], ""),
        ([course(SETTLED)], "settled"),
        ([course(SETTLED), course(CANNOT_TELL, label="A0")], "cannot tell yet if settled"),
        ([course(SETTLED), course(CANNOT_TELL), course(NOT_YET, label="A0")], "not yet settled"),
        ([course(SETTLED), course(NOT_YET, label=None)], "settled"),
        ([course(NOT_YET), course(SETTLED, chapter="adj3")], "settled"),
    ],
)
def test_the_least_settled_named_mode_of_the_last_chapter_decides(histories, words):
    assert settled_words(histories) == words


def test_worked_out_once_and_again_when_the_job_goes_on(tmp_path, monkeypatch):
    asked = []
    monkeypatch.setattr(settling, "_settled_words", lambda folder, job: asked.append(job) or "settled")
    known = Settling()
    few, enough = (JobLine(name, Instrument(name), n_sets=n) for name, n in (("few", 2), ("enough", 3)))
    for _ in range(2):
        known.ask(tmp_path, [few, enough], lambda: False)
        known.wait(10.0)
    assert asked == ["enough"]
    assert known.words(enough) == "settled"
    assert known.words(few) == ""
    more = JobLine("enough", Instrument("enough"), n_sets=4)
    assert known.words(more) == ""
    known.ask(tmp_path, [more], lambda: False)
    known.wait(10.0)
    assert asked == ["enough", "enough"]


def test_a_job_that_cannot_be_read_says_nothing(tmp_path):
    assert settling._settled_words(tmp_path, "none") == ""
