"""The whole path: new, add, adjust, add, compare, report; what each says and what it keeps."""

import io
import os
import re

import pytest

from resonance.cli import screen
from resonance.cli.places import is_slip


@pytest.fixture
def own(worked, tmp_path, command):
    """A copy of the worked shop that a test may change."""
    out = tmp_path / "copied"
    command("job", "export", "fiddle", out, "--shop", worked[0]).done()
    command("job", "import", out).done()
    return "fiddle"


def test_every_step_of_the_path_worked(worked):
    for ran in worked[1].values():
        ran.done()


def test_add_says_what_it_kept_and_what_it_found(worked):
    shown = worked[1]["before"].text
    assert "Kept as tap set 1 of fiddle" in shown
    assert "B1−?" in shown
    assert "not confirmed" not in shown  # without an adjustment there is no order to get wrong


def test_adjust_says_first_what_could_be_seen(worked):
    shown = worked[1]["adjust"].out
    least = [float(x) for x in re.findall(r"([\d.]+) Hz \(\d+ cents\)", shown)]
    assert len(least) >= 6  # a main mode has two: one tap set a side, and three
    assert all(0.5 < x < 40.0 for x in least)
    assert shown.index("What could be seen today") < shown.index("Take care") < shown.index("Noted as")
    assert "assumed" in shown
    assert "Let the strings down" in worked[1]["adjust"].text
    assert "qualified restorer" in worked[1]["adjust"].text
    assert "0.5 mm towards the bridge" in worked[1]["adjust"].text


def test_the_second_tap_set_says_what_differs_and_how_to_confirm(worked):
    shown = worked[1]["after"].text
    assert "Other than in tap set 1" in shown
    assert "20 °C before, 26 °C after" in shown
    assert "not confirmed" in shown
    assert "resonance job confirm fiddle" in shown


def test_compare_json(command, worked):
    found = command("compare", "fiddle", "--json", "--shop", worked[0]).done().json
    assert (found["before"], found["after"]) == ("set1", "set2")
    by_verdict = {}
    for shift in found["shifts"]:
        by_verdict.setdefault(shift["verdict"], []).append(shift)
    moved = by_verdict["moved"]
    # B1- and B1+ were made 40 Hz higher: 144 and 121 cents, far beyond any put-back scatter
    for frequency in (462.0, 551.0):
        shift = min(moved, key=lambda s: abs(s["before"]["frequency"] - frequency))
        assert abs(shift["shift"] - 40.0) < 2.0
    still = [s for s in found["shifts"] if s["before"] and abs(s["before"]["frequency"] - 407.0) < 5.0]
    assert still[0]["verdict"] == "no change seen"
    codes = {reason["code"] for reason in found["reasons"]}
    assert {"order_not_confirmed", "condition_changed"} <= codes


def test_compare_says_order_table_verdicts_and_bounds(command, worked):
    shown = command("compare", "fiddle", "--shop", worked[0]).done()
    assert "Tap set 1 → tap set 2" in shown.text
    assert "Soundpost 0.5 mm towards the bridge" in shown.text
    assert "could have gone unseen" in shown.text
    assert "the sound may still differ" in shown.text
    assert "not confirmed" in shown.text
    assert "resonance job confirm fiddle" in shown.text


def test_compare_of_two_named_sets_backwards(command, worked):
    found = command("compare", "fiddle", "2", "set1", "--json", "--shop", worked[0]).done().json
    assert (found["before"], found["after"]) == ("set2", "set1")
    shown = command("compare", "fiddle", "2", "set1", "--shop", worked[0]).done().text
    assert "against the order: shifts are shown from tap set 2, the later one, to tap set 1" in shown
    assert "made from tap set 1 to tap set 2: Soundpost 0.5 mm towards the bridge" in shown
    assert "against the order" not in command("compare", "fiddle", "--shop", worked[0]).done().text


