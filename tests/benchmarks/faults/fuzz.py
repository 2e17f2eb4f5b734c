"""Bad sound files, exports and backups, made from good ones; each must end in a result or in one plain line.

    .venv/bin/python tests/benchmarks/faults/fuzz.py [--count 100000] [--first 0] [--kind sound|export|backup]

Every input has a number and can be made again from it (``--first N --count 1``). Watched for: an exception
that is no `ResonanceError`, a message of several lines, more than 5 s, more than 500 MB, a process that dies,
a shop that is no longer whole, and a file or folder outside of where it belongs.
"""

import argparse
import io
import json
import os
import resource
import shutil
import signal
import struct
import sys
import tempfile
import time
import traceback
import zipfile
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import cache
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[3]
sys.path.insert(0, str(ROOT))

from resonance.errors import ResonanceError  # noqa: E402
from resonance.jobs.archive import check_export, export_job, import_job  # noqa: E402
from resonance.jobs.backup import backup, check_backup, restore  # noqa: E402
from resonance.jobs.mend import mend_shop  # noqa: E402
from resonance.jobs.records import digest  # noqa: E402
from resonance.jobs.store import Shop  # noqa: E402
from resonance.sets.instrument import Instrument  # noqa: E402
from resonance.sets.setup import Adjustment  # noqa: E402
from resonance.sets.tapset import TapSet  # noqa: E402
from resonance.sound.files import read_recording  # noqa: E402
from resonance.sound.recording import Recording, Take  # noqa: E402

LONGEST = 5.0  # s
MOST_MEMORY = 500.0  # MB
BATCH = 500  # inputs a process
Edit = tuple[str, float, int]
NUMBERS = (0, 1, 2, 0x7F, 0x80, 0xFF, 384, 0x7FFF, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFE, 0xFFFFFFFF)
EDITS = ("flip", "byte", "u16", "u32", "u32 big", "u64", "cut", "drop", "repeat", "zeros", "nan", "head")


def mutated(data: bytes, edits: Sequence[Edit]) -> bytes:
    """Harm bytes. An edit is (what, where from 0 to 1, a number); headers lie in front, so half hit there."""
    raw = bytearray(data)
    for what, where, number in edits:
        if not raw:
            break
        head = min(len(raw), 256)
        place = int(2 * where * head) if where < 0.5 else int((2 * where - 1) * len(raw))
        place = min(place, len(raw) - 1)
        some = NUMBERS[number % len(NUMBERS)]
        if what == "flip":
            raw[place] ^= 1 << number % 8
        elif what == "byte":
            raw[place] = number % 256
        elif what in ("u16", "u32", "u32 big", "u64"):
            form = {"u16": "<H", "u32": "<I", "u32 big": ">I", "u64": "<Q"}[what]
            value = some % 65536 if what == "u16" else some * (2**32 + 1) % 2**64 if what == "u64" else some
            new = struct.pack(form, value)
            raw[place : place + len(new)] = new
        elif what == "cut":
            del raw[place:]
        elif what == "drop":
            del raw[place : place + 1 + number % 64]
        elif what == "repeat":
            raw[place:place] = raw[place : place + number % 4096]
        elif what == "zeros":
            raw[place:place] = bytes(number % 4096)
        elif what == "nan":
            raw[place & ~3 : (place & ~3) + 4] = struct.pack(
                "<f", (np.nan, np.inf, 1e38, -np.inf)[number % 4]
            )
        elif what == "head":
            raw[:4] = (b"RIFF", b"fLaC", b"OggS", b"FORM", b"RF64", b"caff", b"ID3\x04", b"\xff\xfb\x90\x00")[
                number % 8
            ]
    return bytes(raw)


def random_edits(rng: np.random.Generator) -> list[Edit]:
    """Draw one to four edits."""
    draws = range(int(rng.integers(1, 5)))
    return [(str(rng.choice(EDITS)), float(rng.random()), int(rng.integers(2**16))) for _ in draws]


