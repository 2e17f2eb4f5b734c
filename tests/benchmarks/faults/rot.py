"""Flipped bits: one at a time in the database, the sound, an export and a backup; found, named, mended?

    .venv/bin/python tests/benchmarks/faults/rot.py [--flips 2000]

A flip in the database that `check` does not see must have hit nothing live: all rows and the layout, as
SQLite gives them, are then compared with what was written.
"""

import argparse
import shutil
import sqlite3
import sys
import time
from contextlib import closing
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[3]
sys.path.insert(0, str(ROOT))

from resonance.errors import ShopError  # noqa: E402
from resonance.jobs.archive import check_export  # noqa: E402
from resonance.jobs.backup import check_backup, restore  # noqa: E402
from resonance.jobs.mend import mend_shop  # noqa: E402
from resonance.jobs.store import Shop  # noqa: E402
from tests.benchmarks.faults.fuzz import make_archives  # noqa: E402
from tests.benchmarks.faults.shim import fast_folder  # noqa: E402

TABLES = ("act", "record", "sound", "take", "sqlite_sequence")
LAYOUT = "SELECT type, name, tbl_name, sql FROM sqlite_master ORDER BY type, name"


def logical(database: Path) -> list:
    """All rows and the layout, as SQLite gives them."""
    with closing(sqlite3.connect(database)) as db:
        db.text_factory = bytes
        rows = [db.execute(f"SELECT rowid, * FROM {table}").fetchall() for table in TABLES]
        return [*rows, db.execute(LAYOUT).fetchall()]


def flipped(path: Path, whole: bytes, rng: np.random.Generator) -> str:
    """Flip one bit of a file; say where."""
    place, bit = int(rng.integers(len(whole))), int(rng.integers(8))
    data = bytearray(whole)
    data[place] ^= 1 << bit
    path.write_bytes(data)
    return f"{path.name}, byte {place}, bit {bit}"


def seen(look) -> bool:
    """Whether a check finds something: a problem, or an error in one line."""
    try:
        return any(not problem.harmless for problem in look())
    except ShopError as error:
        return "\n" not in str(error)


def database_flips(folder: Path, count: int, rng: np.random.Generator) -> tuple[dict[str, int], list[str]]:
    """Flip bits of the database, and mend from a backup made before the last acts."""
    shop, source = Shop(folder / "good"), folder / "backup.zip"
    entry, act = shop.add_remark("viola", "after the backup"), shop.acts()[0]
    newer = (entry.id, "order", str(act.id))
    whole, wanted = shop.database.read_bytes(), logical(shop.database)
    names = ("flips", "found", "in nothing live", "mended", "newer than the backup", "not mended")
    tally, wrong = dict.fromkeys(names, 0), []
    for _ in range(count):
        where = flipped(shop.database, whole, rng)
        tally["flips"] += 1
        if seen(lambda: Shop(shop.folder).check()):
            tally["found"] += 1
            try:
                left = mend_shop(shop.folder, source).left
                new = all(each.code == "row_damaged" and each.id in newer for each in left)
                mended = "mended" if not left and logical(shop.database) == wanted else "not mended"
                tally["newer than the backup" if left and new else mended] += 1
            except ShopError:
                tally["not mended"] += 1
        elif logical(shop.database) == wanted:
            tally["in nothing live"] += 1
        else:
            wrong.append(where)
        for path in shop.folder.glob("shop.db?*"):
            path.unlink()
        shop.database.write_bytes(whole)
    return tally, wrong


def file_flips(folder: Path, count: int, rng: np.random.Generator) -> tuple[dict[str, int], list[str]]:
    """Flip bits of the sound, of an export and of a backup."""
    shop, tally, wrong = Shop(folder / "good"), {}, []
    looks = {
        "sound": (sorted(shop.sound_folder.iterdir()), shop.check),
        "export": (
            sorted(p for p in (folder / "export").rglob("*") if p.is_file()),
            lambda: check_export(folder / "export"),
        ),
        "backup": ([folder / "backup.zip"], lambda: check_backup(folder / "backup.zip")),
    }
    for what, (paths, look) in looks.items():
        tally |= {what: 0, f"{what}, found": 0}
        for number in range(count):
            path = paths[number % len(paths)]
            whole = path.read_bytes()
            where = flipped(path, whole, rng)
            tally[what] += 1
            if seen(look):
                tally[f"{what}, found"] += 1
            elif what != "backup" or not same_when_restored(folder):
                wrong.append(where)
            path.write_bytes(whole)
    return tally, wrong


def same_when_restored(folder: Path) -> bool:
    """Whether a backup, in which nothing was found, brings back what went in."""
    target = folder / "back"
    try:
        restore(folder / "backup.zip", target)
        whole = {p.name: p.read_bytes() for p in (target / "sound").iterdir()}
        good = {p.name: p.read_bytes() for p in (folder / "good" / "sound").iterdir()}
        return (
            whole == good and logical(target / "shop.db")[0] == logical(folder / "good" / "shop.db")[0][:-1]
        )
    finally:
        shutil.rmtree(target, ignore_errors=True)


def main() -> int:
    """Flip, print, end with 1 where a flip in something live was not found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--flips", type=int, default=2000)
    asked = parser.parse_args()
    rng, folder, start = np.random.default_rng(1), fast_folder(), time.perf_counter()
    try:
        make_archives(folder)
        tally, wrong = database_flips(folder, asked.flips, rng)
        more, also = file_flips(folder, asked.flips // 4, rng)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    print("database: " + ", ".join(f"{n} {what}" for what, n in tally.items()))
    print("files: " + ", ".join(f"{n} {what}" for what, n in more.items()))
    print(f"{len(wrong) + len(also)} flips in something live not found, {time.perf_counter() - start:.0f} s")
    for where in (*wrong, *also):
        print(f"    {where}")
    return int(bool(wrong or also))


if __name__ == "__main__":
    sys.exit(main())
