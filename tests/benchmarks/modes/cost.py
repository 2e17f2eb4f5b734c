"""What a tap set costs: time in one process, time with busy neighbours and free BLAS threads, memory.

    python tests/benchmarks/modes/cost.py

Time: median over sets of `find_modes`, eight taps at 30 dB, in one process: by the clock, and the processor's
own, which is the fair one where others use the machine. Then by the clock with the thread variables unset,
while every processor is kept busy by another process: once as it comes, once within the limit that the
commands set (`one_thread`); without a cliff the latter takes no more than some times as long. Memory: the
most that one fit held at a time, as `tracemalloc` sees it (numpy's arrays among it), for 4 to 64 taps; the
recording itself is not in it and told apart.
"""

import argparse
import json
import multiprocessing
import os
import subprocess
import sys
import time
import tracemalloc
from contextlib import nullcontext
from pathlib import Path

HERE = Path(__file__).parent
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
LIMITS = {"30 dB": 0.25, "30 dB, strings": 0.5}  # s a set of eight taps
LONGEST = 180  # s that a process may take
TAPS = (4, 8, 16, 32, 64)


def measured(case, sets, n_taps, *, limited, memory):
    """Median seconds a set by the clock and of the processor; the most megabytes that the first fit held."""
    from dataclasses import replace

    import numpy as np
    import scene
    from cases import BY_NAME

    from resonance.cli.analysing import one_thread
    from resonance.modes.estimate import find_modes

    made = [scene.make(replace(BY_NAME[case], n_taps=n_taps), seed) for seed in range(sets)]
    band, strings = made[0].body.band, scene.OPEN_STRINGS
    seconds = []
    for one in made:
        start = time.perf_counter(), time.process_time()
        with one_thread() if limited else nullcontext():
            find_modes(one.takes, one.taps, band=band, open_strings=strings)
        seconds.append((time.perf_counter() - start[0], time.process_time() - start[1]))
    tracemalloc.start()
    if memory:
        find_modes(made[0].takes, made[0].taps, band=band, open_strings=strings)
    most = tracemalloc.get_traced_memory()[1] / 2.0**20
    tracemalloc.stop()
    sound = sum(take.recording.samples.nbytes for take in made[0].takes) / 2.0**20
    clock, processor = map(float, np.median(seconds, axis=0))
    return {"clock": clock, "processor": processor, "most_mb": most, "sound_mb": sound}


def in_process(case, sets, n_taps, *, one_thread=False, limited=False, memory=False):
    """The same in a process of its own, thread variables set to one or unset; None if it takes too long."""
    environment = {name: value for name, value in os.environ.items() if name not in THREADS}
    if one_thread:
        environment |= dict.fromkeys(THREADS, "1")
    command = [sys.executable, __file__, "--one", case, "--sets", str(sets), "--taps", str(n_taps)]
    command += ["--limited"] * limited + ["--memory"] * memory
    try:
        done = subprocess.run(
            command, env=environment, capture_output=True, text=True, check=True, timeout=LONGEST
        )
    except subprocess.TimeoutExpired:
        return None
    return json.loads(done.stdout)


def _spin(stop):
    while not stop.is_set():
        sum(range(10_000))


def with_busy_neighbours(case, sets):
    """Seconds with every processor kept busy by another process, thread variables unset: as is, limited."""
    context = multiprocessing.get_context("spawn")
    stop = context.Event()
    neighbours = [context.Process(target=_spin, args=(stop,)) for _ in range(os.cpu_count() or 1)]
    for neighbour in neighbours:
        neighbour.start()
    try:
        found = [in_process(case, sets, 8, limited=limited) for limited in (False, True)]
        return tuple(f"{one['clock']:.2f} s" if one else f"over {LONGEST} s in all" for one in found)
    finally:
        stop.set()
        for neighbour in neighbours:
            neighbour.join()


def main():
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--sets", type=int, default=5)
    parser.add_argument("--one", help=argparse.SUPPRESS)
    parser.add_argument("--taps", type=int, default=8, help=argparse.SUPPRESS)
    parser.add_argument("--limited", action="store_true", help=argparse.SUPPRESS)
    parser.add_argument("--memory", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.one:
        print(
            json.dumps(
                measured(
                    options.one, options.sets, options.taps, limited=options.limited, memory=options.memory
                )
            )
        )
        return
    print(f"load average now {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    for case, limit in LIMITS.items():
        alone = in_process(case, options.sets, 8, one_thread=True)
        if alone:
            print(
                f"{case}, one process, one thread: {alone['clock']:.2f} s a set, "
                f"{alone['processor']:.2f} s of the processor (limit {limit:.2f} s)",
                flush=True,
            )
        free, limited = with_busy_neighbours(case, options.sets)
        print(
            f"{case}, thread variables unset, busy neighbours: {free} a set as it comes, "
            f"{limited} as the commands limit it",
            flush=True,
        )
    for n_taps in TAPS:
        found = in_process("30 dB", 1, n_taps, one_thread=True, memory=True)
        if found:
            print(
                f"{n_taps} taps: {found['processor']:.2f} s of the processor, a fit holds "
                f"{found['most_mb']:.0f} MB at most beside {found['sound_mb']:.0f} MB of sound",
                flush=True,
            )


if __name__ == "__main__":
    sys.path.insert(0, str(HERE))
    main()
