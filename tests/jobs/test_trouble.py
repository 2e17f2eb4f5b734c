"""A disk that is away, read only or full, a clock set back, two programs at once: one line, nothing lost."""

import errno
import os
import shutil
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import pytest

from resonance.errors import ShopError
from resonance.jobs import sounds
from resonance.jobs.store import Shop
from resonance.sets.instrument import Instrument

from .conftest import START

ROOT = Path(__file__).parents[2]


def one_line(caught):
    text = str(caught.value)
    assert "\n" not in text
    return text


@pytest.mark.parametrize("what", ["folder", "database"])
def test_a_shop_whose_drive_is_away_is_told_and_nothing_is_made_in_its_place(shop, full_job, tmp_path, what):
    away = tmp_path / "away"
    (shop.folder if what == "folder" else shop.database).rename(away)
    for act in (
        shop.jobs,
        lambda: shop.job("viola-405"),
        lambda: shop.add_remark("viola-405", "x"),
        shop.undo,
    ):
        with pytest.raises(ShopError) as caught:
            act()
        assert "is gone; bring its drive or folder back" in one_line(caught)
    assert not shop.database.exists()
    away.rename(shop.folder if what == "folder" else shop.database)
    assert shop.check() == ()
    assert shop.job(full_job.id).timeline == full_job.timeline


def test_a_recording_is_not_half_kept_on_a_full_disk(shop, viola, make_set, monkeypatch):
    """The system says that no room is left while the sound is written."""
    tap_set, files = make_set(1)

    def full(handle):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(sounds.os, "fsync", full)
    before = shop.acts()
    with pytest.raises(ShopError, match="No space left") as caught:
        shop.add_tap_set(viola, tap_set, files)
    assert "nothing was changed" in one_line(caught)
    monkeypatch.undo()
    assert (shop.acts(), list(shop.sound_folder.iterdir()), shop.check()) == (before, [], ())
    shop.add_tap_set(viola, tap_set, files)


@pytest.mark.skipif(sys.platform != "linux", reason="needs another user")
@pytest.mark.skipif(not shutil.which("setpriv"), reason="needs setpriv")
def test_a_read_only_folder_is_told_and_nothing_is_lost(shop, full_job, tmp_path):
    """As a user who may not write there."""
    for path in (tmp_path, *tmp_path.parents[:3]):
        path.chmod(path.stat().st_mode | 0o055)
    for path in (shop.folder, *shop.folder.rglob("*")):
        path.chmod(0o555 if path.is_dir() else 0o444)
    before = shop.database.read_bytes()
    words = [
        sys.executable,
        "-m",
        "resonance.cli.main",
        "--shop",
        str(shop.folder),
        "job",
        "remark",
        "viola-405",
        "x",
    ]
    user = ["setpriv", "--reuid", "65534", "--clear-groups"] if os.geteuid() == 0 else []
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    ran = subprocess.run([*user, *words], capture_output=True, text=True, env=environment, cwd="/")
    assert ran.returncode == 1, ran.stderr
    assert ran.stderr.startswith("resonance: the shop")
    assert len(ran.stderr.strip().splitlines()) == 1
    assert shop.database.read_bytes() == before


def test_a_clock_set_back_changes_no_order_and_is_told(shop, full_job):
    assert shop.last_act_when_clock_is_behind() is None
    back = Shop(shop.folder, clock=lambda: START - timedelta(days=900))
    assert back.last_act_when_clock_is_behind() == shop.acts()[0].made
    back.add_remark(full_job.id, "in the past")
    assert back.acts()[0].text == "noted remark rem2 on viola-405"
    assert back.job(full_job.id).timeline[-1].text == "in the past"
    assert back.undo().text == "noted remark rem2 on viola-405"
    assert back.check() == ()


WORK = """
import sys
from resonance.errors import ResonanceError
from resonance.jobs.store import Shop
from resonance.sets.tapset import TapSet
from resonance.sound.files import read_recording
from resonance.sound.recording import Take
shop = Shop(sys.argv[1])
kept = 0
for k in range(25):
    shop.add_remark("viola-405", f"{sys.argv[2]} {k}")
for file in sys.argv[3:]:
    try:
        shop.add_tap_set("viola-405", TapSet("", None, (), takes=(Take(read_recording(file)),)), [file])
        kept += 1
    except ResonanceError as error:
        assert "already in tap set" in str(error), error
print(kept)
"""


def test_two_programs_at_once_lose_nothing_and_keep_nothing_twice(shop, viola, make_set):
    files = [str(file) for number in range(6) for file in make_set(number)[1]]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    programs = [
        subprocess.Popen(
            [sys.executable, "-c", WORK, str(shop.folder), number, *files],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=environment,
        )
        for number in "01"
    ]
    told = [program.communicate(timeout=120) for program in programs]
    assert [program.returncode for program in programs] == [0, 0], told
    job = shop.job(viola)
    texts = [entry.text for entry in job.timeline if entry.kind == "remark"]
    assert sorted(texts) == sorted(f"{number} {k}" for number in range(2) for k in range(25))
    assert sum(int(out) for out, _ in told) == len(job.sets) == 6
    assert len({tap_set.takes[0].recording.sha256 for tap_set in job.sets}) == 6
    assert shop.check() == ()


def test_a_shop_opened_twice_is_one(shop, viola):
    other = Shop(shop.folder)
    cello = other.new_job(Instrument("Cello", "cello")).id
    assert {line.id for line in shop.jobs()} == {viola, cello}
    shop.add_remark(cello, "seen by both")
    assert other.job(cello).timeline[0].text == "seen by both"
