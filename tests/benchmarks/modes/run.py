"""How near the modes come to the bound, and whether their intervals hold.

    python tests/benchmarks/modes/run.py                        a few sets a case, minutes
    python tests/benchmarks/modes/run.py --size full            300 sets a case, several hours on two cores
    python tests/benchmarks/modes/run.py --case "30 dB" --sets 20
    python tests/benchmarks/modes/run.py --seeds tuning         the seeds that may be looked at while tuning

Writes table.md and results.json into --out. The bound is stated in bound.py, the cases in `CASES`. A mode
not found counts as an error of 2 Hz. Behind each figure stands its 95 % bootstrap interval over sets; nothing
is passed or failed here. Only this estimator is measured.
"""

import argparse
import json
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import bound  # noqa: E402
import numpy as np  # noqa: E402
import scene  # noqa: E402
import scipy  # noqa: E402
from scene import Case  # noqa: E402

from resonance.modes.estimate import find_modes  # noqa: E402
from resonance.modes.intervals import damping_half_width, frequency_half_width  # noqa: E402

MISS = 2.0  # Hz
BAND = (60.0, 1200.0)
FIRST_SEED = {"tuning": 0, "final": 100_000}
SETS = {"quick": 8, "full": 300}

CASES = (
    *(Case(f"{db} dB", snr_db=db) for db in (20.0, 30.0, 40.0, 50.0)),
    *(Case(f"{db} dB, strings", snr_db=db, strings=True) for db in (20.0, 30.0, 40.0, 50.0)),
    Case("pair 395/415", pair=(395.0, 415.0)),
    Case("pair 400/410", pair=(400.0, 410.0)),
    Case("440 Hz under the A string", strings=True, under_a_string=True),
    Case("10 dB", snr_db=10.0, found=True),
    Case("15 dB", snr_db=15.0, found=True),
    Case("finger, 20 dB", snr_db=20.0, width=(0.002, 0.004), found=True),
    Case("5 taps", n_taps=5),
    Case("12 taps", n_taps=12),
    Case("44.1 kHz", rate=44100.0),
    Case("96 kHz", rate=96000.0),
    Case("drift 0.3 Hz", drift=0.3),
    Case("drift 1 Hz", drift=1.0),
    Case("room .2 s, 20 dB", room=(0.2, 20.0)),
    Case("room .35 s, 12 dB", room=(0.35, 12.0)),
    Case("room .5 s, 8 dB", room=(0.5, 8.0)),
    Case("room .35 s, 12 dB, two places", room=(0.35, 12.0), places=2),
    Case("microphone and contact", contact=True),
    Case("double hit left in", bad="double"),
    Case("clipped by 6 dB", bad="clipped"),
    Case("handling noise", bad="handling"),
)


def measure(job):
    """One set of one case: errors, intervals, false modes, time."""
    case, seed = job
    made = scene.make(case, seed)
    bounds = bound.frequency_bounds(made, list(made.named.values()))
    start = time.process_time()
    result = find_modes(made.takes, made.taps, band=BAND, open_strings=scene.OPEN_STRINGS)
    seconds = time.process_time() - start
    body = [m for m in result.modes if m.kind in ("body", "air")]
    rows = []
    for i in range(made.n_body):
        if BAND[0] < made.frequency[i] < BAND[1]:
            rows.append(_row(made, i, body))
    named = {name: rows[_position(made, i)] for name, i in made.named.items()}
    for (name, _), b in zip(made.named.items(), bounds, strict=True):
        named[name] = {**named[name], "bound": float(b)}
    return {
        "case": case.name,
        "seed": seed,
        "named": named,
        "all": rows,
        "false": _false(made, body),
        "refused": not result.modes,
        "seconds": seconds,
        "reasons": [reason.code for reason in result.reasons],
    }


def _position(made, i):
    """Row of mode i among those within the band."""
    return i - int(np.sum(made.frequency[:i] <= BAND[0]))


def _row(made, i, body):
    """The reading of one true mode: error, intervals' hits and widths, of frequency and damping."""
    true, damping = float(made.frequency[i]), float(made.damping[i])
    near = [m for m in body if abs(m.frequency - true) < max(1.0, damping * true)]
    if not near:
        return {"error": None}
    mode = min(near, key=lambda m: abs(m.frequency - true))
    half = _quantile(mode.frequency_dof) * mode.frequency_u
    whole = frequency_half_width(mode)
    half_d = damping_half_width(mode)
    return {
        "error": mode.frequency - true,
        "half": half,
        "whole": whole,
        "damping_error": (mode.damping - damping) / damping,
        "damping_half": half_d / damping,
        "u": mode.frequency_u,
        "model_u": mode.model_u,
        "dof": mode.frequency_dof,
        "damping_u": mode.damping_u / damping,
        "damping_model_u": mode.damping_model_u / damping,
        "limited_by": mode.limited_by,
    }


