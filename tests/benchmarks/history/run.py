"""Whether steps, verdicts and dates of a history hold, beside four other ways to the same steps.

    python tests/benchmarks/history/run.py                       25 jobs a row, some minutes
    python tests/benchmarks/history/run.py --size full           1000 jobs a row, hours; run it again to go on
    python tests/benchmarks/history/run.py --row "power" --jobs 50
    python tests/benchmarks/history/run.py --seeds tuning        the seeds that may be looked at while tuning

Every job is one line of --out/SEEDS/ROW.jsonl, so that a run goes on where it was broken off; table.md is
made from all lines. A figure is the mean over jobs with its 95 % interval (normal, jobs as clusters). PASS:
the figure is on the right side of the limit; FAIL: its whole interval lies beyond; open: neither.
"""

import argparse
import json
import os
import sys
import time
import zlib
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np  # noqa: E402
from jobs import DRIFTS, Case, make  # noqa: E402
from peers import PEERS  # noqa: E402

from resonance.changes.history import fit_history  # noqa: E402

FIRST_SEED = {"tuning": 0, "final": 1_000_000}
JOBS = {"quick": 25, "full": 1000}
STEP_ROWS = [
    Case(
        f"{drift}, {'' if bracketed else 'not '}bracketed, humidity {'' if noted else 'not '}noted",
        drift=drift,
        bracketed=bracketed,
        noted=noted,
    )
    for drift in DRIFTS
    for bracketed in (True, False)
    for noted in (True, False)
]
POWER = {
    "n_sets": (8,), "pace": (0.8, 1.6), "scatter": (3.0, 3.0), "slackened_factor": (1.0, 1.0),
    "step": (15.0, 15.0), "measure": "power",
}  # fmt: skip
WINTER = {"n_sets": (10,), "winter": True, "moved_share": 0.0, "steps": 1, "measure": "winter"}
STILL = {"n_sets": (20,), "drift": "none", "span_days": 60.0, "measure": "settled"}
OTHER_ROWS = [
    Case("nothing learned", learned=0),
    Case("nothing learned, no slackening accident", learned=0, slackened_factor=(1.0, 1.0)),
    Case("large settling", settling=(30.0, 50.0), measure="false"),
    Case("scatter 8 cents", scatter=(8.0, 8.0), measure="false"),
    Case("scatter 8 cents, nothing learned", scatter=(8.0, 8.0), learned=0, measure="false"),
    Case("heavy tails", heavy=True, measure="false"),
    Case("nothing moved", moved_share=0.0, measure="false"),
    Case("three of ten moved", n_modes=10, moved_share=0.3, measure="discovery"),
    Case("power", known=True, **POWER),
    Case("power, two sets each side", known=True, each_side=2, **POWER),
    Case("power, three sets each side", known=True, each_side=3, **POWER),
    Case("power, five repeats in the shop", **POWER),
    Case("power, two repeats in the shop", learned=2, **POWER),
    Case("power, twelve repeats in the shop", learned=12, **POWER),
    Case("winter return, noted", **WINTER),
    Case("winter return, humidity not noted", noted=False, **WINTER),
    Case("winter return, not bracketed, noted", bracketed=False, **WINTER),
    Case("winter return, not bracketed, humidity not noted", bracketed=False, noted=False, **WINTER),
    Case(
        "drifting 7 to 12 a week", n_sets=(8, 11, 14, 20), drift="linear", rate=(7.0, 12.0), measure="settled"
    ),
    Case("still, 20 sets in 60 days", humidity=False, bracketed=False, steps=0, **STILL),
    Case("still, wood follows the weather", bracketed=False, steps=0, **STILL),
    Case("still, two adjustments", humidity=False, steps=2, moved_share=0.0, **STILL),
    Case("date, two exponentials", n_sets=(11, 14, 20), measure="date"),
    Case("date, log", n_sets=(11, 14, 20), drift="log", measure="date"),
    Case("A0 and 5 K of air", air=5.0, moved_share=0.0, measure="air"),
]
ROWS = STEP_ROWS + OTHER_ROWS


