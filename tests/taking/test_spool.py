"""The spool under kills at every write, flush and rename, and on a disk that fills up."""

import json
import mmap
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from resonance.taking import spool as spools
from resonance.taking.spool import SpoolFull, create, discard, in_use, read, unfinished
from tests.taking.killing import survived

START = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


def blocks():
    rng = np.random.default_rng(1)
    return [rng.standard_normal((1000, 1)).astype(np.float32) for _ in range(6)]


def test_a_kill_at_any_step_loses_no_block_that_was_written(tmp_path):
    done = mmap.mmap(-1, 1)  # blocks whose write had returned, told by the child

    def recorded(shop):
        spool = begin(shop)
        for k, block in enumerate(blocks()):
            spool.write(block)
            done[0] = k + 1
            if k == 2:
                spool.note(3000, "began")
            spool.sync()
        spool.close()

    whole = np.concatenate(blocks())
    for at in range(1, 100):
        shop, done[0] = tmp_path / f"shop{at}", 0
        if survived(at, lambda shop=shop: recorded(shop)):
            break
        found = unfinished(shop)
        if not done[0]:
            assert sum(each.n_samples for each in found) < 1000
            continue
        (spool,) = found
        assert spool.note == {"job": "fiddle"}
        assert 1000 * done[0] <= spool.n_samples <= 1000 * (done[0] + 1)
        assert np.array_equal(spool.sound(), whole[: spool.n_samples])
        assert all(line["what"] == "began" for line in spool.journal)
    assert at > 20


def begin(shop, **options):
    settings = {"sample_rate": 48_000.0, "n_channels": 1, "started": START} | options
    return create(shop, {"job": "fiddle"}, **settings)


def test_what_was_written_is_read_back(tmp_path):
    spool = begin(tmp_path, n_channels=2)
    sound = np.random.default_rng(2).uniform(-1.0, 1.0, (5000, 2)).astype(np.float32)
    spool.write(sound[:3000])
    spool.write(sound[3000:])
    spool.note(3000, "lost")
    spool.close()
    found = read(spool.folder)
    assert (found.n_samples, found.n_channels, found.sample_rate, found.started) == (5000, 2, 48_000.0, START)
    assert np.array_equal(found.sound(), sound)
    assert np.array_equal(found.sound(100, 200), sound[100:200])
    assert found.journal == ({"sample": 3000, "what": "lost"},)


def test_a_torn_frame_and_a_torn_line_are_passed_over(tmp_path):
    spool = begin(tmp_path)
    spool.write(np.ones((10, 1)))
    spool.note(5, "began")
    spool.close()
    with (spool.folder / spools.SOUND).open("ab") as file:
        file.write(b"\x00\x00")
    with (spool.folder / spools.JOURNAL).open("ab") as file:
        file.write(b'{"sample": 9, "wh')
    found = read(spool.folder)
    assert found.n_samples == 10
    assert len(found.journal) == 1


def test_a_spool_being_written_is_not_offered(tmp_path):
    spool = begin(tmp_path)
    spool.write(np.ones((10, 1)))
    assert in_use(spool.folder)
    assert unfinished(tmp_path) == ()
    spool.close()
    assert [each.folder for each in unfinished(tmp_path)] == [spool.folder]


def test_an_empty_spool_is_cleared_away(tmp_path):
    spool = begin(tmp_path)
    spool.close()
    assert unfinished(tmp_path) == ()
    assert not spool.folder.exists()


def test_discarding_removes_the_note_first(tmp_path, monkeypatch):
    spool = begin(tmp_path)
    spool.write(np.ones((10, 1)))
    spool.close()
    gone = []
    real = Path.unlink
    monkeypatch.setattr(Path, "unlink", lambda self, **k: (gone.append(self.name), real(self, **k))[1])
    discard(spool.folder)
    assert gone[0] == spools.NOTE
    assert not spool.folder.exists()


def test_a_full_disk_is_one_line_and_keeps_what_came_before(tmp_path, monkeypatch):
    spool = begin(tmp_path)
    spool.write(np.ones((10, 1)))

    def full(handle, data):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(spools.os, "write", full)
        with pytest.raises(SpoolFull, match=r"No space left on device.*what was recorded before is kept"):
            spool.write(np.ones((10, 1)))
    spool.close()
    assert read(spool.folder).n_samples == 10


def test_a_disk_that_is_nearly_full_is_told_before(tmp_path, monkeypatch):
    monkeypatch.setattr(spools, "FREE", 2**62)
    with pytest.raises(SpoolFull, match="nearly full"):
        begin(tmp_path)


def test_a_note_that_is_none_is_no_spool(tmp_path):
    folder = tmp_path / "spool" / "x"
    folder.mkdir(parents=True)
    for text in ("", "{", json.dumps({"sample_rate": 1})):
        (folder / spools.NOTE).write_text(text)
        assert read(folder) is None