@cache
def sounds() -> tuple[tuple[str, bytes], ...]:
    """Good sound files to begin with, of many kinds, and some that are bad by themselves."""
    import soundfile

    samples = 0.3 * np.random.default_rng(1).standard_normal((2000, 2)).clip(-3, 3)
    found = []
    for kind, subtype in (
        ("WAV", "PCM_16"), ("WAV", "PCM_24"), ("WAV", "FLOAT"), ("WAV", "IMA_ADPCM"), ("WAVEX", "PCM_24"),
        ("RF64", "PCM_16"), ("AIFF", "PCM_16"), ("AIFF", "FLOAT"), ("FLAC", "PCM_16"), ("FLAC", "PCM_24"),
        ("OGG", "VORBIS"), ("OGG", "OPUS"), ("MP3", "MPEG_LAYER_III"), ("CAF", "PCM_16"), ("CAF", "ALAC_16"),
        ("AU", "PCM_16"),
    ):  # fmt: skip
        with io.BytesIO() as file:
            soundfile.write(file, samples, 48000, format=kind, subtype=subtype)
            found.append((kind.lower(), file.getvalue()))
    found += [("m4a", _phone(codec)) for codec in ("aac", "alac")]
    found += [("wav", _wav(channels, frames)) for channels, frames in ((384, 20), (1, 1), (1, 0), (65535, 2))]
    found.append(("flac", _flat_flac()))
    return tuple(found)


def _wav(channels: int, frames: int) -> bytes:
    """A WAV of so many channels, written by the standard library."""
    rate = min(96000 * channels, 2**32 - 1)
    form = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, channels, 48000, rate, 2 * channels % 65536, 16)
    head = struct.pack("<4sI4s", b"RIFF", 36 + 2 * channels * frames, b"WAVE") + form
    body = np.random.default_rng(2).integers(-9000, 9000, channels * frames, dtype=np.int16).tobytes()
    return head + struct.pack("<4sI", b"data", len(body)) + body


def _flat_flac() -> bytes:
    """A bomb: half an hour that never changes, in some 100 kB."""
    import soundfile

    with io.BytesIO() as file:
        with soundfile.SoundFile(file, "w", 48000, 1, format="FLAC", subtype="PCM_16") as sound:
            sound.write(np.random.default_rng(3).uniform(-0.1, 0.1, 1000))
            for _ in range(30 * 6):
                sound.write(np.full(480_000, 0.25))
        return file.getvalue()


def _phone(codec: str) -> bytes:
    """A phone recording, through PyAV."""
    import av

    with io.BytesIO() as file:
        with av.open(file, "w", format="mp4") as container:
            stream = container.add_stream(codec, rate=48000, layout="mono")
            wave_ = 0.3 * np.random.default_rng(4).standard_normal((1, 4096)).clip(-3, 3)
            frame = av.AudioFrame.from_ndarray(wave_.astype(np.float32), format="fltp", layout="mono")
            frame.sample_rate = 48000
            fifo = av.AudioFifo()
            for part in av.AudioResampler(stream.format, "mono", 48000).resample(frame):
                fifo.write(part)
            while piece := fifo.read(stream.codec_context.frame_size or 1024, partial=True):
                for packet in stream.encode(piece):
                    container.mux(packet)
            for packet in stream.encode(None):
                container.mux(packet)
        return file.getvalue()


def try_sound(folder: Path, edits: Sequence[Edit], base: int) -> str:
    """Read one bad sound file."""
    ending, data = sounds()[base % len(sounds())]
    path = folder / f"in.{ending}"
    path.write_bytes(mutated(data, edits))
    try:
        recording = read_recording(path)
    except ResonanceError as error:
        return _plain(error)
    assert np.isfinite(recording.samples).all()
    return "read"


def _plain(error: ResonanceError) -> str:
    text = str(error)
    assert "\n" not in text, text
    assert len(text) < 2000, text[:200]
    return "refused"


def make_archives(folder: Path) -> None:
    """Make a shop, an export and a backup to begin with, and the shop that takes in."""
    shop = Shop(folder / "good")
    job = shop.new_job(Instrument("Viola", "viola")).id
    take = Take(Recording(np.random.default_rng(5).uniform(-0.5, 0.5, (400, 1)), 8000.0), "bridge", "near")
    shop.add_tap_set(job, TapSet("", None, (), takes=(take,)))
    shop.add_adjustment(job, Adjustment("", None, "soundpost", along_mm=0.25))
    shop.add_remark(job, "grün")
    export_job(shop, job, folder / "export")
    backup(shop, folder / "backup.zip")
    Shop(folder / "takes in").new_job(Instrument("Cello", "cello"))