def test_dates_are_held_against_the_order_not_against_how_the_sets_are_named(command, own):
    command("job", "confirm", own).done()
    command("job", "edit", own, "set1", "taken=2025-03-01T10:00").done()
    command("job", "edit", own, "set2", "taken=2025-03-01T15:00").done()
    named = [("set1", "set2"), ("set2", "set1")]
    told = [command("compare", own, *pair).done().text for pair in named]
    assert not any("contradict" in text for text in told)  # when adj1 was typed in says nothing of its date
    command("job", "edit", own, "set1", "taken=2025-03-01T19:00").done()
    told = [command("compare", own, *pair).done().text for pair in named]
    assert all("the dates contradict the order of tap sets" in text.lower() for text in told)
    assert all("by 4 hours" in text for text in told)


def test_compare_needs_two_sets(command, sounds):
    command("job", "new", "v").done()
    assert "no tap set so far" in command("compare", "v").failed(1)


@pytest.mark.parametrize("audience", ["customer", "bench"])
def test_report_as_a_page_and_as_text(command, worked, tmp_path, audience):
    page, text = tmp_path / "fiddle – ü.html", tmp_path / "fiddle.txt"
    for out in (page, text):
        ran = command("report", "fiddle", "--out", out, "--for", audience, "--shop", worked[0]).done()
        assert "not confirmed" in ran.err
    html = page.read_text("utf-8")
    assert html.lstrip().lower().startswith("<!doctype html>")
    assert html.count("<svg") >= 2
    assert "http://" not in html.replace("http://www.w3.org", "")
    for written in (html, text.read_text("utf-8")):
        assert "fiddle" in written
        assert "Take care" in written
        assert ("B1−?" in written) is (audience == "bench")  # guesses are for the bench
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([page.name, text.name])


def test_a_report_says_that_guessed_names_are_left_out_and_how_to_keep_them(command, own, tmp_path):
    out = tmp_path / "fiddle.txt"
    shown = command("report", own, "--out", out).done().text
    (typed,) = re.findall(r"'resonance (label fiddle set2 [\d.]+ A0)'", shown)
    assert "for bench" in shown
    assert "A0" not in out.read_text("utf-8")
    assert "Guessed" not in command("report", own, "--out", out, "--for", "bench").done().text
    command(*typed.split()).done()
    assert "set2 271" not in command("report", own, "--out", out).done().text  # the next one is named
    assert "A0" in out.read_text("utf-8")
    assert command("report", own, "--out", out, "--json").done().json == {"job": own, "out": str(out)}


@pytest.mark.parametrize(
    ("words", "name"), [(("report", "fiddle"), "x.html"), (("figure", "fiddle", "before-after"), "x.svg")]
)
def test_a_missing_folder_is_seen_before_the_work(command, worked, tmp_path, monkeypatch, words, name):
    def work(*_, **__):
        raise AssertionError("the work was begun")

    monkeypatch.setattr("resonance.jobs.answers.compare_sets", work)
    out = tmp_path / "none" / name
    assert "there is no folder" in command(*words, "--out", out, "--shop", worked[0]).failed(1)


def test_label_names_the_nearest_and_clears(command, own):
    named = command("label", own, "1", "463", "B1−", "--json").done().json
    assert (named["label"], named["labelled_by"]) == ("B1-", "maker")
    assert abs(named["frequency"] - 462.0) < 1.0
    shown = command("label", own, "set1", "463", "mine").done().text
    assert re.search(r"Named: mine 46[12]\.\d+ .* in tap set 1, (0|1)\.\d Hz from the 463 Hz you gave", shown)
    assert command("label", own, "set1", "463", "--clear", "--json").done().json["label"] is None
    command("label", own, "set1", "463", "mine").done()
    taken = command("label", own, "set1", "275", "mine").done().text
    assert re.search(r"That name stood at 46[12]\.\d Hz in this tap set", taken)
    command("undo").done()
    command("undo").done()
    assert "nearest" in command("label", own, "set1", "850", "X").failed(1)
    assert "462.0" in command("label", own, "set1", "473", "X").failed(1)  # 2.3 % off


def test_target(command, own):
    assert command("target", own, "set1", "--json").done().json == {"job": own, "target": "set1"}
    assert "Aim: tap set 1" in command("job", "show", own).done().text
    command("target", own, "--clear").done()
    assert "Aim" not in command("job", "show", own).done().text


