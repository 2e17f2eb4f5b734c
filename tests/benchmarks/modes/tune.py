"""Tune a peer on the tuning seeds: every setting tried, on the same sets, best first.

    python tests/benchmarks/modes/tune.py "vector fitting" --sets 4

The figure is the mean over cases of the named modes' RMS error, in Hz, a miss counting 2 Hz, and 0.05 Hz for
every false mode a set; beside it the share found and the false modes. The best goes into `peers.CHOSEN`, what
was tried into its docstring.
"""

import argparse
import os
from itertools import product

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np  # noqa: E402
import peers  # noqa: E402
import scene  # noqa: E402
from cases import BY_NAME, FIRST_SEED, MISS  # noqa: E402
from measure import false_modes, row  # noqa: E402

ON = ("20 dB", "30 dB", "40 dB", "30 dB, strings")
FALSE = 0.05  # Hz that a false mode a set costs
GRIDS = {
    "FFT peaks": {"window": (0.0, 2.0, 4.0), "prominence_db": (1.0, 3.0, 6.0), "floor_db": (-36.0, -24.0)},
    "LSCF": {
        "window": (0.0, 3.0, 5.0),
        "order": (45, 60, 90, 120, 150),
        "nearness": (0.002, 0.005),
        "damping_nearness": (0.1, 0.2),
        "seen": (0.3, 0.5),
    },
    "SSI-cov": {
        "options": ({"channels": True}, {"channels": True, "one_reference": True}, {}),
        "window": (0.0, 3.0),
        "rows": (60, 100, 140, 180),
        "order": (40, 60, 80),
        "nearness": (0.005,),
        "damping_nearness": (0.2,),
        "seen": (0.3,),
    },
    "vector fitting": {
        "window": (0.0, 2.0, 4.0),
        "order": (30, 40, 50, 60, 75),
        "weighting": ("none", "root"),
    },
}


def judge(name, settings, made):
    """(figure, share found, false modes a set) of one setting."""
    errors, false = {}, []
    for case, sets in made.items():
        for one in sets:
            readings, _ = peers.read(name, one, settings)
            false.append(false_modes(one, readings))
            for i in one.named.values():
                error = row(one, i, readings)["error"]
                errors.setdefault(case, []).append(MISS if error is None else min(abs(error), MISS))
    rms = np.mean([np.sqrt(np.mean(np.square(e))) for e in errors.values()])
    flat = [e for each in errors.values() for e in each]
    return (
        float(rms + FALSE * np.mean(false)),
        float(np.mean([e < MISS for e in flat])),
        float(np.mean(false)),
    )


def main():
    """Try the grid of one peer."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("peer", choices=GRIDS)
    parser.add_argument("--sets", type=int, default=4)
    parser.add_argument("--only", action="append", default=[], help="keep one value: NAME=VALUE")
    options = parser.parse_args()
    seeds = range(FIRST_SEED["tuning"], FIRST_SEED["tuning"] + options.sets)
    made = {name: [scene.make(BY_NAME[name], seed) for seed in seeds] for name in ON}
    grid = dict(GRIDS[options.peer])
    for name, value in (pair.split("=") for pair in options.only):
        grid[name] = tuple(v for v in grid[name] if str(v) == value)
    tried = []
    for values in product(*grid.values()):
        chosen = dict(zip(grid, values, strict=True))
        figures = judge(options.peer, peers.Settings(**chosen), made)
        tried.append((figures, chosen))
        print(f"{figures[0]:.3f} Hz  found {figures[1]:.2f}  false {figures[2]:.1f}  {chosen}", flush=True)
    print("best:")
    for figures, chosen in sorted(tried, key=lambda t: t[0][0])[:5]:
        print(f"{figures[0]:.3f} Hz  found {figures[1]:.2f}  false {figures[2]:.1f}  {chosen}")


if __name__ == "__main__":
    main()