TRICKS = (
    "../../evil",
    "/evil",
    "..",
    "",
    ".",
    "a/b",
    "a\\b",
    "CON",
    "x" * 300,
    "\0",
    "\udcff",
    "sound/../../evil",
)
VALUES = (
    None,
    True,
    -1,
    0,
    1.5,
    1e308,
    2**70,
    "",
    "x",
    [],
    {},
    [[]],
    {"a": None},
    "2026-13-45T99:99",
    "NaN",
    *TRICKS,
)


def harmed_json(content: dict, edits: Sequence[Edit]) -> dict:
    """Put odd values into an export's records, at any depth, and sign it anew: the digest is no secret."""
    content = json.loads(json.dumps(content))
    for _, where, number in edits:
        places = list(_places(content))
        holder, key = places[int(where * (len(places) - 1))]
        with suppress(KeyError, IndexError, TypeError):
            if number % 7 == 0:
                del holder[key]
            elif number % 7 == 1 and isinstance(holder, list):
                holder.append(holder[key])
            elif number % 7 == 2:
                holder[key] = nested(number % 3000)
                break
            else:
                holder[key] = VALUES[number % len(VALUES)]
    return content


def nested(depth: int) -> list:
    """Lists within lists."""
    found: list = []
    for _ in range(depth):
        found = [found]
    return found


def _places(value: object) -> "list[tuple]":
    """Give every (holder, key) of a tree."""
    keys = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    found = []
    for key, inside in keys:
        found += [(value, key), *_places(inside)]
    return found


def try_export(folder: Path, edits: Sequence[Edit], base: int) -> str:
    """Import one bad export, into a shop that must stay whole."""
    source = folder / "in"
    shutil.rmtree(source, ignore_errors=True)
    shutil.copytree(folder / "export", source)
    path = source / "job.json"
    if base % 3:
        content = harmed_json(json.loads(path.read_text("utf-8")), edits)
        with suppress(RecursionError, TypeError, UnicodeEncodeError):
            content["digest"] = digest({name: content.get(name) for name in ("acts", "records", "sounds")})
        with suppress(RecursionError):
            path.write_text(json.dumps(content), "utf-8")
    else:
        victims = sorted(p for p in source.rglob("*") if p.is_file())
        victim = victims[base % len(victims)]
        victim.write_bytes(mutated(victim.read_bytes(), edits))
    shop = Shop(folder / "takes in")
    try:
        check_export(source)
    except ResonanceError as error:
        _plain(error)
    try:
        job = import_job(shop, source)
    except ResonanceError as error:
        assert any(line.id == "cello" for line in shop.jobs())
        return _plain(error)
    assert {"cello", job.id} <= {line.id for line in shop.jobs()}
    shop.job(job.id)
    shop.undo(job.id)
    if base % 50 == 0:
        assert [problem.text for problem in shop.check() if not problem.harmless] == []
    return "read"


def try_backup(folder: Path, edits: Sequence[Edit], base: int) -> str:
    """Bring back, look through and mend from one bad backup."""
    path, target = folder / "in.zip", folder / "back"
    path.write_bytes(mutated((folder / "backup.zip").read_bytes(), edits))
    if base % 4 == 0:
        packed = zipfile.ZIP_DEFLATED if base % 8 else zipfile.ZIP_STORED
        with suppress(Exception), zipfile.ZipFile(path, "a", packed) as archive:
            archive.writestr(f"sound/{TRICKS[base % len(TRICKS)]}".replace("\0", "0"), bytes(10**6))
    shutil.rmtree(target, ignore_errors=True)
    for act in (check_backup, lambda file: mend_shop(folder / "good", file)):
        try:
            act(path)
        except ResonanceError as error:
            _plain(error)
    try:
        restore(path, target)
    except ResonanceError as error:
        assert not target.exists()
        return _plain(error)
    finally:
        shutil.rmtree(target, ignore_errors=True)
    return "read"


KINDS: dict[str, tuple[float, Callable[[Path, Sequence[Edit], int], str]]] = {
    "sound": (0.9, try_sound),
    "export": (0.07, try_export),
    "backup": (0.03, try_backup),
}


