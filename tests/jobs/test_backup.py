"""Backup and restore: an identical shop, record by record, file by file; damage harms only what it hits."""

import hashlib
import os
import shutil
import sqlite3
import subprocess
import zipfile
from contextlib import closing

import pytest

from resonance.errors import ShopError
from resonance.jobs.backup import backup, check_backup, restore
from resonance.jobs.store import Shop
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Adjustment

from .conftest import START

TABLES = ("act", "record", "sound", "take", "sqlite_sequence")


def rows(database):
    """Every row of every table, as SQLite gives it."""
    with closing(sqlite3.connect(database)) as db:
        return {table: db.execute(f"SELECT rowid, * FROM {table}").fetchall() for table in TABLES}


def files(folder):
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and not path.name.startswith("shop.db")
    }


def offset(file, name, text):
    """Where a text lies in the stored entry of a backup."""
    with zipfile.ZipFile(file) as archive:
        start = archive.getinfo(name).header_offset
    return file.read_bytes().index(text, start + 30)


def flip(file, place, bit=0):
    data = bytearray(file.read_bytes())
    data[place] ^= 1 << bit
    file.write_bytes(bytes(data))


def test_a_backup_brings_back_an_identical_shop(shop, full_job, tmp_path):
    shop.new_job(Instrument("Cello", "cello"))
    spool = shop.folder / "spool" / "20260101-120000-abc"
    spool.mkdir(parents=True)
    (spool / "note.json").write_text("{}")
    (spool / "sound.f32").write_bytes(bytes(800))
    done = backup(shop, tmp_path / "shop.zip")
    assert (done.problems, done.n_files, done.n_bytes) == ((), 4, (tmp_path / "shop.zip").stat().st_size)
    before = rows(shop.database), files(shop.folder)
    shop.add_adjustment(full_job.id, Adjustment("", START, "bridge"))
    back = restore(tmp_path / "shop.zip", tmp_path / "back")
    assert (back.path, back.problems, back.n_files) == (tmp_path / "back", (), 4)
    assert (rows(tmp_path / "back" / "shop.db"), files(tmp_path / "back")) == before
    again = Shop(tmp_path / "back")
    assert again.check() == ()
    again.undo()
    assert [line.id for line in again.jobs()] == ["viola-405"]
    assert [path.name for path in sorted(tmp_path.iterdir()) if path.name.startswith(".")] == []


def test_any_unzip_and_sha256sum_read_it(shop, full_job, tmp_path):
    backup(shop, tmp_path / "shop.zip")
    shutil.unpack_archive(tmp_path / "shop.zip", tmp_path / "out")
    if shutil.which("sha256sum"):
        subprocess.run(["sha256sum", "-c", "--quiet", "SHA256SUMS"], cwd=tmp_path / "out", check=True)
    assert rows(tmp_path / "out" / "shop.db") == rows(shop.database)


def test_a_backup_is_taken_while_others_write(shop, full_job, make_set, tmp_path):
    """Whatever comes in between, database and sound fit together."""
    numbers = iter(range(50, 1000))

    def meanwhile(*_):
        number = next(numbers)
        shop.add_remark(full_job.id, f"meanwhile {number}")
        if number < 55:
            shop.add_tap_set(full_job.id, *make_set(number))

    done = backup(shop, tmp_path / "shop.zip", progress=meanwhile)
    assert done.problems == ()
    back = restore(tmp_path / "shop.zip", tmp_path / "back")
    assert [p for p in back.problems if not p.harmless] == []
    assert shop.check() == ()


def test_nothing_is_overwritten(shop, full_job, tmp_path):
    (tmp_path / "shop.zip").write_text("precious")
    with pytest.raises(ShopError, match="is there already"):
        backup(shop, tmp_path / "shop.zip")
    assert (tmp_path / "shop.zip").read_text() == "precious"
    backup(shop, tmp_path / "other.zip")
    before = rows(shop.database)
    with pytest.raises(ShopError, match="not empty"):
        restore(tmp_path / "other.zip", shop.folder)
    assert rows(shop.database) == before
    with pytest.raises(ShopError, match="there is no folder"):
        backup(shop, tmp_path / "no" / "such" / "shop.zip")


def test_a_disk_that_writes_wrong_is_caught(shop, full_job, tmp_path, monkeypatch):
    """Truth: a byte changed after it was written, before it is read back."""
    fsync = os.fsync

    def spoilt(handle):
        fsync(handle)
        path = os.readlink(f"/proc/self/fd/{handle}")
        if path.endswith("backup.zip"):
            with open(path, "rb+") as file:
                file.seek(5000)
                byte = file.read(1)
                file.seek(5000)
                file.write(bytes([byte[0] ^ 1]))

    if not os.path.isdir("/proc/self/fd"):
        pytest.skip("needs /proc")
    monkeypatch.setattr(os, "fsync", spoilt)
    with pytest.raises(ShopError, match="does not read back as it was written"):
        backup(shop, tmp_path / "shop.zip")
    assert list(tmp_path.glob("*.zip")) == list(tmp_path.glob(".*")) == []


