"""The recorder on a real sound path: taps played into a private PulseAudio, recorded from it by PortAudio.

Truth: the file that was played, its taps and their faults (tests/taking/making.py). Skipped, with the reason,
where the sound server's parts are missing; on the build machine that fails.
"""

import contextlib
import json
import os
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile

from resonance.jobs.store import Shop
from resonance.taking import spool as spools
from resonance.taking.keep import keep_spool, noted_in, replay
from resonance.taking.spool import SpoolFull, read, unfinished
from tests.system.sound_server import RATE, SoundServer, missing
from tests.taking.making import ten_good_and_six_faulty

pytestmark = [pytest.mark.slow, pytest.mark.skipif(bool(missing()), reason=missing() or "all there")]

BUSY = "while True: pass"


@pytest.fixture
def server(tmp_path):
    server = SoundServer(tmp_path / "server", names=("bench", "other"))
    yield server
    server.close()


@pytest.fixture
def shop(tmp_path):
    from resonance.sets.instrument import Instrument

    shop = Shop(tmp_path / "shop")
    shop.new_job(Instrument("fiddle"))
    return shop


@pytest.fixture
def sixteen(tmp_path):
    """A file of sixteen taps, every sample a 24-bit step and none of the first ones zero; and its truth."""
    sound, truth = ten_good_and_six_faulty(rng=np.random.default_rng(5))
    steps = np.clip(np.round(sound * 2**23), -(2**23), 2**23 - 1)
    steps[0] = 12345
    path = tmp_path / "taps.wav"
    soundfile.write(path, (steps.astype(np.int64) << 8).astype(np.int32), RATE, subtype="PCM_24")
    return path, steps[:, 0] / 2**23, truth


def take(server, shop, *words):
    return server.resonance("--shop", shop.folder, "take", "fiddle", "--device", "bench", "--silent", *words)


def wait_for(process, stream, beginning, *, count=1):
    """Read lines until so many begin with some words."""
    lines = []
    for line in stream:
        lines.append(line)
        count -= line.startswith(beginning)
        if not count:
            return lines
    raise AssertionError("".join(lines) + process.communicate()[1])


def test_what_is_stored_is_what_was_played_for_a_minute_under_load(server, shop, sixteen, tmp_path):
    _, sound, truth = sixteen
    twice = tmp_path / "twice.wav"
    soundfile.write(twice, np.concatenate([sound, sound]), RATE, subtype="PCM_24")
    assert 2 * len(sound) > 60 * RATE
    load = [subprocess.Popen([sys.executable, "-c", BUSY]) for _ in range(os.cpu_count() or 1)]
    process = take(server, shop, "--places", "1", "--taps", "99", "--json")
    try:
        wait_for(process, process.stderr, "Ready")
        server.play(twice).wait(timeout=120)
        time.sleep(1.5)
        for busy in load:
            busy.kill()
        out, err = process.communicate("q\n", timeout=120)
    finally:
        for busy in (*load, process):
            busy.kill()
            busy.wait()
    assert process.returncode == 0, err
    record = json.loads(out)
    (tap_set,) = shop.job("fiddle").sets
    recording = shop.with_sound(tap_set).takes[0].recording
    stored = recording.samples[:, 0]
    first = int(np.argmax(np.abs(stored) > 0.0))
    played = np.concatenate([sound, sound])
    assert np.array_equal(stored[first : first + len(played)], played)
    assert recording.lost_blocks == 0
    assert shop.sound_file(recording.sha256).suffix == ".flac"
    for shift in (0.0, len(sound) / RATE):
        _called_so(record["taps"], truth, first / RATE + shift)


def _called_so(taps, truth, offset):
    for onset, code in truth:
        (near,) = [tap for tap in taps if abs(tap["onset"] - offset - onset) < 0.02]
        assert near["kept"] == (not code), (onset, code, near)
        assert not code or code in {fault["code"] for fault in near["faults"]}


def test_two_places_wait_for_a_key(server, shop, sixteen):
    path, _, _ = sixteen
    process = take(server, shop, "--taps", "3", "--mic", "near", "--mic", "side")
    try:
        wait_for(process, process.stdout, "Ready")
        player = server.play(path)
        before = wait_for(process, process.stdout, "Move the microphone to: side")
        player.terminate()
        process.stdin.write("\n")
        process.stdin.flush()
        after = wait_for(process, process.stdout, "Tap on")
        server.play(path)
        out, err = process.communicate(timeout=120)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 0, err
    assert "Kept as tap set 1 of fiddle" in out
    told = [line for line in (*before, *after, *out.splitlines()) if line.startswith(("✓", "✗"))]
    assert [line[:13] for line in told] == [f"✓ Accepted, {n}" for n in (1, 2, 3, 1, 2, 3)]  # one line a tap
    assert "\x1b" not in "".join((*before, *after, out))
    (tap_set,) = shop.job("fiddle").sets
    assert [take.microphone_place for take in tap_set.takes] == ["near", "side"]


def test_server_killed_in_the_middle(server, shop, sixteen):
    process = take(server, shop, "--places", "1", "--taps", "99")
    try:
        wait_for(process, process.stdout, "Ready")
        server.play(sixteen[0])
        wait_for(process, process.stdout, "✓ Accepted, 2 of")
        server.kill()
        _, err = process.communicate(timeout=60)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 1
    assert "Traceback" not in err
    assert "microphone" in err.strip().splitlines()[-1]
    (left,) = unfinished(shop.folder)
    assert replay(left)[0].n_kept(0) >= 2