def test_show_one_set(command, worked):
    shown = command("job", "show", "fiddle", "2", "--shop", worked[0]).done().text
    assert "Tap set 2 of fiddle" in shown
    assert "lap" in shown
    assert command("job", "show", "fiddle", "set2", "--json", "--shop", worked[0]).json["id"] == "set2"


def test_the_same_recording_twice_changes_nothing(command, own, sounds):
    before = command("job", "show", own, "--json").done().json
    error = command("add", own, sounds / "before.wav").failed(1)
    assert "already in tap set set1" in error
    assert "nothing was changed" in error
    assert command("job", "show", own, "--json").done().json == before


def test_add_notes_all_that_was_said(command, own, sounds):
    words = (
        *("add", own, sounds / "again.wav", "--taken", "2025-03-01 14:30", "--before", "adj1", "--json"),
        *("--humidity", "45", "--hours-in-room", "3", "--mass", "412,5", "--tapper", "A."),
        *("--place", "corner", "--mic", "f-hole", "--remark", "quiet day"),
        *("--repeat-of", "1", "--repeat", "put-back", "--check", "seams=yes", "bridge-upright=no"),
    )
    kept = command(*words).done().json
    assert kept["taken"].startswith("2025-03-01T14:30:00")
    assert kept["climate"] == {"temperature_c": None, "humidity_percent": 45.0, "hours_in_room": 3.0}
    assert (kept["repeat_of"], kept["repeat_kind"]) == ("set1", "put back")
    assert kept["conditions"]["checks"]["seams"] is True
    assert kept["conditions"]["checks"]["bridge upright"] is False
    assert kept["conditions"]["mass_g"] == 412.5
    assert kept["conditions"]["remark"] == "quiet day"
    assert (kept["takes"][0]["tap_place"], kept["takes"][0]["microphone_place"]) == ("corner", "f-hole")
    assert kept["after"] == []  # it was said to be before the adjustment, which confirms its place
    assert kept["confirmed"] is True
    assert (kept["job"], kept["id"]) == (own, "set3")


def test_places_once_a_file(command, sounds):
    command("job", "new", "v").done()
    files = (sounds / "before.wav", sounds / "again.wav")
    error = command("add", "v", *files, *("--mic", "a") * 3).failed(2)
    assert "3 times for 2 files" in error
    kept = command("add", "v", *files, "--mic", "a", "--mic", "b", "--place", "corner", "--json").done().json
    assert [take["microphone_place"] for take in kept["takes"]] == ["a", "b"]
    assert [take["tap_place"] for take in kept["takes"]] == ["corner", "corner"]


def test_the_date_of_a_file_is_taken_only_when_asked(command, sounds, tmp_path):
    command("job", "new", "v").done()
    assert command("add", "v", sounds / "before.wav", "--json").done().json["taken"] is None
    os.utime(sounds / "again.wav", (1_740_000_000, 1_740_000_000))  # 2025-02-19T21:20:00Z
    taken = command("add", "v", sounds / "again.wav", "--taken", "file", "--json").done().json["taken"]
    assert taken.startswith("2025-02-")


def at_a_terminal(monkeypatch, typed):
    """Let the command believe in a person who types this."""
    monkeypatch.setattr(screen, "can_ask", lambda: True)
    monkeypatch.setattr("sys.stdin", io.StringIO(typed))


@pytest.mark.parametrize(("answers", "confirmed"), [("n\ny\n", True), ("n\nn\n", False)])
def test_at_a_terminal_the_order_is_asked(command, own, sounds, monkeypatch, answers, confirmed):
    at_a_terminal(monkeypatch, answers)
    ran = command("add", own, sounds / "again.wav").done()
    assert "Is this the order in which it happened? [Y/n]" in ran.err
    assert "the date of the file" in ran.err
    entries = command("job", "show", own, "--json").done().json["timeline"]
    assert next(entry for entry in entries if entry["id"] == "set3")["confirmed"] is confirmed


