"""Jobs: begin, list, show, edit, remark, order, export, import, delete, undo, check, setup."""

import json
from datetime import datetime, timedelta

import numpy as np
import pytest

from resonance.jobs.recording import KeptRecording, add_recording
from resonance.jobs.store import Shop
from resonance.sound.recording import Recording, Take


@pytest.mark.parametrize(
    ("name", "job"),
    [("my-viola", "my-viola"), ("Größe – 12/3 ✓", "grosse-12-3"), ("../../etc", "etc"), ("set1", "set1")],
)
def test_odd_names_give_a_job_that_can_be_named(command, name, job):
    assert command("job", "new", name, "--json").done().json["id"] == job
    for called in (job, name):
        assert command("job", "show", called, "--json").done().json["instrument"]["name"] == name


def test_a_second_job_of_that_name_gets_another(command):
    ids = [command("job", "new", "viola", "--json").done().json["id"] for _ in range(2)]
    assert ids == ["viola", "viola-2"]
    assert (
        "The name viola is taken: this job is called viola-3." in command("job", "new", "Viola").done().text
    )
    assert "taken" not in command("job", "new", "cello").done().text


def test_a_family_that_nobody_named_is_said_to_be_assumed(command):
    assert "Family assumed: violin." in command("job", "new", "one").done().text
    assert "assumed" not in command("job", "new", "two", "--family", "violin").done().text
    assert "violin, or the shop's usual one, unless said" in command("job", "new", "--help").done().text


def test_an_empty_name_is_wrong_usage(command):
    command("job", "new", "  ").failed(2)


def test_new_notes_what_was_said(command):
    options = ("--family", "viola", "--piece", "top", "--owner", "B. Ä.", "--body", "405,5")
    command("job", "new", "v", *options).done()
    instrument = command("job", "show", "v", "--json").done().json["instrument"]
    assert instrument["family"] == "viola"
    assert instrument["piece"] == "top"
    assert instrument["owner"] == "B. Ä."
    assert instrument["body_mm"] == 405.5
    assert instrument["string_length_mm"] is None  # NaN is null
    shown = command("job", "show", "v").done().text
    assert "viola, free top plate" in shown
    assert "405.5 mm" in shown


def test_list_counts(command, worked):
    (line,) = command("job", "list", "--json", "--shop", worked[0]).done().json["jobs"]
    assert (line["id"], line["n_sets"], line["n_adjustments"]) == ("fiddle", 2, 1)
    assert "fiddle" in command("job", "list", "--shop", worked[0]).done().out


def test_edit_instrument_set_and_adjustment(command, worked, tmp_path):
    command("job", "new", "v").done()
    command("job", "edit", "v", "owner=B. Player", "year=2025").done()
    job = command("job", "show", "v", "--json").done().json
    assert (job["instrument"]["owner"], job["instrument"]["year"]) == ("B. Player", "2025")
    command("adjust", "v", "--part", "bridge").done()
    command("job", "edit", "v", "1x", "note=a").failed(1)
    command("job", "edit", "v", "adj1", "note=thinner", "made=2025-03-01T12:00").done()
    (adjustment,) = command("job", "show", "v", "--json").done().json["adjustments"]
    assert adjustment["note"] == "thinner"
    assert adjustment["made"].startswith("2025-03-01T12:00:00")


def test_edit_takes_the_short_words_that_add_and_adjust_take(command, worked, tmp_path):
    command("job", "export", "fiddle", tmp_path / "out", "--shop", worked[0]).done()
    command("job", "import", tmp_path / "out").done()
    words = ("temperature=22", "humidity=41", "mass=411", "hours-in-room=2", "repeat-of=1", "repeat=put-back")
    edited = command("job", "edit", "fiddle", "set2", *words, "--json").done().json
    assert edited["climate"] == {"temperature_c": 22.0, "humidity_percent": 41.0, "hours_in_room": 2.0}
    assert edited["conditions"]["mass_g"] == 411.0
    assert (edited["repeat_of"], edited["repeat_kind"]) == ("set1", "put back")
    command("job", "edit", "fiddle", "set2", "repeat=").failed(2)  # a repeat says what was done
    cleared = command("job", "edit", "fiddle", "set2", "repeat-of=", "--json").done().json
    assert (cleared["repeat_of"], cleared["repeat_kind"]) == (None, "")
    moved = command("job", "edit", "fiddle", "adj1", "along=-0.25", "across=1", "--json").done().json
    assert (moved["along_mm"], moved["across_mm"]) == (-0.25, 1.0)