def test_source_pulled_out(server, shop, sixteen):
    """The server ends the stream, or moves it to the other microphone without a word: either ends the set."""
    process = take(server, shop, "--places", "1", "--taps", "99")
    try:
        wait_for(process, process.stdout, "Ready")
        server.play(sixteen[0])
        wait_for(process, process.stdout, "✓ Accepted, 2 of")
        server.remove("bench")
        _, err = process.communicate(timeout=60)
    finally:
        process.kill()
        process.wait()
    assert "Traceback" not in err
    assert process.returncode == 1
    assert "microphone" in err.strip().splitlines()[-1]
    (left,) = unfinished(shop.folder)
    assert replay(left)[0].n_kept(0) >= 2


def test_recorder_killed_loses_less_than_the_last_second(server, shop, sixteen):
    process = take(server, shop, "--places", "1", "--taps", "99")
    try:
        wait_for(process, process.stdout, "Ready")
        began = time.monotonic()
        server.play(sixteen[0])
        wait_for(process, process.stdout, "✓ Accepted, 3 of")
    finally:
        heard = time.monotonic() - began
        process.kill()
        process.communicate()
    (left,) = unfinished(shop.folder)
    assert left.n_samples / RATE > heard - 1.0
    assert replay(left)[0].n_kept(0) >= 3
    assert shop.check() == ()
    process = take(server, shop)
    _, err = process.communicate(timeout=60)  # nobody there to ask: it is told, and stays
    assert "was cut off: " in err
    assert left.folder.exists()


def test_no_microphone_at_all(server, shop):
    bare = server.folder / "bare.conf"
    bare.write_text("</usr/share/alsa/alsa.conf>\n")
    environment = {"ALSA_CONFIG_PATH": str(bare), "PULSE_SERVER": "unix:/nowhere"}
    process = server.resonance("--shop", shop.folder, "take", "fiddle", env=environment)
    _, err = process.communicate(timeout=60)
    assert process.returncode == 1
    assert err.strip().splitlines()[-1].startswith("resonance: no microphone is there; plug one in")


def test_named_microphone_absent(server, shop):
    process = server.resonance("--shop", shop.folder, "take", "fiddle", "--device", "ribbon")
    _, err = process.communicate(timeout=60)
    assert process.returncode == 1
    last = err.strip().splitlines()[-1]
    assert last.startswith("resonance: no microphone is called 'ribbon'; there are: ")
    assert "bench" in last


def test_devices_are_listed(server):
    process = server.resonance("take", "--devices")
    out, _ = process.communicate(timeout=60)
    assert process.returncode == 0
    assert "bench" in out
    assert "other" in out


def test_a_trial_writes_nothing(server, shop, sixteen):
    before = {path: path.stat().st_mtime_ns for path in shop.folder.rglob("*") if path.is_file()}
    process = take(server, shop, "--places", "1", "--taps", "2", "--dry-run")
    try:
        wait_for(process, process.stdout, "Ready")
        server.play(sixteen[0])
        out, err = process.communicate(timeout=60)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 0, err
    assert "B1−" in out
    after = {path: path.stat().st_mtime_ns for path in shop.folder.rglob("*") if path.is_file()}
    assert {p.name for p in after} - {p.name for p in before} <= {"shop.db-wal", "shop.db-shm"}
    assert not (shop.folder / spools.FOLDER).exists()


SMALL_DISK = pytest.mark.skipif(
    sys.platform != "linux" or os.geteuid() != 0, reason="needs root to mount a small disk"
)


@pytest.fixture
def small_disk(tmp_path):
    """Mounts a disk of so many megabytes."""
    disk = tmp_path / "disk"
    disk.mkdir()

    def mounted(megabytes):
        subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "none", disk], check=True)
        return disk

    yield mounted
    subprocess.run(["umount", disk], check=True)


@SMALL_DISK
def test_disk_that_fills_up_while_a_set_is_taken(server, sixteen, small_disk):
    """What was recorded before is offered once there is room again, and can be kept."""
    from resonance.sets.instrument import Instrument

    disk = small_disk(230)
    shop = Shop(disk / "shop")
    shop.new_job(Instrument("fiddle"))
    process = take(server, shop, "--places", "1", "--taps", "99")
    try:
        wait_for(process, process.stdout, "Ready")
        server.play(sixteen[0])
        wait_for(process, process.stdout, "✓ Accepted, 2 of")
        with (disk / "ballast").open("wb", buffering=0) as ballast, contextlib.suppress(OSError):
            while True:
                ballast.write(bytes(4096))
        _, err = process.communicate(timeout=60)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 1
    assert "Traceback" not in err
    assert "takes no more sound (No space left on device); free some space" in " ".join(err.split())
    (left,) = unfinished(shop.folder)
    (disk / "ballast").unlink()
    assert shop.check() == ()
    assert left.n_samples / RATE > 4.0
    assert keep_spool(shop, left, noted_in(left.note)) is not None
    (tap_set,) = shop.job("fiddle").sets
    assert sum(tap.kept for tap in tap_set.taps) >= 2


@SMALL_DISK
def test_disk_that_fills_up(small_disk, monkeypatch):
    disk = small_disk(1)
    monkeypatch.setattr(spools, "FREE", 0)
    spool = spools.create(disk, {}, sample_rate=48e3, n_channels=1, started=datetime.now(UTC))
    sound = np.random.default_rng(1).standard_normal((10**6, 1)).astype(np.float32)
    written = 0

    def fill():
        nonlocal written
        for start in range(0, 10**6, 1000):
            spool.write(sound[start : start + 1000])
            written = start + 1000

    with pytest.raises(SpoolFull, match="No space left"):
        fill()
    spool.close()
    left = read(Path(spool.folder))
    assert written > 200_000
    assert left.n_samples >= written
    assert np.array_equal(left.sound(), sound[: left.n_samples])