def measure(case, seed, peers=True):
    """One job: every step by every method, every mode's settling."""
    job = make(case, [zlib.crc32(case.name.encode()), seed])
    start = time.process_time()
    histories = {h.track: h for h in fit_history(job.sets, job.adjustments, repeatability=job.yardstick)}
    seconds = time.process_time() - start
    steps = []
    for m in range(case.n_modes):
        own = histories[f"m{m}"]
        others = (
            {name: method(job, m) for name, method in PEERS.items()}
            if peers and case.measure == "steps"
            else {}
        )
        for k, step in enumerate(own.steps):
            row = {
                "mode": m, "true": float(job.steps[k, m]), "step": step.cents, "low": step.interval_cents[0],
                "high": step.interval_cents[1], "verdict": step.verdict,
                "assumed": any(r.code == "repeatability_assumed" for r in step.reasons),
            }  # fmt: skip
            row["peers"] = {name: found[k] for name, found in others.items() if found is not None}
            steps.append(row)
    modes = []
    for m in range(case.n_modes):
        own = histories[f"m{m}"]
        day = None
        if own.settled_by is not None:
            day = (own.settled_by - own.taken[0]).total_seconds() / 86400.0
        true_day = job.settled_day[4.0][m] if job.settled_day else None
        modes.append({
            "settled": own.settled, "rate": own.rate_cents_per_week, "true_rate": job.rate[m], "day": day,
            "true_day": true_day, "four": own.expected_4_weeks, "suspects": len(own.suspect_sets),
        })  # fmt: skip
    return {"seed": seed, "n": len(job.sets), "seconds": seconds, "steps": steps, "modes": modes}


def run(case, path, first, n_jobs, peers):
    """Add the jobs that are missing."""
    done = set()
    if path.exists():
        done = {json.loads(line)["seed"] for line in path.read_text().splitlines()}
    with path.open("a") as out:
        for seed in range(first, first + n_jobs):
            if seed not in done:
                out.write(json.dumps(measure(case, seed, peers), default=float) + "\n")
                out.flush()


def clustered(per_job):
    """Ratio of sums over jobs of (sum, count), and half its 95 % interval, jobs as clusters."""
    total, count = np.array(per_job, float).T
    keep = count > 0
    total, count = total[keep], count[keep]
    if count.size == 0:
        return float("nan"), float("nan")
    mean = total.sum() / count.sum()
    residual = (total - mean * count) / count.mean()
    return mean, 1.96 * residual.std(ddof=1) / np.sqrt(count.size) if count.size > 1 else float("nan")


def score(low, high, true):
    """Interval score at 95 % (Gneiting and Raftery 2007, eq. 43)."""
    return (high - low) + 40.0 * max(low - true, 0.0) + 40.0 * max(true - high, 0.0)


def verdict(value, half, low=None, high=None):
    if np.isnan(value):
        return "–"
    inside = (low is None or value >= low) and (high is None or value <= high)
    beyond = (low is not None and value + half < low) or (high is not None and value - half > high)
    return "FAIL" if beyond else ("PASS" if inside else "open")


def per_job(jobs, value, over="steps", where=lambda row: True):
    out = []
    for job in jobs:
        rows = [value(row) for row in job[over] if where(row) and value(row) is not None]
        out.append((sum(rows), len(rows)))
    return out


def limits_of(case):
    """What each row must reach: figure -> (low, high)."""
    strict = "large" in case.name or "scatter 8" in case.name or "heavy" in case.name
    limits = {"false moved": (None, 0.09 if strict else 0.06)}
    if case.measure == "steps":
        limits["coverage"] = (0.93, 0.98)
    if case.name.startswith("power") and case.known:
        limits |= {"seen (15 cents and more)": (0.8, None), "width, cents": (None, 14.0)}
    if case.measure == "winter":
        limits["false moved"] = (None, 0.05)
    if case.measure == "discovery":
        limits["false discovery"] = (None, 0.10)
    if case.measure == "air":
        limits["A0 called moved"] = (None, 0.05)
    if "drifting" in case.name:
        limits["called settled"] = (None, 0.01)
    if case.name == "still, 20 sets in 60 days":
        limits["called settled"] = (0.9, None)
    limits["true date not later"] = (0.93, None)
    return limits


def covers(row):
    return float(row["low"] <= row["true"] <= row["high"])


def moved(row):
    return float(row["verdict"] == "moved")


def figures_of(case, jobs):
    """The figures of one row: name -> (sum, count) of every job."""
    figures = {}
    if case.measure not in ("settled", "date"):
        figures["coverage"] = per_job(jobs, covers)
        figures["width, cents"] = per_job(jobs, lambda r: r["high"] - r["low"])
        figures["false moved"] = per_job(jobs, moved, where=lambda r: r["true"] == 0.0)
        figures["seen (15 cents and more)"] = per_job(jobs, moved, where=lambda r: abs(r["true"]) >= 15.0)
    if case.measure == "steps":
        figures |= peer_figures(jobs)
    if case.measure == "discovery":
        figures["false discovery"] = [pair for job in jobs for pair in false_shares(case, job)]
    if case.measure == "air":
        figures["A0 called moved"] = per_job(jobs, moved, where=lambda r: r["mode"] == 0)
    if case.measure in ("date", "settled"):
        figures |= settled_figures(jobs)
    figures["modes with a suspect set"] = per_job(jobs, lambda r: float(r["suspects"] > 0), "modes")
    figures["seconds"] = [(job["seconds"], 1) for job in jobs]
    return figures


