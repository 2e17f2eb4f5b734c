"""Help, exit codes, one-line errors, Ctrl-C, streams: what holds for every command."""

import io
import re
import shlex
import subprocess
import sys
from contextlib import redirect_stdout

import pytest

from resonance.cli import main as entry
from resonance.cli.main import COMMANDS, build_parser, main
from resonance.cli.options import UsageError
from resonance.errors import ResonanceError

JOB_ACTIONS = ("new", "list", "show", "edit", "remark", "confirm", "move", "export", "import", "delete")
ALL = [(name,) for name in COMMANDS] + [("job", action) for action in JOB_ACTIONS]


def test_the_commands_asked_for_are_there():
    asked = "job add setup adjust label target modes compare report figure check undo demo".split()
    asked += "same history post repeat".split()
    assert set(asked) <= set(COMMANDS)


@pytest.mark.parametrize("words", ALL, ids=" ".join)
def test_help_shows_an_example_of_the_command_that_can_be_typed(command, words):
    shown = command(*words, "--help").done().out
    example = shown.partition("example")[2]
    lines = [line.strip() for line in example.splitlines() if line.startswith("  resonance ")]
    assert lines
    for line in lines:
        typed = shlex.split(line)
        assert tuple(typed[1 : 1 + len(words)]) == words
        assert build_parser().parse_args(typed[1:]).command.startswith(words[0])


def test_help_lists_every_command(command):
    shown = command("--help").done().out
    assert all(re.search(rf"^    {name} ", shown, re.M) for name in COMMANDS)


def test_no_word_at_all_shows_the_help_and_is_wrong_usage(command):
    ran = command()
    assert ran.code == 2
    assert ran.out == ""
    assert "usage: resonance" in ran.err


