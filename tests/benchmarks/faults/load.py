"""A shop of many jobs, written as the store writes it but in one go, and how long its users wait.

.venv/bin/python tests/benchmarks/faults/load.py [--jobs 2000] [--sets 20] [--modes 12] [--keep FOLDER]
"""

import argparse
import sys
import tempfile
import time
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from resonance.jobs import assemble, database
from resonance.jobs.change import Change, job_body
from resonance.jobs.database import add_act, add_sound
from resonance.jobs.job import Entry
from resonance.jobs.order import insert
from resonance.jobs.records import to_record
from resonance.jobs.sounds import keep_samples
from resonance.jobs.store import Shop
from resonance.modes.mode import Level, Mode
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Setup
from resonance.sets.tapset import Analysis, BandLevel, Climate, Conditions, TapSet
from resonance.sound.recording import Recording, Take
from resonance.taps.tap import Tap

START = datetime(2026, 1, 5, 9, tzinfo=UTC)


def a_set(n_modes: int, sounds: list) -> TapSet:
    """A tap set of two takes, eight taps and so many modes; what is in it does not matter here."""
    rng = np.random.default_rng(1)
    modes = tuple(
        Mode(
            200.0 + 70.0 * k + rng.random(), 0.012, frequency_u=0.1, frequency_dof=5.0, damping_u=0.001,
            peak=200.0 + 70.0 * k, n_taps=8, snr_db=30.0,
            levels=tuple(Level("bridge, bass corner", f"place {place}", -3.0 * k, 0.4) for place in (0, 1)),
        )
        for k in range(n_modes)
    )  # fmt: skip
    takes = tuple(Take(r, "bridge, bass corner", f"place {k}") for k, r in enumerate(sounds))
    taps = tuple(Tap(1.0 + k, end=1.9 + k, peak_dbfs=-9.0, take=k // 4) for k in range(8))
    bands = tuple(BandLevel(100.0 * 2**k, 200.0 * 2**k, db=-6.0) for k in range(6))
    return TapSet(
        "", START, modes, takes=takes, taps=taps, bands=bands, climate=Climate(21.0, 45.0),
        conditions=Conditions(holding="cradle"), analysis=Analysis(2, "0.1.0", made=START),
    )  # fmt: skip


def write(folder: Path, n_jobs: int, n_sets: int, n_modes: int) -> Shop:
    """Write the shop: each record with its digest, as `Shop` would, in one transaction."""
    shop = Shop(folder)
    rng = np.random.default_rng(2)
    recordings = [Recording(rng.uniform(-0.5, 0.5, (48000, 1)), 48000.0) for _ in range(2)]
    kept = [keep_samples(shop.sound_folder, r) for r in recordings]
    named = [Recording(np.zeros((0, 1)), 48000.0, sha256=s.sha256) for s in kept]
    template = a_set(n_modes, named)
    observed, derived = assemble.observed_body(template), assemble.analysis_body(template, START)
    with database.writing(shop.database) as db:
        db.execute("PRAGMA foreign_keys = ON")
        act = add_act(db, made=START, job="", text="sound")
        for sound in kept:
            add_sound(db, act, sound)
        for number in range(n_jobs):
            job = f"viola-{number:04d}"
            change = Change(db, job, [], START, f"began the job {job}")
            change.write("job", "job", job_body(Instrument(f"Viola {number:04d}", "viola"), "", START))
            change.write("setup", "setup", to_record(Setup()))
            change.finish()
            timeline: tuple[Entry, ...] = ()
            for k in range(1, n_sets + 1):
                made = START + timedelta(days=k)
                change = Change(db, job, [], made, f"added tap set set{k} to {job}")
                entry = Entry("tap set", f"set{k}", made, True)
                timeline = insert(timeline, entry, before=None, after=None)
                change.write("tap_set", f"set{k}", {**observed, "taken": made.isoformat()})
                change.write("analysis", f"set{k}", derived)
                change.write("order", "order", assemble.order_body(timeline))
                change.finish()
    return shop


def timed(work, repeats: int = 3) -> float:
    """Best of some runs, s."""
    best = float("inf")
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
    return best


def measure(shop: Shop, n_jobs: int) -> dict[str, float]:
    """Seconds of what a user waits for."""
    middle = f"viola-{n_jobs // 2:04d}"
    figures = {
        "list of jobs, the first time ever": timed(shop.jobs, 1),
        "list of jobs": timed(shop.jobs),
        "one job": timed(lambda: shop.job(middle)),
        "a remark kept": timed(lambda: shop.add_remark(middle, "r")),
        "undo": timed(lambda: shop.undo(middle)),
        "undo in the whole shop": timed(lambda: (shop.add_remark(middle, "r"), shop.undo()), 2),
        "list of acts": timed(lambda: shop.acts(limit=50)),
    }
    marks: list[float] = []
    size = sum(path.stat().st_size for path in (shop.database, *shop.sound_folder.iterdir()))
    figures["check"] = timed(lambda: shop.check(progress=lambda f, t: marks.append(time.perf_counter())), 1)
    figures["check, MB a second"] = size / 1e6 / figures["check"]
    figures["longest silence of check"] = float(np.max(np.diff(marks)))
    with closing(shop.database.open("rb")) as file:
        figures["reading the same bytes"] = timed(
            lambda: [None for _ in iter(lambda: file.read(2**20), b"")], 1
        )
    return figures


def main() -> None:
    """Write, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    for name, default in (("jobs", 2000), ("sets", 20), ("modes", 12)):
        parser.add_argument(f"--{name}", type=int, default=default)
    parser.add_argument("--keep", type=Path)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as aside:
        folder = asked.keep or Path(aside) / "shop"
        start = time.perf_counter()
        there = (folder / "shop.db").exists()
        shop = Shop(folder) if there else write(folder, asked.jobs, asked.sets, asked.modes)
        print(
            f"{asked.jobs} jobs x {asked.sets} sets x {asked.modes} modes: "
            f"{shop.database.stat().st_size / 1e6:.0f} MB, written in {time.perf_counter() - start:.0f} s"
        )
        for what, figure in measure(shop, asked.jobs).items():
            print(f"{what:34} {figure:8.3f}")


if __name__ == "__main__":
    sys.exit(main())
