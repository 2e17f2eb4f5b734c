"""One flipped bit in any live byte of a shop or an export is found, named, and mended from another copy.

Truth: the rows of the database as SQLite gives them, and the bytes of the files, before and after.
"""

import shutil
import sqlite3

import numpy as np
import pytest

from resonance.errors import ShopError
from resonance.jobs.archive import check_export, export_job
from resonance.jobs.backup import backup
from resonance.jobs.mend import mend_shop
from resonance.jobs.store import Shop

from .conftest import START
from .test_backup import files, flip, rows

LAYOUT = "SELECT type, name, tbl_name, sql FROM sqlite_master ORDER BY type, name"


def told(folder):
    """What `check` says of a shop, an error taken as one problem."""
    try:
        return [problem.code for problem in Shop(folder).check() if not problem.harmless]
    except ShopError as error:
        return [str(error)]


def logical(database):
    db = sqlite3.connect(database)
    try:
        return rows(database), db.execute(LAYOUT).fetchall()
    finally:
        db.close()


def places_to_flip(database, seed, count):
    """Random places, a quarter of them in the head and on the first page, where every byte has a meaning."""
    rng = np.random.default_rng(seed)
    size = database.stat().st_size
    places = np.concatenate([rng.integers(0, size, count - count // 4), rng.integers(0, 4096, count // 4)])
    return [(int(place), int(bit)) for place, bit in zip(places, rng.integers(0, 8, count), strict=True)]


@pytest.fixture
def small(shop, viola, make_set):
    tap_set, made = make_set(1, taken=START)
    shop.add_tap_set(viola, tap_set, made)
    shop.add_remark(viola, "grün")
    shop.label(viola, "set1", 441.0, "B1-")
    return shop


def test_a_flipped_bit_of_the_database_is_found_or_hits_nothing_live_and_is_mended(small, tmp_path):
    backup(small, tmp_path / "backup.zip")
    small.add_remark("viola-405", "after the backup")
    whole, wanted = small.database.read_bytes(), logical(small.database)
    found = mended = 0
    for number, (place, bit) in enumerate(places_to_flip(small.database, 1, 60)):
        folder = tmp_path / f"shop {number}"
        shutil.copytree(small.folder, folder)
        flip(folder / "shop.db", place, bit)
        if told(folder):
            found += 1
            left = mend_shop(folder, tmp_path / "backup.zip").left
            mended += left == () and logical(folder / "shop.db") == wanted
        else:
            assert logical(folder / "shop.db") == wanted, (place, bit)
        shutil.rmtree(folder)
    assert len(whole) > 40_000
    assert found >= 15  # the others hit no live byte
    assert mended == found


@pytest.mark.parametrize("source", ["backup", "export", "copy"])
def test_a_damaged_record_and_recording_are_mended_and_later_acts_stay(small, tmp_path, source):
    paths = {"backup": tmp_path / "b.zip", "export": tmp_path / "out", "copy": tmp_path / "copy"}
    backup(small, paths["backup"])
    export_job(small, "viola-405", paths["export"])
    shutil.copytree(small.folder, paths["copy"])
    small.add_remark("viola-405", "after the backup")
    wanted, sound = logical(small.database), files(small.folder)
    data = bytearray(small.database.read_bytes())
    data[data.rfind("grün".encode()) + 1] ^= 4
    small.database.write_bytes(data)
    broken = next(small.sound_folder.iterdir())
    flip(broken, 1000)
    assert set(told(small.folder)) == {"row_damaged", "sound_damaged"}
    done = mend_shop(small.folder, paths[source])
    assert (done.rows, done.sounds, done.left) == (1, (broken.name,), ())
    assert logical(small.database) == wanted
    assert files(small.folder) == sound
    assert done.copy == small.folder / "shop.db.damaged-1"
    assert bytes(data) == done.copy.read_bytes()
    assert small.job("viola-405").timeline[-1].text == "after the backup"


def test_a_lost_recording_comes_back(small, tmp_path):
    backup(small, tmp_path / "b.zip")
    path = next(small.sound_folder.iterdir())
    whole = path.read_bytes()
    path.unlink()
    done = mend_shop(small.folder, tmp_path / "b.zip")
    assert (done.rows, done.sounds, done.copy, done.left) == (0, (path.name,), None, ())
    assert path.read_bytes() == whole


def test_a_source_with_the_same_damage_mends_nothing_and_says_so(small, tmp_path):
    flip(next(small.sound_folder.iterdir()), 1000)
    backup(small, tmp_path / "b.zip")
    done = mend_shop(small.folder, tmp_path / "b.zip")
    assert (done.rows, done.sounds) == (0, ())
    assert [problem.code for problem in done.left] == ["sound_damaged"]
    assert list(small.sound_folder.glob("*.part")) == []


def test_rows_are_never_taken_from_a_shop_that_went_another_way(small, tmp_path):
    """The copy had other remarks under the same numbers; a lost row is not one of those."""
    shutil.copytree(small.folder, tmp_path / "other")
    for text in ("another", "way"):
        Shop(tmp_path / "other").add_remark("viola-405", text)
    small.add_remark("viola-405", "this way")
    small.add_remark("viola-405", "is lost")
    db = sqlite3.connect(small.database)
    (trigger,) = db.execute("SELECT sql FROM sqlite_master WHERE name = 'record_is_kept_delete'").fetchone()
    db.execute("DROP TRIGGER record_is_kept_delete")
    db.execute("DELETE FROM record WHERE kind = 'remark' AND id = 'rem3'")
    db.execute(trigger)
    db.commit()
    db.close()
    done = mend_shop(small.folder, tmp_path / "other")
    assert (done.rows, [problem.code for problem in done.left]) == (0, ["row_missing"])
    assert [e.text for e in small.job("viola-405").timeline if e.kind == "remark"] == ["grün", "this way"]


def test_what_is_no_source_changes_nothing(small, tmp_path):
    (tmp_path / "notes.txt").write_text("no backup")
    before = small.database.read_bytes()
    for source in (tmp_path / "notes.txt", tmp_path / "gone.zip", tmp_path):
        with pytest.raises(ShopError) as caught:
            mend_shop(small.folder, source)
        assert "\n" not in str(caught.value)
    assert small.database.read_bytes() == before


def test_a_flipped_bit_anywhere_in_an_export_is_found(small, tmp_path):
    folder = export_job(small, "viola-405", tmp_path / "out")
    assert check_export(folder) == ()
    rng = np.random.default_rng(2)
    for path in sorted(path for path in folder.rglob("*") if path.is_file()):
        for place in rng.integers(0, path.stat().st_size, 8):
            flip(path, int(place), int(rng.integers(8)))
            try:
                assert check_export(folder) != (), (path.name, place)
            except ShopError as error:
                assert "\n" not in str(error)  # noqa: PT017
            flip_back(path, folder, small, tmp_path)
    assert check_export(folder) == ()


def flip_back(path, folder, shop, tmp_path):
    """Put the file as it was exported back."""
    whole = tmp_path / "whole"
    if not whole.exists():
        export_job(shop, "viola-405", whole)
    shutil.copyfile(whole / path.relative_to(folder), path)


def with_mark(database, statement):
    db = sqlite3.connect(database)
    db.execute(statement)
    db.commit()
    db.close()


def test_a_flipped_number_of_the_version_is_mended_and_a_newer_shop_is_refused_untouched(small, tmp_path):
    backup(small, tmp_path / "b.zip")
    wanted = logical(small.database)
    for statement in ("PRAGMA user_version = 65", "PRAGMA user_version = 0", "PRAGMA application_id = 7"):
        with_mark(small.database, statement)
        assert told(small.folder)
        assert mend_shop(small.folder, tmp_path / "b.zip").left == ()
        assert logical(small.database) == wanted
    with_mark(small.database, "CREATE TABLE of_the_future (x)")
    with_mark(small.database, "PRAGMA user_version = 2")
    before = small.database.read_bytes()
    with pytest.raises(ShopError, match="newer resonance"):
        mend_shop(small.folder, tmp_path / "b.zip")
    assert small.database.read_bytes() == before
