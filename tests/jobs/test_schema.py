"""Opening shops: new, old, newer, foreign; and what a migration does when it fails."""

import hashlib
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from resonance.errors import ShopError
from resonance.jobs import schema
from resonance.jobs.records import to_record
from resonance.jobs.store import Shop

OLD = Path(__file__).parents[1] / "data" / "shop_schema_1"
TWO = (*schema.MIGRATIONS, ("CREATE TABLE colour (name TEXT)", "INSERT INTO colour VALUES ('amber')"))
BROKEN = (*schema.MIGRATIONS, ("CREATE TABLE colour (name TEXT)", "INSERT INTO no_such_table VALUES (1)"))


def contents(folder):
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }


def opened(path):
    return closing(sqlite3.connect(path, isolation_level=None))


def dump(path):
    with opened(path) as db:
        return [schema.version_of(db), *db.iterdump()]


def test_a_shop_of_schema_1_opens(tmp_path):
    """Written once by tests/data/write_shop_schema_1.py and kept; what is in it stands in that script."""
    shutil.copytree(OLD, tmp_path / "shop")
    shop = Shop(tmp_path / "shop")
    assert shop.check() == ()
    job = shop.job("Trial viola")
    assert [(entry.kind, entry.id, entry.confirmed) for entry in job.timeline] == [
        ("tap set", "set1", True),
        ("adjustment", "adj1", True),
        ("tap set", "set2", True),
        ("remark", "rem1", True),
    ]
    assert job.instrument.body_mm == 405.0
    assert job.adjustments[0].along_mm == 0.25
    assert [tap_set.setup.post.behind_mm for tap_set in job.sets] == [2.5, 2.75]
    assert [mode.label for mode in job.sets[0].modes] == ["A0", "B1-"]
    assert [mode.labelled_by for mode in job.sets[0].modes] == ["program", "maker"]
    assert [mode.frequency for mode in job.sets[1].modes] == [223.0, 444.0]
    assert job.sets[0].taken.isoformat() == "2026-03-02T12:00:00+01:00"
    assert job.sets[1].conditions.checks == {"seams": True}
    assert shop.with_sound(job.sets[0]).takes[0].recording.samples.shape == (400, 1)
    assert shop.acts()[0].text == "undid: noted remark rem2 on trial-viola"
    assert shop.settings().pitch_a4 == 442.0
    shop.add_remark("trial-viola", "still works")
    assert shop.check() == ()


def test_a_newer_shop_is_refused_untouched(shop, full_job):
    with opened(shop.database) as db:
        db.execute(f"PRAGMA user_version = {len(schema.MIGRATIONS) + 1}")
    before = contents(shop.folder)
    with pytest.raises(ShopError, match=r"newer resonance.*nothing was changed") as caught:
        Shop(shop.folder)
    assert "\n" not in str(caught.value)
    assert contents(shop.folder) == before


def test_a_newer_shop_is_refused_too_while_it_is_in_use(shop, full_job):
    """Its version may then stand in the write-ahead log only."""
    with opened(shop.database) as db:
        db.execute(f"PRAGMA user_version = {len(schema.MIGRATIONS) + 1}")
        before = dump(shop.database)
        with pytest.raises(ShopError, match="newer resonance"):
            Shop(shop.folder)
        assert dump(shop.database) == before


@pytest.mark.parametrize("what", ["text", "other database"])
def test_a_foreign_file_is_refused_untouched(tmp_path, what):
    path = tmp_path / "shop.db"
    if what == "text":
        path.write_text("my shopping list " * 20)
    else:
        with opened(path) as db:
            db.execute("PRAGMA application_id = 12345")
            db.execute("CREATE TABLE act (x)")
    before = path.read_bytes()
    with pytest.raises(ShopError, match="is not the file of a shop"):
        Shop(tmp_path)
    assert path.read_bytes() == before


def test_an_empty_file_left_by_a_crash_becomes_a_shop(tmp_path):
    (tmp_path / "shop.db").touch()
    assert Shop(tmp_path).jobs() == ()


def test_a_migration_runs_once_after_a_copy_was_made(shop, full_job):
    before = dump(shop.database)
    with opened(shop.database) as db:
        assert schema.migrate(db, shop.database, migrations=TWO) == 1
        assert schema.version_of(db) == 2
        assert schema.migrate(db, shop.database, migrations=TWO) == 0
        assert db.execute("SELECT name FROM colour").fetchall() == [("amber",)]
    assert dump(shop.database.with_name("shop.db.before-2")) == before


def test_a_failing_migration_leaves_all_as_it_was(shop, full_job):
    before = dump(shop.database)
    with opened(shop.database) as db, pytest.raises(sqlite3.OperationalError, match="no_such_table"):
        schema.migrate(db, shop.database, migrations=BROKEN)
    assert dump(shop.database) == before
    assert Shop(shop.folder).check() == ()


def test_a_new_shop_needs_no_copy(shop):
    assert [path.name for path in sorted(shop.folder.iterdir())] == ["shop.db", "sound"]


def test_the_file_is_marked_and_safe(shop):
    with opened(shop.database) as db:
        assert db.execute("PRAGMA application_id").fetchone() == (schema.APPLICATION_ID,)
        assert db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert to_record(shop.settings())["mains"] == 50.0