def _quantile(dof):
    return float(scipy.stats.t.ppf(0.975, dof)) if dof == dof else 1.96


def _false(made, body):
    """Body modes that are near no true mode."""
    return sum(
        bool(
            np.min(np.abs(made.frequency - m.frequency) / np.maximum(made.damping * made.frequency, 1.5))
            > 1.0
        )
        for m in body
    )


def bootstrap(values, statistic, n=400):
    """95 % interval of a statistic over sets."""
    rng = np.random.default_rng(7)
    k = len(values)
    drawn = [statistic([values[j] for j in rng.integers(0, k, k)]) for _ in range(n)]
    return tuple(float(q) for q in np.nanquantile(drawn, (0.025, 0.975)))


def ratio_of(name):
    """RMS error over RMS bound of a named mode."""

    def statistic(sets):
        rows = [s["named"][name] for s in sets]
        errors = [MISS if r["error"] is None else min(abs(r["error"]), MISS) for r in rows]
        return float(np.sqrt(np.mean(np.square(errors)) / np.mean([r["bound"] ** 2 for r in rows])))

    return statistic


def coverage_of(error, half):
    """Share of all modes found whose interval holds the truth."""

    def statistic(sets):
        rows = [r for s in sets for r in s["all"] if r["error"] is not None and np.isfinite(r[error])]
        return float(np.mean([abs(r[error]) <= r[half] for r in rows])) if rows else float("nan")

    return statistic


def score_of(error, half):
    """Mean interval score (Gneiting and Raftery 2007, eq. 43), 95 %, named modes."""

    def statistic(sets):
        rows = [
            r for s in sets for r in s["named"].values() if r["error"] is not None and np.isfinite(r[error])
        ]
        return (
            float(np.mean([2 * r[half] + 40.0 * max(abs(r[error]) - r[half], 0.0) for r in rows]))
            if rows
            else float("nan")
        )

    return statistic


def found_of(name):
    """Share of sets in which a named mode is found."""
    return lambda sets: float(np.mean([s["named"][name]["error"] is not None for s in sets]))


def false_of(sets):
    """False modes a set."""
    return float(np.mean([s["false"] for s in sets]))


def table(results):
    """Markdown table, one line a case."""
    head = (
        "case", "sets", "found %", "RMS / bound", "f covered", "f with model", "damping covered",
        "f score Hz", "false a set", "s a set",
    )  # fmt: skip
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    for case in dict.fromkeys(r["case"] for r in results):
        sets = [r for r in results if r["case"] == case]
        names = list(sets[0]["named"])
        ratios = []
        for name in names:
            low, high = bootstrap(sets, ratio_of(name))
            ratios.append(f"{name} {ratio_of(name)(sets):.2f} ({low:.2f}-{high:.2f})")
        cells = [
            case,
            str(len(sets)),
            "/".join(f"{100 * found_of(name)(sets):.0f}" for name in names),
            ", ".join(ratios),
            *(
                f"{coverage_of(e, h)(sets):.3f} ({lo:.3f}-{hi:.3f})"
                for e, h in (("error", "half"), ("error", "whole"), ("damping_error", "damping_half"))
                for lo, hi in [bootstrap(sets, coverage_of(e, h))]
            ),
            f"{score_of('error', 'whole')(sets):.3f}",
            f"{false_of(sets):.2f}",
            f"{np.median([s['seconds'] for s in sets]):.2f}",
        ]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def main():
    """Measure the cases asked for and write the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--size", choices=SETS, default="quick")
    parser.add_argument("--sets", type=int, help="sets a case, in place of the size's")
    parser.add_argument("--case", action="append", help="only cases whose name contains this")
    parser.add_argument("--seeds", choices=FIRST_SEED, default="final")
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    parser.add_argument("--out", type=Path, default=Path("benchmark-modes"))
    options = parser.parse_args()
    count = options.sets or SETS[options.size]
    cases = [c for c in CASES if not options.case or any(part in c.name for part in options.case)]
    first = FIRST_SEED[options.seeds]
    jobs = [(case, first + i) for case in cases for i in range(count)]
    results = []
    with ProcessPoolExecutor(options.workers) as pool:
        for done, result in enumerate(pool.map(measure, jobs), start=1):
            results.append(result)
            print(f"\r{done} of {len(jobs)}  {result['case']:40}", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    options.out.mkdir(parents=True, exist_ok=True)
    (options.out / "results.json").write_text(json.dumps(results), encoding="utf-8")
    text = table(results)
    (options.out / "table.md").write_text(text + "\n", encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
