"""same, repeat, history, post, target and their figures, on a job of two tap sets and one adjustment."""

import pytest


@pytest.fixture
def own(worked, tmp_path, command):
    """A copy of the worked shop that a test may change."""
    out = tmp_path / "copied"
    command("job", "export", "fiddle", out, "--shop", worked[0]).done()
    command("job", "import", out).done()
    return "fiddle"


def test_same_is_kept_until_taken_back(command, own):
    found = command("same", own, "set1:462", "2:502Hz", "--json").done().json
    assert found["track"] == "same1"
    assert [mode["set"] for mode in found["modes"]] == ["set1", "set2"]
    shown = command("same", own, "set1:407", "set2:407").done().text
    assert "One resonance from now on" in shown
    assert "The nearest to the hertz you gave" not in shown
    assert "Taken back" in command("undo", own).done().text


def test_same_wants_two_tap_sets_and_hertz(command, own):
    assert "write it like set1:437" in command("same", own, "set1", "set2:462").failed(2)
    assert "two tap sets" in command("same", own, "set1:462", "set1:551").failed(1)
    assert "no resonance near" in command("same", own, "set1:462", "set2:1150").failed(1)


def test_repeat_says_what_is_assumed_and_what_would_help(command, own):
    shown = command("repeat", own).done().text
    assert "Put-back scatter is not known yet" in shown
    assert "Three repeat tap sets" in shown
    assert command("repeat", own, "--json").done().json["pooled"]["source"] == "assumed"


def test_history_of_two_sets_says_little_and_why(command, own):
    assert "it needs the dates of the tap sets" in command("history", own).done().text
    for name, day in (("set1", "2025-03-01T10:00"), ("set2", "2025-03-03T10:00")):
        command("job", "edit", own, name, f"taken={day}").done()
    command("job", "edit", own, "adj1", "made=2025-03-02T10:00").done()
    shown = command("history", own).done().text
    assert "adjustment 1" in shown.lower()
    assert "Noted along the way" in shown
    found = command("history", own, "--json").done().json
    assert {"track", "steps", "fitted", "rate_cents_per_week", "settled"} <= found["histories"][0].keys()


def test_post_says_nothing_from_one_move(command, own):
    shown = command("post", own).done().text
    assert "from fewer than three nothing is said" in shown
    found = command("post", own, "--json").done().json
    assert found["cents_per_mm"] == []
    assert "draws" not in found
    assert "hint" not in found
    assert command("post", own, "--hint", "--json").done().json["hint"] is None
    assert "names the tap set you aim at first" in command("post", own, "--hint").done().text


def test_target_shows_how_far(command, own):
    assert "aims at no tap set yet" in command("target", own).failed(2)
    assert "You aim at tap set 1" in command("target", own, "set1").done().text
    shown = command("target", own).done().text
    assert "Distance to the target" in shown
    found = command("target", own, "--json").done().json
    assert [each["set"] for each in found["distances"]] == ["set1", "set2"]
    assert found["distances"][1]["rms_cents"] > 5.0  # both main body notes went up
    assert "aim at no tap set now" in command("target", own, "--clear").done().text
    assert "--clear" in command("target", own, "set1", "--clear").failed(2)


@pytest.mark.parametrize("kind", ["history", "post"])
def test_figures(command, own, tmp_path, kind):
    out = tmp_path / f"{kind}.svg"
    command("figure", own, kind, "--out", out).done()
    assert out.read_text().startswith("<svg")
