"""The screen: progress, questions, width."""

import io

import pytest

from resonance.cli import screen


class Terminal(io.StringIO):
    def isatty(self):
        return True


def test_progress_on_a_terminal_is_rewritten_in_place_and_goes():
    stream = Terminal()
    with screen.Progress(stream=stream) as progress:
        progress(0.25, "reading")
    shown = stream.getvalue()
    assert "\r 25 %  reading" in shown
    assert "\n" not in shown
    assert shown.endswith(" \r")


def test_progress_elsewhere_is_quiet_for_a_second_then_speaks_in_lines(monkeypatch):
    now = [100.0]
    monkeypatch.setattr(screen.time, "monotonic", lambda: now[0])
    stream = io.StringIO()
    with screen.Progress(stream=stream) as progress:
        for _ in range(100):  # ten seconds, ten calls a second
            progress.part(0.5, 1.0)((now[0] - 100.0) / 10.0, "fitting")
            now[0] += 0.1
    lines = stream.getvalue().splitlines()
    assert len(lines) == 2
    assert lines[0] == " 55 %  fitting"


def test_work_within_a_second_shows_nothing_in_a_log():
    stream = io.StringIO()
    with screen.Progress(stream=stream) as progress:
        progress(0.5, "reading")
    assert stream.getvalue() == ""


@pytest.mark.parametrize(
    ("typed", "default", "answer"),
    [
        ("\n", True, True),
        ("\n", False, False),
        ("n\n", True, False),
        ("what\nYES\n", False, True),
        ("", True, True),
    ],
)
def test_confirm(monkeypatch, capsys, typed, default, answer):
    monkeypatch.setattr("sys.stdin", io.StringIO(typed))
    assert screen.confirm("Is it so?", default=default) is answer
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("Is it so? [Y/n] " if default else "Is it so? [y/N] ")


@pytest.mark.parametrize(("columns", "used"), [("40", 60), ("80", 80), ("250", 100)])
def test_lines_are_no_wider_than_the_terminal_or_100(monkeypatch, columns, used):
    monkeypatch.setenv("COLUMNS", columns)
    assert screen.line_width() == used


def test_json_is_strict(capsys):
    with pytest.raises(ValueError, match="JSON"):
        screen.print_json({"frequency": float("nan")})
