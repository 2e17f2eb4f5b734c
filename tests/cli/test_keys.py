"""Keys read without waiting: one by one at a terminal, a line each from a pipe."""

import os
import pty
import sys
import termios
import time

import pytest

from resonance.cli.keys import open_keys


@pytest.fixture
def piped(monkeypatch):
    """Standard input as a pipe; gives its writing end."""
    reading, writing = os.pipe()
    with os.fdopen(reading) as stdin, os.fdopen(writing, "w", buffering=1) as end:
        monkeypatch.setattr(sys, "stdin", stdin)
        yield end


@pytest.fixture
def typed(monkeypatch):
    """Standard input as a terminal; gives the hand's end of it."""
    hand, terminal = pty.openpty()
    with os.fdopen(terminal) as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        yield hand
    os.close(hand)


def after(keys, n):
    found, end = [], time.monotonic() + 5.0
    while len(found) < n and time.monotonic() < end:
        found += keys.pressed()
    return found


@pytest.mark.parametrize(
    ("key", "meaning"),
    [(" ", "go"), ("\n", "go"), ("x", "go"), ("d", "drop"), ("u", "drop"), ("\x7f", "drop"), ("q", "finish")],
)
def test_a_key_counts_at_once_at_a_terminal(typed, key, meaning):
    with open_keys() as keys:
        assert keys.pressed() == []
        os.write(typed, key.encode())
        assert after(keys, 1) == [meaning]
        assert not keys.over


def test_the_terminal_is_left_as_it_was(typed):
    before = termios.tcgetattr(sys.stdin.fileno())
    with open_keys():
        assert termios.tcgetattr(sys.stdin.fileno()) != before
    assert termios.tcgetattr(sys.stdin.fileno()) == before


def test_several_keys_come_in_their_order(typed):
    with open_keys() as keys:
        os.write(typed, b"d q")
        assert after(keys, 3) == ["drop", "go", "finish"]


def test_from_a_pipe_each_line_is_a_key_and_the_end_is_told(piped):
    with open_keys() as keys:
        assert keys.pressed() == []
        piped.write("\nd\nquit\n")
        piped.flush()
        assert after(keys, 3) == ["go", "drop", "finish"]
        assert not keys.over
        piped.close()
        assert keys.pressed() == []
        assert keys.over


def test_without_standard_input_no_key_comes(monkeypatch):
    monkeypatch.setattr(sys, "stdin", None)
    with open_keys() as keys:
        assert keys.pressed() == []
        assert keys.over