def peer_figures(jobs):
    figures = {"interval score": per_job(jobs, lambda r: score(r["low"], r["high"], r["true"]))}
    for name in PEERS:

        def difference(r, name=name):
            if name not in r["peers"]:
                return None
            return score(r["low"], r["high"], r["true"]) - score(*r["peers"][name][1:], r["true"])

        def theirs(r, name=name):
            if name not in r["peers"]:
                return None
            return float(r["peers"][name][1] <= r["true"] <= r["peers"][name][2])

        figures[f"score less that of {name}"] = per_job(jobs, difference)
        figures[f"coverage of {name}"] = per_job(jobs, theirs)
    return figures


def false_shares(case, job):
    """Share of false calls among the calls, adjustment by adjustment."""
    count = len(job["steps"]) // case.n_modes
    for k in range(count):
        called = [r for r in job["steps"][k::count] if r["verdict"] == "moved"]
        yield sum(r["true"] == 0.0 for r in called) / max(1, len(called)), 1


def settled_figures(jobs):
    def right(r):
        return None if r["day"] is None or r["true_day"] is None else float(r["true_day"] <= r["day"] + 1e-6)

    def rate(r):
        return (
            None
            if r["true_rate"] != r["true_rate"]
            else float(r["rate"][0] <= r["true_rate"] <= r["rate"][2])
        )

    return {
        "called settled": per_job(jobs, lambda r: float(r["settled"] == "settled"), "modes"),
        "called not yet": per_job(jobs, lambda r: float(r["settled"] == "not yet"), "modes"),
        "date given": per_job(jobs, lambda r: float(r["day"] is not None), "modes"),
        "true date not later": per_job(jobs, right, "modes"),
        "date given and too early": per_job(jobs, lambda r: float(right(r) == 0.0), "modes"),
        "coverage of the rate": per_job(jobs, rate, "modes"),
    }


def lines_of(case, jobs):
    """The table's lines for one row: (row, figure, value, half width, limit, verdict, number of jobs)."""
    limits = limits_of(case)
    for what, pairs in figures_of(case, jobs).items():
        low, high = (None, 0.0) if what.startswith("score less") else limits.get(what, (None, None))
        value, half = clustered(pairs)
        shown = " to ".join(f"{x:g}" for x in (low, high) if x is not None)
        yield case.name, what, value, half, shown, verdict(value, half, low, high), len(jobs)


def table(out, rows):
    lines = ["| row | figure | value | ± | limit | |", "|---|---|---|---|---|---|"]
    for case in rows:
        path = out / f"{slug(case)}.jsonl"
        if not path.exists():
            continue
        jobs = [json.loads(line) for line in path.read_text().splitlines()]
        for name, what, value, half, limit, result, n in lines_of(case, jobs):
            lines.append(
                f"| {name} ({n}) | {what} | {value:.3f} | {half:.3f} | {limit} | {result if limit else ''} |"
            )
    text = "\n".join(lines) + "\n"
    (out / "table.md").write_text(text)
    return text


def slug(case):
    return case.name.replace(" ", "_").replace(",", "")


def main():
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--size", choices=JOBS, default="quick")
    parser.add_argument("--seeds", choices=FIRST_SEED, default="final")
    parser.add_argument("--jobs", type=int)
    parser.add_argument("--row", action="append", help="only rows whose name holds this")
    parser.add_argument("--no-peers", action="store_true")
    parser.add_argument("--out", type=Path, default=Path("benchmark_history"))
    args = parser.parse_args()
    out = args.out / args.seeds
    out.mkdir(parents=True, exist_ok=True)
    rows = [case for case in ROWS if not args.row or any(part in case.name for part in args.row)]
    for case in rows:
        run(
            case,
            out / f"{slug(case)}.jsonl",
            FIRST_SEED[args.seeds],
            args.jobs or JOBS[args.size],
            not args.no_peers,
        )
        print(case.name, file=sys.stderr)
    print(table(out, rows))


if __name__ == "__main__":
    main()
