"""An open seam between two tap sets: are the checks named first, and never without one?

    python tests/benchmarks/history/seam.py            300 jobs a row, a few minutes
    python tests/benchmarks/history/seam.py --jobs 1000

A seam that opens lets some modes fall, 15 to 80 cents, and broadens them by 15 to 70 %; the others stay. Rows
without a seam: nothing done, an adjustment that moves some modes either way, work that lets four of ten fall,
and a damper week (all modes fall by 10 to 40 cents together; that row has no limit, since such a fall is a
reason to look at the seams too).
"""

import argparse
import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from dataclasses import replace  # noqa: E402

import numpy as np  # noqa: E402
from jobs import FREQUENCIES, Case, _read, _shop  # noqa: E402

from resonance.changes.compare import compare  # noqa: E402
from resonance.sets.tapset import Climate  # noqa: E402

N = len(FREQUENCIES)
ROWS = ("open seam", "nothing", "adjustment", "some fall", "damper week")
LEAST, MOST = {"open seam": 0.9}, {"nothing": 0.02, "adjustment": 0.02, "some fall": 0.02}


def change(row, rng):
    """Shift in cents and factor of the damping, of every mode."""
    shift, damping = np.zeros(N), np.ones(N)
    if row == "open seam":
        hit = rng.choice(N, int(rng.integers(5, 10)), replace=False)
        shift[hit] = -rng.uniform(15.0, 80.0, hit.size)
        damping[hit] = rng.uniform(1.15, 1.7, hit.size)
    elif row == "adjustment":
        shift = np.where(
            rng.uniform(size=N) < 0.5, rng.choice([-1.0, 1.0], N) * rng.uniform(5.0, 40.0, N), 0.0
        )
    elif row == "some fall":
        hit = rng.choice(N, 4, replace=False)
        shift[hit] = -rng.uniform(10.0, 30.0, 4)
    elif row == "damper week":
        shift = -rng.uniform(10.0, 40.0) * rng.uniform(0.7, 1.3, N)
    return shift, damping


def named_first(row, seed):
    """Whether the checks stand first among the reasons of the comparison."""
    rng = np.random.default_rng([ROWS.index(row), seed])
    case = Case(row, n_modes=N)
    scatter = rng.uniform(2.0, 5.0)
    yardstick = _shop(case, scatter, scatter, rng)
    shift, factor = change(row, rng)
    base = np.array(FREQUENCIES) * rng.uniform(0.97, 1.03)
    zeta = rng.uniform(0.008, 0.016, N)
    sets = []
    for name, moved, broader in (("set1", 0.0, 1.0), ("set2", shift, factor)):
        frequencies = base * 2.0 ** ((moved + scatter * rng.standard_normal(N)) / 1200.0)
        read = _read(name, len(sets), frequencies, Climate(20.0, 50.0), (), case, rng)
        damping = zeta * broader * np.exp(0.1 * rng.standard_normal(N))
        modes = [
            replace(m, damping=float(d), damping_u=0.04 * float(d), damping_dof=7.0, track=None)
            for m, d in zip(read.modes, damping, strict=True)
        ]
        sets.append(replace(read, modes=tuple(modes)))
    reasons = compare(*sets, repeatability=yardstick).reasons
    return bool(reasons) and reasons[0].code == "checks_first"


def main():
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--jobs", type=int, default=300)
    parser.add_argument("--first-seed", type=int, default=1_000_000)
    args = parser.parse_args()
    print("| row | checks named first | ± | limit |\n|---|---|---|---|")
    for row in ROWS:
        seen = [named_first(row, args.first_seed + k) for k in range(args.jobs)]
        half = 1.96 * np.std(seen) / np.sqrt(len(seen))
        limit = f"at least {LEAST[row]}" if row in LEAST else f"at most {MOST[row]}" if row in MOST else ""
        print(f"| {row} ({len(seen)}) | {np.mean(seen):.3f} | {half:.3f} | {limit} |", flush=True)


if __name__ == "__main__":
    main()
