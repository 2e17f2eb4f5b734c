"""The recorder's figures: delay of verdicts, share of a core, false taps in noise, and its own truth.

    .venv/bin/python tests/benchmarks/taking/run.py [--minutes N] [--hour | --real]

Made-up sound is fed faster than real time: the processor's time a second of sound, and the time a verdict
takes. ``--hour`` is an hour of taps, talk and hammering next door: false taps, and whether what is kept in
memory grows; it takes some minutes and ends with 1 where a false one is accepted, where there are more than
one a minute, or where it grows. With ``--real``, sixteen taps are played through a private PulseAudio and
recorded from it by ``take_set``; the delay is from the end of a tap's window to its verdict, by the count of
samples and the computer's clock, the stream's own latency (as PortAudio tells it) added.
"""

import argparse
import os
import pickle
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[3]
sys.path.insert(0, str(ROOT))

from resonance.taking.listen import Listener, Verdict, ear_for  # noqa: E402
from resonance.taking.session import Judged, Plan, Session  # noqa: E402
from tests.taking.making import (  # noqa: E402
    RATE,
    good_taps,
    hammering,
    pieces,
    quiet,
    taken,
    talk,
    ten_good_and_six_faulty,
)


def fed(name, sound):
    """Feed a sound; print processor's share, slowest verdict, taps told."""
    session = Session(Plan(wanted=10**6, most=10**6, microphone_places=("",), idle=1e9), RATE)
    verdicts, accepted, refused = [], 0, 0
    before = time.process_time()
    for block in pieces(sound):
        start = time.perf_counter()
        judged = [event for event in session.feed(block) if isinstance(event, Judged)]
        if judged:
            verdicts.append(time.perf_counter() - start)
        accepted += sum(event.tap.kept for event in judged)
        refused += sum(not event.tap.kept for event in judged)
    share = (time.process_time() - before) / (len(sound) / RATE)
    slowest = f"{1e3 * max(verdicts):.0f} ms" if verdicts else "-"
    minutes = len(sound) / RATE / 60.0
    print(
        f"{name:<22} {minutes:5.1f} min  {100 * share:5.1f} % of a core  verdict {slowest:>7}  "
        f"accepted {accepted:4d}  refused {refused:4d}"
    )


def hour():
    """Ten minutes of noise and taps six times over; say what was told falsely, and what is held."""
    rng = np.random.default_rng(8)
    noise = [
        talk(180.0, rng=rng, peak=0.15),
        hammering(120.0, rng=rng, peak=0.02),
        hammering(60.0, rng=rng, peak=0.06),
    ]
    noise = [(part + quiet(len(part) / RATE, rng=rng))[:, None] for part in noise]
    tapped = taken(good_taps(60, rng=rng), 75.0, rng=rng)
    listener, held, told, good = Listener(RATE, ear=ear_for("violin")), [], [], 0
    for k in range(6):
        for part in noise:
            told += _verdicts(listener, part)
        good += sum(tap.kept for tap in _verdicts(listener, tapped))
        _verdicts(listener, quiet(165.0, rng=rng)[:, None])
        held.append(len(pickle.dumps(listener)))
        accepted = sum(tap.kept for tap in told)
        print(
            f"{listener.now / 60.0:5.1f} min: taps accepted {good} of {60 * (k + 1)}; of {6 * (k + 1)} min "
            f"noise accepted {accepted}, refused {len(told) - accepted}; held {held[-1] / 1e6:.2f} MB",
            flush=True,
        )
    reached = not accepted and len(told) <= 36 and max(held[1:]) - min(held[1:]) < 100_000
    print("reached" if reached else "NOT reached")
    return 0 if reached else 1


def _verdicts(listener, sound):
    told = [each for block in pieces(sound) for each in listener.feed(block)]
    return [each.tap for each in told if isinstance(each, Verdict)]


def real():
    """Play sixteen taps through a private sound server and record them."""
    import soundfile

    from tests.system.sound_server import SoundServer, missing

    if missing():
        raise SystemExit(missing())
    with tempfile.TemporaryDirectory() as folder:
        server = SoundServer(Path(folder) / "server")
        try:
            os.environ.update(server.environment)
            sound, truth = ten_good_and_six_faulty(rng=np.random.default_rng(5))
            soundfile.write(f"{folder}/taps.wav", sound, int(RATE), subtype="PCM_24")
            _record(server, f"{folder}/taps.wav", truth, Path(folder))
        finally:
            server.close()


def _record(server, path, truth, folder):
    from datetime import datetime

    from resonance.sound.microphone import find_microphone, open_microphone
    from resonance.taking.readings import Refits
    from resonance.taking.runner import take_set
    from resonance.taking.session import Ready
    from resonance.taking.spool import create

    class Watcher:
        def __init__(self):
            self.judged = []
            self.end = time.monotonic() + 60.0

        def show(self, event, session):
            if isinstance(event, Ready):
                server.play(path)
                self.end = time.monotonic() + 36.0
            if isinstance(event, Judged):
                self.judged.append(event)

        def show_readings(self, readings, session):
            pass

        def tick(self, session):
            pass

        def pressed(self):
            return ["finish"] if time.monotonic() > self.end else []

    plan = Plan(wanted=99, most=99, microphone_places=("",))
    watcher = Watcher()
    refits = Refits(plan)
    with open_microphone(find_microphone("bench")) as stream:
        spool = create(folder, {}, sample_rate=RATE, n_channels=1, started=datetime.now().astimezone())
        before = _spent(), time.monotonic()
        done = take_set(plan, stream, watcher, spool=spool, refits=refits)
        share = (_spent() - before[0]) / (time.monotonic() - before[1])
        latency = stream.latency
    refits.close()
    delays = 1e3 * np.array(done.latencies)
    kept = sum(event.tap.kept for event in watcher.judged)
    print(
        f"real path: {kept} accepted of {sum(not code for _, code in truth)}, "
        f"{len(watcher.judged) - kept} refused of {sum(bool(code) for _, code in truth)}\n"
        f"delay of verdicts: median {np.median(delays):.0f} ms, largest {np.max(delays):.0f} ms, "
        f"and {1e3 * latency:.0f} ms of the stream before it\n"
        f"share of a core, refits apart: {100 * share:.1f} %; lost blocks {done.session.n_lost}\n"
        f"load of the machine meanwhile: {os.getloadavg()[0]:.1f} for {os.cpu_count()} cores"
    )


def _spent():
    """Processor's time of this program, and of what it asked the sound server by; the fits' worker not."""
    import resource

    asked = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + asked.ru_utime + asked.ru_stime


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--minutes", type=float, default=2.0)
    parser.add_argument("--hour", action="store_true")
    parser.add_argument("--real", action="store_true")
    options = parser.parse_args()
    if options.hour:
        sys.exit(hour())
    if options.real:
        real()
        sys.exit()
    rng = np.random.default_rng(1)
    seconds = 60.0 * options.minutes
    fed("quiet room", quiet(seconds, rng=rng)[:, None])
    fed("taps 1.2 s apart", taken(good_taps(int(seconds / 1.3), rng=rng), seconds, rng=rng))
    fed("talk", (talk(seconds, rng=rng) + quiet(seconds, rng=rng))[:, None])
    fed("hammering next door", (hammering(seconds, rng=rng) + quiet(seconds, rng=rng))[:, None])