def test_damage_that_was_there_is_named_and_kept(shop, full_job, tmp_path):
    path = next(shop.sound_folder.iterdir())
    path.write_bytes(b"x" + path.read_bytes()[1:])
    done = backup(shop, tmp_path / "shop.zip")
    assert [(p.code, p.id) for p in done.problems] == [("sound_damaged", path.name)]
    back = restore(tmp_path / "shop.zip", tmp_path / "back")
    assert [(p.code, p.id) for p in back.problems] == [("sound_damaged", path.name)]


@pytest.mark.parametrize(
    ("text", "code", "id_"),
    [
        (b"a touch back", "row_damaged", "adj1"),
        (b"fLaC", "sound_damaged", ""),
        (b"RIFF", "sound_damaged", ""),
    ],
)
def test_one_flipped_bit_harms_one_thing(shop, full_job, tmp_path, text, code, id_):
    file = tmp_path / "shop.zip"
    backup(shop, file)
    assert check_backup(file) == ()
    names = zipfile.ZipFile(file).namelist()
    name = "shop.db" if code == "row_damaged" else next(n for n in names if n.startswith("sound/"))
    if text == b"fLaC":
        text = shop.folder.joinpath(name).read_bytes()[100:120]
    flip(file, offset(file, name, text))
    found = check_backup(file)
    assert {problem.code for problem in found} == {"file_damaged", code} - {"sound_damaged"}
    assert found[0].id == name
    back = restore(file, tmp_path / "back")
    assert [p.code for p in back.problems] == [code]
    assert back.problems[0].id == (id_ or name.removeprefix("sound/"))
    same, other = files(tmp_path / "back"), files(shop.folder)
    assert {key for key in other if same[key] != other[key]} == {name} - {"shop.db"}


@pytest.mark.parametrize("harm", ["cut", "text", "no shop", "climbing", "packed", "twice", "gone", "torn"])
def test_a_bad_backup_is_refused(shop, full_job, tmp_path, harm):
    file = tmp_path / "shop.zip"
    backup(shop, file)
    data = bytearray(file.read_bytes())
    if harm == "cut":
        file.write_bytes(data[: len(data) // 2])
    elif harm == "text":
        file.write_text("not a zip")
    elif harm == "gone":
        file.unlink()
    elif harm == "torn":
        place = offset(file, "shop.db", b"SQLite format 3")
        file.write_bytes(data[:place] + bytes(8192) + data[place + 8192 :])
    else:
        how = zipfile.ZIP_DEFLATED if harm == "packed" else zipfile.ZIP_STORED
        name = {"climbing": "../evil", "packed": "sound/bomb.wav", "twice": "sound/a.wav"}.get(harm, "a.txt")
        with zipfile.ZipFile(file, "w" if harm == "no shop" else "a", how) as archive:
            archive.writestr(name, bytes(100000))
            if harm == "twice":
                with pytest.warns(UserWarning, match="Duplicate"):
                    archive.writestr(name, "x")
    for act in (lambda: restore(file, tmp_path / "back"), lambda: check_backup(file)):
        with pytest.raises(ShopError) as caught:
            act()
        assert "\n" not in str(caught.value)
    assert not (tmp_path / "back").exists()
    assert not (tmp_path / "evil").exists()


def test_a_disk_without_room_is_told_before_anything_is_written(shop, full_job, tmp_path, monkeypatch):
    backup(shop, tmp_path / "shop.zip")
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=1000))
    with pytest.raises(ShopError, match=r"no room .* MB needed"):
        restore(tmp_path / "shop.zip", tmp_path / "back")
    assert not (tmp_path / "back").exists()


def test_every_byte_of_a_backup_counts(shop, full_job, tmp_path):
    """A flipped bit anywhere is found, or lies where nothing is kept (dates, blank fields of the zip).

    Truth: what a restore brings back, compared byte by byte.
    """
    file = tmp_path / "shop.zip"
    backup(shop, file)
    whole = file.read_bytes()
    wanted = files(shop.folder), hashlib.sha256(repr(rows(shop.database)).encode()).digest()
    with zipfile.ZipFile(file) as archive:
        starts = [info.header_offset for info in archive.infolist()]
    heads = [place for start in starts for place in range(start, start + 60)]
    places = heads + list(range(archive.start_dir, len(whole)))
    for number, place in enumerate(places[:: max(1, len(places) // 40)]):
        file.write_bytes(whole)
        flip(file, place, number % 8)
        try:
            found = check_backup(file)
        except ShopError:
            continue
        if not found:
            folder = tmp_path / f"back {place}"
            restore(file, folder)
            database = hashlib.sha256(repr(rows(folder / "shop.db")).encode()).digest()
            assert (files(folder), database) == wanted, place
