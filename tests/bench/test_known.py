"""Answers remembered until the next act; one work for all who ask meanwhile; trouble told, not remembered."""

import threading

import pytest
from starlette.responses import RedirectResponse

from resonance.bench.known import known_or_begun
from resonance.bench.state import Bench
from resonance.errors import ResonanceError
from resonance.sets.instrument import Instrument


def asked(bench, work, key="answer"):
    return known_or_begun(bench, "fiddle", (key,), work, kind=str, title="Asking", back="/job/fiddle")


def test_an_answer_is_worked_out_once_until_something_is_done(shop):
    bench, made = Bench(shop), []

    def work(progress):
        made.append(1)
        return f"answer {len(made)}"

    shop.new_job(Instrument("fiddle"))
    assert [asked(bench, work), asked(bench, work)] == ["answer 1", "answer 1"]
    shop.add_remark("fiddle", "played in")
    assert asked(bench, work) == "answer 2"


def test_what_takes_long_is_one_work_for_all_who_ask(shop):
    bench, go = Bench(shop), threading.Event()

    def work(progress):
        go.wait(20)
        return "answer"

    first, second = asked(bench, work), asked(bench, work)
    assert isinstance(first, RedirectResponse)
    assert first.headers["location"] == second.headers["location"]
    go.set()
    found = bench.works.find(first.headers["location"].rpartition("/")[2])
    for _ in range(200):
        if found.over:
            break
        threading.Event().wait(0.02)
        found = bench.works.find(found.id)
    assert found.path == "/job/fiddle"
    assert asked(bench, work) == "answer"


def test_trouble_is_told_and_tried_again(shop):
    bench = Bench(shop)

    def work(progress):
        raise ResonanceError("the recording is missing")

    with pytest.raises(ResonanceError, match="recording is missing"):
        asked(bench, work)
    assert asked(bench, lambda progress: "answer") == "answer"
