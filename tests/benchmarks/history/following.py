"""How often modes are followed rightly through a job, and whether wrong steps are told.

    python tests/benchmarks/history/following.py                 60 jobs a row, a minute or two
    python tests/benchmarks/history/following.py --jobs 1000     full size
    python tests/benchmarks/history/following.py --seeds tuning  the seeds that may be looked at while tuning

Jobs come from crowd.py. Behind each share stands its 95 % interval over jobs (bootstrap).
"""

import argparse
from collections import Counter

import crowd
import numpy as np

from resonance.changes.tracks import track_modes

FIRST_SEED = {"tuning": 0, "final": 500_000}
DOUBTS = ("track_ambiguous", "may_be_split")
ROWS = (
    ("crossing, three places", crowd.crossing_job, {"n_places": 3}),
    ("crossing, three places, clean lists", crowd.crossing_job, {"n_places": 3, "missed": 0, "false": 0}),
    ("crossing, two places", crowd.crossing_job, {"n_places": 2}),
    ("crossing, frequency and Q only", crowd.crossing_job, {"n_places": 0}),
    ("winter return, one place", crowd.winter_job, {}),
    ("winter return, frequency and Q only", crowd.winter_job, {"n_places": 0}),
)  # fmt: skip


def measure(job):
    """Count over one job: readings on their mode's own track, doubts, wrong steps and those told."""
    tracks = track_modes(job.sets, job.adjustments)
    seen = [
        (m.track, name, any(r.code in DOUBTS for r in m.reasons))
        for s, names in zip(tracks.sets, job.names, strict=True)
        for m, name in zip(s.modes, names, strict=True)
    ]
    owner = _owners(seen)
    rows = [(name, owner.get(track) == name, doubt) for track, name, doubt in seen if name >= 0]
    lost = {name for name, right, doubt in rows if not right}
    unsaid = {name for name, right, doubt in rows if not right and not doubt}
    names = {
        (s.id, m.track): name
        for s, row in zip(tracks.sets, job.names, strict=True)
        for m, name in zip(s.modes, row, strict=True)
    }
    steps = [(names[x.before, x.track], names[x.after, x.track], x.ambiguous) for x in tracks.links]
    true = [(one == other, told) for one, other, told in steps if one >= 0 and other >= 0]
    return {
        "readings": (sum(right for _, right, _ in rows), len(rows)),
        "modes, all right": (not lost, 1),
        "modes, right or said to be in doubt": (not unsaid, 1),
        "pair, right": (not lost & set(job.crossing), 1),
        "pair, right or in doubt": (not unsaid & set(job.crossing), 1),
        "right steps told as doubtful": (sum(r and t for r, t in true), sum(r for r, _ in true)),
        "wrong steps told as doubtful": (sum(t for r, t in true if not r), sum(not r for r, _ in true)),
    }


def _owners(seen):
    """Which mode each track is: the one most of its readings without doubt show, each mode on one track."""
    counts = Counter((track, name) for track, name, doubt in seen if name >= 0 and not doubt)
    owner, placed = {}, set()
    for (track, name), _ in counts.most_common():
        if track not in owner and name not in placed:
            owner[track] = name
            placed.add(name)
    return owner


def share(pairs, rng):
    """Share over jobs with its bootstrap interval."""
    counts = np.array(pairs, float)
    if counts[:, 1].sum() == 0:
        return "none"
    draws = rng.integers(0, len(counts), (400, len(counts)))
    sums = counts[draws].sum(axis=1)
    low, high = np.quantile(sums[:, 0] / np.maximum(sums[:, 1], 1), [0.025, 0.975])
    return f"{counts[:, 0].sum() / counts[:, 1].sum():.4f} ({low:.3f} to {high:.3f})"


def main():
    """Measure all rows and print them."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--jobs", type=int, default=60)
    parser.add_argument("--seeds", choices=FIRST_SEED, default="final")
    options = parser.parse_args()
    first = FIRST_SEED[options.seeds]
    for title, make, more in ROWS:
        found = [measure(make(first + k, **more)) for k in range(options.jobs)]
        print(f"{title}, {options.jobs} jobs")
        for name in found[0]:
            if not name.startswith("pair") or title.startswith("crossing"):
                print(f"  {name:40s} {share([each[name] for each in found], np.random.default_rng(1))}")


if __name__ == "__main__":
    main()