@pytest.mark.parametrize(
    "words",
    [
        ("listen",),
        ("job",),
        ("job", "sell"),
        ("add", "fiddle"),
        ("adjust", "fiddle"),
        ("adjust", "fiddle", "--part", "scroll"),
        ("adjust", "fiddle", "--part", "bridge", "--made", "yesterday"),
        ("adjust", "fiddle", "--part", "bridge", "--along", "a hair"),
        ("add", "fiddle", "x.wav", "--taken", "2025-13-01"),
        ("add", "fiddle", "x.wav", "--before", "adj1", "--after", "adj2"),
        ("add", "fiddle", "x.wav", "--repeat", "often"),
        ("add", "fiddle", "x.wav", "--check", "seams"),
        ("add", "fiddle", "x.wav", "--check", "glue=yes"),
        ("add", "fiddle", "x.wav", "--check", "seams=perhaps"),
        ("add", "fiddle", "x.wav", "--humidity", "450"),
        ("add", "fiddle", "x.wav", "--temperature", "nan"),
        ("modes", "x.wav", "--band", "60"),
        ("modes", "x.wav", "--band", "1200", "60"),
        ("modes", "x.wav", "--channel", "0"),
        ("modes", "x.wav", "--family", "lute"),
        ("label", "fiddle", "set1", "-5", "A0"),
        ("label", "fiddle", "set1", "440"),
        ("compare", "fiddle", "set1"),
        ("report", "fiddle", "--out", "fiddle.doc"),
        ("report", "fiddle", "--out", "fiddle.html", "--for", "dealer"),
        ("target", "fiddle"),
        ("setup", "fiddle", "post.behind=3"),
        ("setup", "fiddle", "post.behind_mm"),
        ("setup", "fiddle", "stage=glued"),
        ("job", "edit", "fiddle", "yaer=2025"),
        ("job", "edit", "fiddle", "adj1", "amount=1"),
        ("job", "edit", "fiddle", "set1", "humidity=400"),
        ("job", "edit", "fiddle", "set2", "repeat_of=set1"),
        ("job", "edit", "fiddle", "set2", "repeat=untouched"),
        ("add", "fiddle", "x.wav", "--repeat-of", "set1"),
        ("job", "edit", "fiddle", "adj1"),
        ("job", "move", "fiddle", "set1"),
    ],
    ids=" ".join,
)
def test_wrong_usage_is_one_line_and_exit_code_2(command, words, worked):
    error = command(*words, "--shop", worked[0]).failed(2)
    assert "--help" in error


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        (("modes", "x.wav", "--family", "voila"), "viola"),
        (("adjust", "fiddle", "--part", "post"), "soundpost"),
        (("figure", "fiddle", "before-aftre", "--out", "x.svg"), "before-after"),
        (("comapre", "fiddle"), "compare"),
        (("job", "shwo", "fiddle"), "show"),
        (("job", "edit", "fiddle", "set1", "temprature=21"), "temperature_c"),
        (("job", "edit", "fiddle", "family=voila"), "viola"),
        (("job", "edit", "fiddle", "adj1", "part=post"), "soundpost"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_a_misspelled_word_is_asked_after(command, words, meant, worked):
    error = command(*words, "--shop", worked[0]).failed(2)
    assert f"did you mean {meant}?" in error
    assert len(error) < 120  # what is meant, without the whole list


def test_a_word_like_no_other_is_answered_with_all(command):
    error = command("figure", "fiddle", "changes", "--out", "x.svg").failed(2)
    assert "write one of: weeks, over-time, history, post, before-after, spectrum, decay" in error


@pytest.mark.parametrize(
    "words",
    [("add", "fiddle", "x.wav", "--repeat-of", "set1"), ("job", "edit", "fiddle", "set2", "repeat_of=set1")],
    ids=" ".join,
)
def test_a_repeat_must_say_what_was_done_in_between(command, words, worked):
    error = command(*words, "--shop", worked[0]).failed(2)
    assert "what was done since set1? Add " in error
    assert "repeat" in error
    assert all(f"'{kind}'" in error for kind in ("untouched", "put back", "slackened and retuned"))


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("modes", "nowhere.wav"), "nowhere.wav"),
        (("modes", "*.nothing"), "no file fits"),
        (("modes", "."), "folder"),
        (("job", "show", "cello"), "there is no job 'cello'; there are: fiddle"),
        (("add", "cello", "x.wav"), "cello"),
        (("add", "fiddle", "nowhere.wav"), "nowhere.wav"),
        (("job", "show", "fiddle", "set9"), "set9"),
        (("job", "delete", "fiddle", "set9"), "set9"),
        (("job", "import", "nowhere"), "nowhere"),
        (("label", "fiddle", "set1", "700000", "X"), "nearest"),
        (("compare", "fiddle", "set1", "set1"), "twice"),
        (("adjust", "cello", "--part", "bridge"), "cello"),
        (("report", "fiddle", "--out", "no-such-folder/x.txt"), "no-such-folder"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_what_cannot_be_done_is_one_line_and_exit_code_1(command, words, said, worked):
    assert said in command(*words, "--shop", worked[0]).failed(1)


def test_a_file_that_is_no_sound_is_named(command, tmp_path):
    letter = tmp_path / "letter ü.wav"
    letter.write_text("Dear Sir")
    assert "letter ü.wav is not a sound file" in command("modes", letter).failed(1)


def test_a_job_in_no_shop_says_how_to_begin(command, shop):
    assert "resonance job new" in command("job", "list").failed(1)
    assert not shop.exists()


def test_shop_may_stand_before_or_after_the_command(command, tmp_path):
    command("--shop", tmp_path / "a", "job", "new", "one").done()
    command("job", "new", "two", "--shop", tmp_path / "a").done()
    listed = command("job", "list", "--json", "--shop", tmp_path / "a").done().json["jobs"]
    assert [job["id"] for job in listed] == ["one", "two"]


def failing_with(trouble, monkeypatch):
    """Make 'job list' meet some trouble."""

    def fail(arguments):
        raise trouble

    monkeypatch.setattr("resonance.cli.job.open_shop", fail)


@pytest.mark.parametrize(
    ("trouble", "code", "said"),
    [
        (ResonanceError("the shop is\nshut"), 1, "the shop is shut"),
        (UsageError("write it so"), 2, "write it so"),
        (KeyboardInterrupt(), 130, "nothing is half written"),
        (PermissionError(13, "Permission denied", "shop.db"), 1, "shop.db: Permission denied"),
        (MemoryError(), 1, "memory"),
        (ZeroDivisionError("division by zero"), 1, "please report it"),
    ],
    ids=lambda value: type(value).__name__ if isinstance(value, BaseException) else "",
)
def test_trouble_of_any_kind_is_one_line(command, monkeypatch, trouble, code, said):
    failing_with(trouble, monkeypatch)
    assert said in command("job", "list").failed(code)


def test_debug_shows_where_it_happened(command, monkeypatch):
    failing_with(ZeroDivisionError("division by zero"), monkeypatch)
    assert "Traceback" in command("--debug", "job", "list").err
    assert "Traceback" in command("job", "list", "--debug").err
    monkeypatch.setenv("RESONANCE_DEBUG", "1")
    assert "Traceback" in command("job", "list").err


def test_a_console_of_another_code_page_does_not_break(tmp_path):
    console = io.TextIOWrapper(io.BytesIO(), "cp437")
    with redirect_stdout(console):
        code = main(["job", "new", "Größe ± −½ ♯ 琴", "--shop", str(tmp_path)])
        code += main(["job", "list", "--shop", str(tmp_path)])
        console.flush()
    assert code == 0
    assert "Größe ± −½ ♯ 琴" in console.buffer.getvalue().decode("utf-8")


def test_a_reader_that_has_gone_is_no_trouble(tmp_path, command):
    command("job", "new", "fiddle").done()
    script = "from resonance.cli.main import main; import sys; sys.exit(main(['setup', 'fiddle']))"
    process = subprocess.Popen(
        [sys.executable, "-c", script], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    process.stdout.close()
    error = process.stderr.read()
    process.stderr.close()
    process.wait(timeout=60)
    assert error == ""


def test_version(command):
    assert command("--version").done().out.strip() == f"resonance {entry.__version__}"
