"""The spool under power cuts and kills: a child process is killed at every write, flush and rename."""

import json
import signal
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from resonance.taking import spool as spools
from resonance.taking.spool import SpoolFull, create, discard, in_use, read, unfinished

ROOT = Path(__file__).parents[2]
START = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
CHILD = """
import os, signal, sys
from datetime import UTC, datetime
from pathlib import Path
import numpy as np

shop, at = Path(sys.argv[1]), int(sys.argv[2])
count = 0

def killed(name, half=False):
    real = getattr(os, name)
    def call(*args, **options):
        global count
        count += 1
        if count == at:
            if half:
                real(args[0], bytes(args[1])[: len(args[1]) // 2])
            os.kill(os.getpid(), signal.SIGKILL)
        return real(*args, **options)
    setattr(os, name, call)

killed("write", half=True)
for name in ("fsync", "replace", "mkdir"):
    killed(name)

from resonance.taking.spool import create

spool = create(shop, {"job": "fiddle"}, sample_rate=48000.0, n_channels=1,
               started=datetime(2026, 3, 2, 12, 0, tzinfo=UTC))
rng = np.random.default_rng(1)
for k in range(6):
    spool.write(rng.standard_normal((1000, 1)).astype(np.float32))
    print(k, flush=True, file=sys.stderr)
    if k == 2:
        spool.note(3000, "began")
    spool.sync()
spool.close()
print("whole", count, flush=True)
"""


def child(shop, at):
    return subprocess.run(
        [sys.executable, "-c", CHILD, str(shop), str(at)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
    )


def blocks():
    rng = np.random.default_rng(1)
    return np.concatenate([rng.standard_normal((1000, 1)).astype(np.float32) for _ in range(6)])


@pytest.mark.slow
def test_a_kill_at_any_step_loses_no_block_that_was_written(tmp_path):
    whole = child(tmp_path / "whole", 0)
    steps = int(whole.stdout.split()[1])
    assert steps > 20
    for at in range(1, steps + 1):
        shop = tmp_path / f"shop{at}"
        result = child(shop, at)
        assert result.returncode == -signal.SIGKILL, result.stderr
        written = len(result.stderr.split())  # blocks whose write had returned
        found = unfinished(shop)
        if not written:
            assert sum(each.n_samples for each in found) < 1000
            continue
        (spool,) = found
        assert spool.note == {"job": "fiddle"}
        assert 1000 * written <= spool.n_samples <= 1000 * (written + 1)
        assert np.array_equal(spool.sound(), blocks()[: spool.n_samples])
        assert all(line["what"] == "began" for line in spool.journal)


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