def test_a_date_in_the_future_is_asked_after(command):
    command("job", "new", "v").done()
    soon, later = (f"{datetime.now() + timedelta(hours=hours):%Y-%m-%dT%H:%M}" for hours in (20, 30))
    for made, warned in ((soon, False), (later, True)):
        shown = command("adjust", "v", "--part", "bridge", "--made", made).done().text
        assert ("lies in the future" in shown) is warned
        shown = command("job", "edit", "v", "adj1", f"made={made}").done().text
        assert ("lies in the future" in shown) is warned
    assert "future" not in command("job", "edit", "v", "adj1", "note=thinner").done().text


def test_remark_delete_and_undo(command):
    command("job", "new", "v").done()
    command("job", "remark", "v", "owner finds it brighter").done()
    assert "owner finds it brighter" in command("job", "show", "v").done().text
    command("job", "delete", "v", "rem1").done()
    assert "brighter" not in command("job", "show", "v").done().text
    undone = command("undo").done().text
    assert "deleted rem1" in undone
    assert "brighter" in command("job", "show", "v").done().text
    command("job", "remark", "v", " ").failed(2)


def test_delete_a_job_and_bring_it_back(command):
    command("job", "new", "v").done()
    command("job", "delete", "v").done()
    command("job", "show", "v").failed(1)
    assert command("undo", "--json").done().json["undone"] is True
    command("job", "show", "v").done()


def test_undo_to_the_end(command):
    command("job", "new", "v").done()
    command("undo").done()
    assert "nothing to undo" in command("undo").failed(1)


def test_export_and_import_keep_all(command, worked, tmp_path):
    exported = tmp_path / "fiddle out"
    command("job", "export", "fiddle", exported, "--shop", worked[0]).done()
    assert json.loads((exported / "job.json").read_text("utf-8"))
    command("job", "import", exported).done()
    before = command("job", "show", "fiddle", "--json", "--shop", worked[0]).done().json
    after = command("job", "show", "fiddle", "--json").done().json
    for job in (before, after):
        for tap_set in job["sets"]:
            tap_set["analysis"].pop("made")
        job.pop("created", None)
    assert [s["modes"] for s in after["sets"]] == [s["modes"] for s in before["sets"]]
    assert after["timeline"] == before["timeline"]
    command("job", "export", "fiddle", exported).failed(1)  # not into a folder that holds something


def test_order_is_shown_moved_and_confirmed(command, worked, tmp_path):
    folder = tmp_path / "out"
    command("job", "export", "fiddle", folder, "--shop", worked[0]).done()
    command("job", "import", folder).done()
    assert "not confirmed" in command("job", "show", "fiddle").done().text
    command("job", "confirm", "fiddle").done()
    assert "not confirmed" not in command("job", "show", "fiddle").done().text
    command("job", "move", "fiddle", "set2", "--before", "adj1").done()
    order = [entry["id"] for entry in command("job", "show", "fiddle", "--json").done().json["timeline"]]
    assert order == ["set1", "set2", "adj1"]


def test_setup_notes_shows_and_clears(command):
    command("job", "new", "v").done()
    assert "No setup is noted" in command("setup", "v").done().text
    words = ("post.behind_mm=2,5 mm", "strings.A4.gauge_note=medium", "--json")
    noted = command("setup", "v", *words).done().json
    assert noted["setup"]["post"]["behind_mm"] == 2.5
    assert noted["setup"]["strings"][0]["gauge_note"] == "medium"
    shown = command("setup", "v").done().text
    assert "2.5 mm behind the bridge foot" in shown
    assert "tail.afterlength_mm" in shown  # all keys are told
    assert "nothing was changed" in command("setup", "v", "post.behind_mm=2.5").done().text
    command("setup", "v", "post.behind_mm=").done()
    assert command("setup", "v", "--json").done().json["setup"]["post"]["behind_mm"] is None
    command("setup", "v", "post.behind_mm=2", "stage=glued").failed(2)
    assert command("setup", "v", "--json").done().json["setup"]["post"]["behind_mm"] is None  # all or none