def test_a_recording_without_taps_is_not_kept_unless_asked(command, tmp_path, shop):
    import numpy as np

    from resonance.sound.files import write_recording
    from resonance.sound.recording import Recording

    rng = np.random.default_rng(5)
    write_recording(Recording(0.01 * rng.standard_normal((96_000, 1)), 48_000.0), tmp_path / "noise.wav")
    command("job", "new", "v").done()
    ran = command("add", "v", tmp_path / "noise.wav")
    assert ran.code == 1
    assert "no tap in noise.wav can be used" in ran.err
    assert command("job", "show", "v", "--json").done().json["sets"] == []
    command("add", "v", tmp_path / "noise.wav", "--anyway").done()
    assert len(command("job", "show", "v", "--json").done().json["sets"]) == 1


def test_adjust_on_a_free_plate_speaks_of_plates(command):
    command("job", "new", "plate", "--piece", "top").done()
    said = command("adjust", "plate", "--part", "body", "--note", "2 g off the lower bout").done().text
    assert "cannot be put back" in said
    assert not [word for word in ("string", "bridge", "post", "restorer") if word in said]


def test_adjust_warns_when_no_tap_set_precedes(command):
    command("job", "new", "v").done()
    assert "No tap set precedes this" in command("adjust", "v", "--part", "bridge").done().text
    assert "cannot be told apart" in command("adjust", "v", "--part", "tail").done().text
    assert "Take care" not in command("adjust", "v", "--part", "fitting").done().text


def test_a_moved_post_without_a_distance_is_said_to_have_none(command):
    command("job", "new", "v").done()
    shown = command("adjust", "v", "--part", "soundpost").done().text
    assert "No distance was noted; 'resonance job edit v adj1 along=0.5' adds it" in shown
    for words in (("--part", "soundpost", "--across", "1"), ("--part", "bridge")):
        assert "No distance" not in command("adjust", "v", *words).done().text


@pytest.mark.parametrize("option", ["--along", "--across"])
def test_a_distance_beyond_three_millimetres_is_asked_back(command, option):
    command("job", "new", "v").done()
    words = ("adjust", "v", "--part", "soundpost", option)
    for far in ("3.1", "-25"):
        error = command(*words, far).failed(2)
        assert "millimetres" in error
        assert "--anyway" in error
    assert command("job", "show", "v", "--json").done().json["adjustments"] == []
    command(*words, "-3").done()
    command(*words, "25", "--anyway").done()
    assert len(command("job", "show", "v", "--json").done().json["adjustments"]) == 2


def test_a_place_a_letter_or_two_off_is_asked_after(command, sounds):
    command("job", "new", "v").done()
    command("add", "v", sounds / "before.wav", "--place", "Bass corner", "--mic", "treble f-hole").done()
    shown = command(
        "add", "v", sounds / "again.wav", "--place", "bass  corner", "--mic", "treble f-hloe"
    ).done()
    assert "Microphone place 'treble f-hloe': did you mean 'treble f-hole', as in tap set 1?" in shown.text
    assert "Tap place" not in shown.err  # case and spaces make no other place


@pytest.mark.parametrize(
    ("one", "other", "slip"),
    [
        ("treble f-hole", "treble f-hole", False),
        ("treble f-hole", "trebl f-holes", True),
        ("treble f-hole", "bass f-hole", False),
        ("place 1", "place 2", False),
        ("near", "rear", False),
        ("f-hole, 30 cm", "f-hole 30 cm", True),
    ],
)
def test_which_names_differ_by_a_slip(one, other, slip):
    assert is_slip(one, other) is slip


def test_adjust_json(command, own):
    words = ("adjust", own, "--part", "soundpost", "--across", "−0,25", "--end", "top", "--json")
    noted = command(*words).done().json
    assert (noted["id"], noted["part"], noted["across_mm"], noted["end"]) == (
        "adj2",
        "soundpost",
        -0.25,
        "top",
    )
    assert noted["along_mm"] is None
    assert all(10.0 < mode["least_detectable_cents"] < 200.0 for mode in noted["detectable"])


def test_what_was_added_can_be_undone(command, own):
    command("adjust", own, "--part", "bridge").done()
    assert "adj2" in command("undo", own).done().text
    assert len(command("job", "show", own, "--json").done().json["adjustments"]) == 1
