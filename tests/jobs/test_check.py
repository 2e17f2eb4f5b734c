"""Damage of every kind is found, and named in plain words."""

import shutil
import sqlite3

import pytest

from resonance.errors import ShopError
from resonance.jobs.store import Shop
from resonance.sets.instrument import Instrument


def flip(path, text):
    """Flip the lowest bit of the last byte of a text in a file."""
    data = bytearray(path.read_bytes())
    place = data.rfind(text.encode())
    assert place >= 0
    data[place + len(text.encode()) - 1] ^= 1
    path.write_bytes(bytes(data))


def changed_rows(path, statements):
    """Change rows behind the shop's back; the triggers that forbid it are put back after."""
    db = sqlite3.connect(path)
    query = "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"
    triggers = [] if statements[0].startswith("DROP") else db.execute(query).fetchall()
    for trigger, _ in triggers:
        db.execute(f"DROP TRIGGER {trigger}")
    for statement in (*statements, *(sql for _, sql in triggers)):
        db.execute(statement)
    db.commit()
    db.close()


def test_all_is_well(shop, full_job):
    steps = []
    assert shop.check(progress=lambda share, text: steps.append(share)) == ()
    assert steps[0] == 0.0
    assert steps[-1] == 1.0
    assert steps == sorted(steps)


@pytest.mark.parametrize(
    ("text", "id_", "words"),
    [
        ("a touch back", "adj1", "record of adjustment adj1 in viola-405"),
        ('"name":"B1', "set1", "record of label set1 in viola-405"),
        ("typed into the wrong job", "rem2", "record of remark rem2"),  # an undone one counts too
    ],
)
def test_a_flipped_bit_in_a_row_is_found_where_sqlite_sees_nothing(shop, full_job, text, id_, words):
    flip(shop.database, text)
    db = sqlite3.connect(shop.database)
    assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    db.close()
    problems = shop.check()
    assert [p.code for p in problems] == ["row_damaged"]
    assert words in problems[0].text
    assert "resonance check --mend-from FILE" in problems[0].text
    assert problems[0].job == full_job.id
    assert not problems[0].harmless
    if id_ != "rem2":
        assert problems[0].id == id_
        with pytest.raises(ShopError, match=r"is damaged; see .*: resonance check"):
            shop.job(full_job.id)
        rest = shop.job(full_job.id, skip_damaged=True)
        assert len(rest.timeline) == len(full_job.timeline) - (id_ == "adj1")


def test_a_byte_that_is_no_text_any_more_is_found_too(shop, full_job):
    data = bytearray(shop.database.read_bytes())
    data[data.rfind(b"a touch back")] ^= 0x80
    shop.database.write_bytes(bytes(data))
    assert [(p.code, p.id) for p in shop.check()] == [("row_damaged", "adj1")]
    with pytest.raises(ShopError, match="record of adjustment adj1 in viola-405 is damaged"):
        shop.job(full_job.id)


@pytest.mark.parametrize("text", ["Viola 405", "began the job viola-405"])
def test_one_damaged_job_does_not_stop_the_others(shop, full_job, text):
    cello = shop.new_job(Instrument("Cello", "cello")).id
    flip(shop.database, text)
    assert [problem.code for problem in shop.check()] == ["row_damaged"]
    assert [(line.id, line.damaged) for line in shop.jobs() if line.id == cello] == [(cello, False)]
    assert full_job.id in [line.id for line in shop.jobs()]
    shop.add_remark(cello, "work goes on")
    assert shop.job(cello).timeline[0].text == "work goes on"
    with pytest.raises(ShopError, match="is damaged; see all that is wrong: resonance check"):
        shop.job(full_job.id)
    assert shop.new_job(Instrument("Viola 405")).id == "viola-405-2"