def test_check_finds_what_is_damaged(command, worked, tmp_path, shop):
    folder = tmp_path / "out"
    command("job", "export", "fiddle", folder, "--shop", worked[0]).done()
    command("job", "import", folder).done()
    assert "All is well" in command("check").done().text
    assert command("check", "--json").done().json == {"problems": []}
    sound = next((shop / "sound").iterdir())
    sound.chmod(0o644)
    sound.write_bytes(sound.read_bytes()[:-10])
    ran = command("check")
    assert ran.code == 1
    assert "problem" in ran.out
    assert "Traceback" not in ran.err


def test_backup_restore_and_mend(command, worked, tmp_path, shop):
    file = tmp_path / "stick.zip"
    told = command("backup", file, "--shop", worked[0]).done().text
    assert "read back: 2 recordings" in told
    assert "is there already" in command("backup", file, "--shop", worked[0]).failed(1)
    assert "All is well" in command("check", file).done().text
    assert "Brought back" in command("restore", file).done().text
    assert command("job", "list", "--json").done().json["jobs"][0]["id"] == "fiddle"
    assert "not empty" in command("restore", file).failed(1)
    sound = next((shop / "sound").iterdir())
    sound.unlink()
    assert command("check").code == 1
    assert "Mended: 1 recording." in command("check", "--mend-from", file).done().text
    assert command("check", "--json").done().json == {"problems": []}
    sound.write_bytes(b"x")
    assert command("check", "--mend-from", file, "--json").done().json["mended"]["sounds"] == [sound.name]
    command("check", file, "--mend-from", file).failed(2)
    assert "is not an exported job" in command("check", tmp_path).failed(1)


def test_what_is_damaged_in_a_backup_is_named_when_it_comes_back(command, worked, tmp_path):
    file = tmp_path / "stick.zip"
    made = command("backup", file, "--shop", worked[0], "--json").done().json
    assert (made["n_sounds"], made["problems"]) == (2, [])
    data = bytearray(file.read_bytes())
    data[len(data) // 2] ^= 1
    file.write_bytes(data)
    assert command("check", file).code == 1
    ran = command("restore", file)
    assert ran.code == 1
    assert "Damaged in the backup" in ran.out


def test_undo_lists_and_takes_back_one_further_back(command, worked, tmp_path):
    folder = tmp_path / "out"
    command("job", "export", "fiddle", folder, "--shop", worked[0]).done()
    command("job", "import", folder).done()
    command("job", "delete", "fiddle", "set1").done()
    command("job", "remark", "fiddle", "went on").done()
    acts = command("undo", "--list", "--json").done().json["acts"]
    (number,) = [act["id"] for act in acts if act["text"] == "deleted set1 of fiddle"]
    assert f"{number}" in command("undo", "--list").done().out
    assert "Taken back: deleted set1 of fiddle" in command("undo", "--act", number).done().text
    job = command("job", "show", "fiddle", "--json").done().json
    assert [entry["id"] for entry in job["timeline"]] == ["set1", "adj1", "set2", "rem1"]
    assert "take them back first" in command("undo", "--act", acts[-1]["id"]).failed(1)
    command("undo", "fiddle", "--act", "1").failed(2)


def test_show_lists_what_was_recorded_beside_the_tap_sets(command, shop):
    command("job", "new", "v").done()
    shop = Shop(shop)
    for what, n in (("bowed", 2), ("clap", 1)):
        take = Take(Recording(np.random.default_rng(n).uniform(-0.1, 0.1, (4800, 1)), 48e3), "", "near")
        when = datetime(2025, 3, 3, 14, 30).astimezone()
        add_recording(shop, "v", KeptRecording(what, when, (take,), events=((0.1, 0.2),) * n))
    text = command("job", "show", "v").done().text
    assert "rec1: 3 March 2025, 14:30, 2 bowed notes, microphone: near" in text
    assert "rec2: 3 March 2025, 14:30, 1 clap, microphone: near" in text
    shown = command("job", "show", "v", "--json").done().json["recordings"]
    assert [(each["id"], each["what"], len(each["events"])) for each in shown] == [
        ("rec1", "bowed", 2),
        ("rec2", "clap", 1),
    ]