def one(number: int, folder: Path, kind: str | None = None) -> tuple[str, str]:
    """Make and try the input of a number; (kind, what came of it)."""
    rng = np.random.default_rng([7, number])
    draw = rng.random()
    chosen = kind or ("sound" if draw < 0.9 else "export" if draw < 0.97 else "backup")
    return chosen, KINDS[chosen][1](folder, random_edits(rng), int(rng.integers(10**6)))


def batch(numbers: range, kind: str | None, sandbox: Path) -> tuple[Counter, list[str]]:
    """Try some inputs in a process of their own."""
    inlet, outlet = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(inlet)
        _child(numbers, kind, sandbox, outlet)
    os.close(outlet)
    with os.fdopen(inlet, "rb") as pipe:
        lines = pipe.read().decode().splitlines()
    _, status = os.waitpid(child, 0)
    counts, failures, begun = Counter(), [], ""
    for line in lines:
        told = json.loads(line)
        begun = told.get("begun", begun)
        if "failure" in told:
            failures.append(told["failure"])
        elif "came" in told:
            counts[told["came"]] += 1
    code = os.waitstatus_to_exitcode(status)
    if code:
        name = signal.Signals(-code).name if code < 0 else f"code {code}"
        failures.append(f"input {begun}: the process died ({name})")
    return counts, failures


def _child(numbers: range, kind: str | None, sandbox: Path, outlet: int) -> None:
    folder = sandbox / "deep" / "in"
    folder.mkdir(parents=True)
    make_archives(folder)
    sounds()
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)  # libraries grumble there
    signal.signal(signal.SIGALRM, signal.SIG_DFL)  # a hang ends the process, and so is told
    known = outside(sandbox, folder)
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for number in numbers:
        _tell(outlet, begun=number)
        signal.alarm(60)
        start = time.perf_counter()
        try:
            chosen, came = one(number, folder, kind)
            _tell(outlet, came=f"{chosen} {came}")
        except Exception:
            _tell(outlet, failure=f"input {number}: {traceback.format_exc(limit=-3, chain=False)}")
        signal.alarm(0)
        seconds = time.perf_counter() - start
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        if seconds > LONGEST:
            _tell(outlet, failure=f"input {number}: took {seconds:.1f} s")
        if (peak - memory) / 1024 > MOST_MEMORY:
            _tell(outlet, failure=f"input {number}: took {(peak - memory) / 1024:.0f} MB")
            memory = peak
        if outside(sandbox, folder) != known:
            _tell(outlet, failure=f"input {number}: wrote where it does not belong")
            known = outside(sandbox, folder)
    os._exit(0)


def outside(sandbox: Path, folder: Path) -> list[str]:
    """What lies about outside of where the inputs are."""
    return sorted([*map(str, sandbox.iterdir()), *map(str, folder.parent.iterdir()), *os.listdir("/")])


def _tell(outlet: int, **what: object) -> None:
    os.write(outlet, (json.dumps(what) + "\n").encode())


def fuzz(first: int, count: int, *, kind: str | None = None, say: bool = True) -> tuple[Counter, list[str]]:
    """Try inputs; counts of what came of them, and what went wrong."""
    memory = Path("/dev/shm")
    counts: Counter = Counter()
    failures: list[str] = []
    sounds()  # once, for all processes
    start = time.perf_counter()
    for begin in range(first, first + count, BATCH):
        sandbox = Path(tempfile.mkdtemp(prefix="resonance-fuzz-", dir=memory if memory.is_dir() else None))
        try:
            found, wrong = batch(range(begin, min(begin + BATCH, first + count)), kind, sandbox)
        finally:
            shutil.rmtree(sandbox, ignore_errors=True)
        counts += found
        failures += wrong
        if say and (begin - first) % (10 * BATCH) == 0:
            spent = time.perf_counter() - start
            print(f"{sum(counts.values()):>7} inputs, {len(failures)} failures, {spent:.0f} s", flush=True)
    return counts, failures


def main() -> int:
    """Fuzz, print, end with 1 where anything went wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=100_000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--kind", choices=tuple(KINDS))
    asked = parser.parse_args()
    counts, failures = fuzz(asked.first, asked.count, kind=asked.kind)
    for what, n in sorted(counts.items()):
        print(f"{what:<16} {n:>7}")
    print(f"{len(failures)} failures")
    for failure in failures[:40]:
        print(failure)
    return int(bool(failures))


if __name__ == "__main__":
    sys.exit(main())