@pytest.mark.parametrize(
    ("table", "statement", "codes"),
    [
        ("act", "UPDATE act SET text = text || '.' WHERE id = 3", {"row_damaged"}),
        ("act", "UPDATE act SET undoes = 4 WHERE id = 5", {"row_damaged"}),
        ("record", "UPDATE record SET act = 1 WHERE seq = 5", {"row_damaged"}),
        ("record", "UPDATE record SET id = 'set9' WHERE kind = 'label'", {"row_damaged"}),
        ("sound", "UPDATE sound SET n_bytes = n_bytes + 1", {"row_damaged"}),
        ("take", "UPDATE take SET place = place + 7", {"row_damaged"}),
        ("record", "DELETE FROM record WHERE kind = 'label'", {"row_missing"}),
        ("record", "DELETE FROM record WHERE seq = (SELECT max(seq) FROM record)", {"row_missing"}),
        ("sound", "DELETE FROM sound", {"reference_lost", "sound_without_row"}),
        ("act", "DELETE FROM act WHERE id = 2", {"reference_lost", "row_missing"}),
        ("record", "UPDATE sqlite_sequence SET seq = seq + 4 WHERE name = 'record'", {"row_missing"}),
        ("record", "UPDATE sqlite_sequence SET seq = seq - 4 WHERE name = 'record'", {"row_damaged"}),
        ("act", "DROP TRIGGER act_is_kept_update", {"layout_damaged"}),
        ("act", "DROP INDEX record_of_act", {"layout_damaged"}),
    ],
)
def test_changed_and_lost_rows_are_found(shop, full_job, table, statement, codes):
    changed_rows(shop.database, [statement])
    assert {problem.code for problem in shop.check()} == codes


def test_missing_damaged_and_stray_sound_files(shop, full_job, tmp_path):
    first, second, *_ = sorted(shop.sound_folder.iterdir())
    first.unlink()
    data = bytearray(second.read_bytes())
    data[len(data) // 2] ^= 1
    second.write_bytes(bytes(data))
    (shop.sound_folder / "holiday.wav").write_bytes(b"RIFF")
    (shop.sound_folder / "tmpabc.part").write_bytes(b"RI")
    found = {problem.id: (problem.code, problem.harmless) for problem in shop.check()}
    assert found == {
        first.name: ("sound_missing", False),
        second.name: ("sound_damaged", False),
        "holiday.wav": ("sound_without_row", True),
        "tmpabc.part": ("unfinished_copy", True),
    }
    hashes = {take.recording.sha256: s for s in full_job.sets for take in s.takes}
    with pytest.raises(ShopError, match="missing"):
        shop.with_sound(hashes[first.stem])
    with pytest.raises(ShopError, match="damaged"):
        shop.with_sound(hashes[second.stem])


def test_adding_a_recording_again_heals_its_file(shop, viola, make_set):
    tap_set, files = make_set(1)
    shop.add_tap_set(viola, tap_set, files)
    (kept,) = shop.sound_folder.iterdir()
    kept.write_bytes(b"scratched")
    shop.undo()
    shop.add_tap_set(viola, tap_set, files)
    assert kept.read_bytes() == files[0].read_bytes()
    assert shop.check() == ()


def test_a_torn_database_is_one_plain_line(shop, full_job):
    data = shop.database.read_bytes()
    shop.database.write_bytes(data[:4096] + bytes(len(data) - 4096))
    with pytest.raises(ShopError, match=r"is damaged .*--mend-from FILE") as caught:
        shop.job(full_job.id)
    assert "\n" not in str(caught.value)


def test_a_damaged_layout_is_one_plain_line_too(shop, full_job):
    """SQLite quotes the damaged statement, line breaks and all."""
    flip(shop.database, "place INTEGER NOT NULL,")
    with pytest.raises(ShopError, match="malformed") as caught:
        shop.job(full_job.id)
    assert "\n" not in str(caught.value)


def test_a_copy_of_the_folder_is_a_shop(shop, full_job, tmp_path):
    shutil.copytree(shop.folder, tmp_path / "copy")
    copy = Shop(tmp_path / "copy")
    assert copy.check() == ()
    assert copy.job(full_job.id).timeline == full_job.timeline
