"""Faults: every writing command killed, starved and unplugged at every call that touches the disk.

.venv/bin/python tests/benchmarks/faults/run.py [--size quick|full] [--only NAME]
"""

import argparse
import errno
import importlib
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[3]
sys.path.insert(0, str(ROOT))

from tests.benchmarks.faults import shim  # noqa: E402

# What fails, how often, and at how many calls (full size): a full disk, one bad write, a disk gone read-only.
ERRORS = ((errno.ENOSPC, 10**9, 30), (errno.EIO, 1, 15), (errno.EROFS, 10**9, 5))
OTHERS = (
    ("rot.py", "--flips 60", "--flips 20000"),
    ("fuzz.py", "--count 200", "--count 100000"),
    ("attack.py", "--guesses 20 --requests 200 --upload 16", ""),
    ("load.py", "--jobs 50", ""),
)
LINE = "{:<22} {:>6} {:>7} {:>11} {:>7} {:>10} {:>5} {:>5}"


def main() -> int:
    """Run, print, end with 1 where anything was lost."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", choices=("quick", "full"), default="quick")
    parser.add_argument("--only", metavar="NAME", help="commands whose name holds this")
    asked = parser.parse_args()
    shim.reload_with_shim()
    from resonance.cli.main import COMMANDS as MODULES
    from tests.benchmarks.faults import crash

    for name in (*MODULES, "analysing"):
        importlib.import_module(f"resonance.cli.{name}")
    for name in ("scipy.signal", "scipy.linalg", "scipy.optimize", "soundfile", "resonance.sets.analyse"):
        importlib.import_module(name)
    folder = shim.fast_folder()
    try:
        lost = crash_figures(crash, folder, asked)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return lost or (0 if asked.only else others(asked.size == "full"))


def others(full: bool) -> int:
    """Run the other figures, each in a process without the shim."""
    environment = {name: value for name, value in os.environ.items() if name not in ("LD_PRELOAD", shim.MARK)}
    failed = 0
    for script, small, large in OTHERS:
        words = [sys.executable, str(Path(__file__).with_name(script)), *(large if full else small).split()]
        print(f"\n{script} {' '.join(words[2:])}", flush=True)
        failed |= subprocess.run(words, env=environment).returncode
    return failed


def crash_figures(crash, folder: Path, asked) -> int:
    """Kill, cut and starve; print a line a command."""
    full = asked.size == "full"
    facts = crash.make_template(folder / "template")
    rng = np.random.default_rng(1)
    failed = 0
    if not harness_sees_a_missing_flush(crash, folder, facts):
        sys.exit("a missing flush goes unseen: these figures would say nothing")
    print(LINE.format("command", "calls", "killed", "power cuts", "errors", "left over", "lost", "s"))
    for command in crash.COMMANDS:
        if asked.only and asked.only not in command.name:
            continue
        start = time.perf_counter()
        tally = crash.Tally()
        bench = crash.Bench(command, folder / "template", folder, facts, tally)
        most = 10**6 if full else 2 if command.heavy else 4
        bench.kills(crash.spread(bench.calls, most), shim.KILL)
        writes = sum(call.what == "write" for call in bench.trace)
        bench.kills(crash.spread(writes, most if full else most // 2), shim.TEAR)
        if full:
            last = 1.2 * bench_time(bench)
            bench.moments(list(rng.uniform(0.0, last, 20)))
        killed = tally.points
        bench.cuts(crash.spread(len(bench.trace), most), 1)
        for code, times, points in ERRORS[: 3 if full else 1]:
            bench.errors(crash.spread(bench.calls, points if full else most // 2), code, times)
        seen = (
            bench.calls,
            killed,
            tally.states,
            tally.points - killed,
            tally.leftovers,
            len(tally.failures),
        )
        print(LINE.format(command.name, *seen, round(time.perf_counter() - start)), flush=True)
        for line in tally.failures[:12]:
            print(f"    {line}")
        failed += len(tally.failures)
    return int(failed > 0)


def harness_sees_a_missing_flush(crash, folder: Path, facts) -> bool:
    """Whether the power cuts find what they must: an export that is never flushed to the disk."""
    command = next(command for command in crash.COMMANDS if command.name == "job export")
    tally, flush = crash.Tally(), os.fsync
    os.fsync = lambda handle: None
    try:
        crash.Bench(command, folder / "template", folder, facts, tally).cuts(iter(()), 0)
    finally:
        os.fsync = flush
    return any("said done, and is not there" in line for line in tally.failures)


def bench_time(bench) -> float:
    """Seconds one run takes."""
    bench.fresh()
    start = time.perf_counter()
    bench.run()
    return time.perf_counter() - start


if __name__ == "__main__":
    sys.exit(main())
