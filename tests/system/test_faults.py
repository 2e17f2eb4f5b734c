"""Nothing lost: the rules of the disk; small runs of kills, power cuts, failing disks, and of the fuzzer."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from tests.benchmarks.faults import attack, fuzz  # noqa: E402
from tests.benchmarks.faults.disk import Call, Disk  # noqa: E402


def played(root, *calls):
    """What lies on a disk after a power cut, nothing unsynced kept: names and contents."""
    base = Disk(root)
    for what, path, *rest in calls:
        other = str(root / rest[0]) if what == "rename" else ""
        offset, data = (rest[0], rest[1]) if what == "write" else (rest[0] if what == "truncate" else 0, b"")
        base.play(Call(what, str(root / path) if path else str(root), other, offset, data))
    target = root.parent / "cut"
    base.write_out(target, None)
    return {p.relative_to(target).as_posix(): p.read_bytes() for p in target.rglob("*") if p.is_file()}


OLD = {"old": b"old"}


@pytest.mark.parametrize(
    ("calls", "left"),
    [
        ([("write", "old", 0, b"new")], OLD),
        ([("write", "old", 0, b"new"), ("fsync", "old")], {"old": b"new"}),
        ([("write", "old", 1, b"xyz"), ("fsync", "old"), ("truncate", "old", 2)], {"old": b"oxyz"}),
        ([("create", "a"), ("write", "a", 0, b"a"), ("fsync", "a")], OLD),  # its name was never made safe
        ([("create", "a"), ("fsync", "")], {**OLD, "a": b""}),
        ([("create", "a"), ("write", "a", 0, b"a"), ("fsync", "a"), ("fsync", "")], {**OLD, "a": b"a"}),
        ([("rename", "old", "b")], OLD),
        ([("rename", "old", "b"), ("fsync", "")], {"b": b"old"}),
        ([("unlink", "old")], OLD),
        ([("unlink", "old"), ("fsync", "")], {}),
        ([("mkdir", "d"), ("create", "d/x"), ("fsync", "d")], OLD),  # the folder itself is not safe
        ([("mkdir", "d"), ("create", "d/x"), ("fsync", "d"), ("fsync", "")], {**OLD, "d/x": b""}),
    ],
)
def test_the_model_of_the_disk_keeps_what_posix_promises_and_no_more(tmp_path, calls, left):
    """Truth: the rationale of fsync in POSIX.1-2017, and fsync(2) of Linux on folders."""
    root = tmp_path / "disk"
    root.mkdir()
    (root / "old").write_bytes(b"old")
    assert played(root, *calls) == left


def test_random_leftovers_lie_between_nothing_and_all(tmp_path):
    root = tmp_path / "disk"
    root.mkdir()
    (root / "f").write_bytes(bytes(4096))
    base = Disk(root)
    for k in range(4):
        base.play(Call("write", str(root / "f"), "", 1024 * k, bytes([k + 1]) * 1024))
    seen = set()
    for seed in range(60):
        target = tmp_path / f"cut{seed}"
        base.write_out(target, np.random.default_rng(seed))
        sectors = np.frombuffer((target / "f").read_bytes(), np.uint8).reshape(8, 512)
        assert all(len(set(sector)) == 1 for sector in sectors)  # a sector is written whole or not at all
        seen.add(tuple(int(sector[0]) for sector in sectors))
    assert len(seen) > 20


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="the shim is for Linux")
def test_no_fault_loses_anything(capsys):
    """The quick size of tests/benchmarks/faults/run.py; its figures are printed."""
    words = [sys.executable, str(ROOT / "tests" / "benchmarks" / "faults" / "run.py"), "--size", "quick"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    ran = subprocess.run(words, capture_output=True, text=True, timeout=900, env=environment, cwd=ROOT)
    with capsys.disabled():
        print(f"\n{ran.stdout}")
    assert ran.returncode == 0, ran.stdout + ran.stderr


EDITS = st.lists(
    st.tuples(st.sampled_from(fuzz.EDITS), st.floats(0.0, 1.0), st.integers(0, 2**16)), min_size=1, max_size=4
)
GENTLY = settings(
    max_examples=60,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@pytest.fixture(scope="module")
def sandbox(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sandbox") / "deep" / "in"
    folder.mkdir(parents=True)
    fuzz.make_archives(folder)
    return folder


@pytest.mark.slow
@pytest.mark.parametrize("kind", fuzz.KINDS)
def test_bad_files_end_in_a_result_or_in_one_line(sandbox, kind):
    """Hypothesis looks for what breaks; the full size is tests/benchmarks/faults/fuzz.py."""

    @GENTLY
    @given(EDITS, st.integers(0, 10**6))
    def tried(edits, base):
        before = fuzz.outside(sandbox.parents[1], sandbox)
        assert fuzz.KINDS[kind][1](sandbox, edits, base) in ("read", "refused")
        assert fuzz.outside(sandbox.parents[1], sandbox) == before

    tried()


def test_the_fuzzer_sees_what_it_looks_for(tmp_path, monkeypatch):
    """A reader that lets an exception through, and one that writes beside its place."""
    monkeypatch.setattr(fuzz, "read_recording", lambda path: 1 / 0)
    _, failures = fuzz.batch(range(3), "sound", tmp_path / "a")
    assert len(failures) == 3
    assert "ZeroDivisionError" in failures[0]

    def strays(path):
        (path.parents[1] / path.name).write_text("x")
        return fuzz.Recording(np.zeros((1, 1)), 8000.0)

    monkeypatch.setattr(fuzz, "read_recording", strays)
    _, failures = fuzz.batch(range(1), "sound", tmp_path / "b")
    assert failures == ["input 0: wrote where it does not belong"]


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="memory is read from /proc")
def test_a_page_under_attack_gives_nothing_away(capsys):
    """The full size is tests/benchmarks/faults/attack.py."""
    wrong = attack.attack(n_guesses=50, n_requests=500, megabytes=64)
    with capsys.disabled():
        print(f"\n{capsys.readouterr().out}")
    assert wrong == []
