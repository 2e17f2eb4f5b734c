"""How near the modes come to the bound, whether their intervals hold, and how the usual methods do beside it.

    python tests/benchmarks/modes/run.py                        a few sets a case, minutes
    python tests/benchmarks/modes/run.py --peers                the same with the peers beside it
    nohup python tests/benchmarks/modes/run.py --size full --peers &      300 sets a case, many hours
    python tests/benchmarks/modes/run.py --case "30 dB" --sets 20
    python tests/benchmarks/modes/run.py --pairs "no shift"     only comparisons of two sets
    python tests/benchmarks/modes/run.py --seeds tuning         the seeds that may be looked at while tuning
    python tests/benchmarks/modes/run.py --table                only the tables of what is there

Every set measured is a line of results.jsonl in --out, with a digest of the code it hangs on. A run goes on
where the last one stopped: what is there with the present digest is not measured again. Peers hang on less of
the package, so that a change of the estimator keeps them. Writes table.md: figures (figures.py), then
requirements judged by their bootstrap interval (requirements.py). The bound is stated in bound.py, the cases
in cases.py; time and memory are measured by cost.py.
"""

import argparse
import ast
import hashlib
import json
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from cases import CASES, FIRST_SEED, PAIRS, PEER_SETS, SETS, WITHOUT_PEERS  # noqa: E402
from peers import METHODS  # noqa: E402
from requirements import judgement_table  # noqa: E402
from tables import main_table, shift_table  # noqa: E402

HERE = Path(__file__).parent
PACKAGE = HERE.parents[2] / "resonance"
MADE_BY = ("units.py", "errors.py", "reasons.py", "sound", "taps")  # a scene and its taps hang on these
ESTIMATED_BY = (*MADE_BY, "spectra", "modes")
COMPARED_BY = (*ESTIMATED_BY, "sets", "changes")
KINDS = {
    "ours": (ESTIMATED_BY, ("scene.py", "instruments.py", "bound.py", "measure.py")),
    "peers": (MADE_BY, ("scene.py", "instruments.py", "bound.py", "measure.py", "peers.py", "vectorfit.py")),
    "shifts": (COMPARED_BY, ("scene.py", "instruments.py", "measure.py", "shifts.py", "peers.py")),
}


def digest(kind):
    """Digest of the code that a kind of measurement hangs on."""
    rooms, own = KINDS[kind]
    files = [HERE / name for name in own]
    for name in rooms:
        files += sorted((PACKAGE / name).rglob("*.py")) if (PACKAGE / name).is_dir() else [PACKAGE / name]
    total = hashlib.sha256()
    for path in files:
        total.update(f"{path.name}\0{meaning(path.read_text('utf-8'))}\0".encode())
    return total.hexdigest()[:16]


def meaning(source):
    """The code of a module without comments, docstrings and layout, which change no figure."""
    tree = ast.parse(source)
    for node in ast.walk(tree):
        body = getattr(node, "body", None)
        if isinstance(body, list) and body and isinstance(body[0], ast.Expr):
            if isinstance(body[0].value, ast.Constant) and isinstance(body[0].value.value, str):
                body[0].value.value = ""
    return ast.dump(tree)


def key_of(kind, case, seed, code):
    """What makes a measurement the same as another."""
    return hashlib.sha256(f"{kind}|{case!r}|{seed}|{code}".encode()).hexdigest()[:20]


def measure(job):
    """One line of results; runs in a worker."""
    kind, case, seed, key = job
    import measure as single
    import shifts

    does = {"ours": single.ours, "peers": single.others, "shifts": shifts.compared}[kind]
    with open(os.devnull, "w") as quiet:  # the peers write progress bars
        kept, sys.stdout, sys.stderr = (sys.stdout, sys.stderr), quiet, quiet
        try:
            found = does(case, seed)
        finally:
            sys.stdout, sys.stderr = kept
    return {"key": key, "kind": kind, "case": case.name, "seed": seed, "found": found}


def jobs_of(options):
    """All measurements asked for, in the order in which a stopped run is most useful: seed by seed."""
    first = FIRST_SEED[options.seeds]
    counts = {
        "ours": options.sets or SETS[options.size],
        "shifts": options.sets or SETS[options.size],
        "peers": options.peer_sets or min(options.sets or 10**9, PEER_SETS[options.size]),
    }
    whole = not options.case and not options.pairs
    cases = [c for c in CASES if whole or any(part in c.name for part in options.case or ())]
    pairs = [p for p in PAIRS if whole or any(part in p.name for part in options.pairs or ())]
    wanted = [("ours", case) for case in cases] + [("shifts", pair) for pair in pairs]
    if options.peers:
        wanted += [("peers", case) for case in cases if case.name not in WITHOUT_PEERS]
    codes = {kind: digest(kind) for kind in KINDS}
    return [
        (kind, case, first + i, key_of(kind, case, first + i, codes[kind]))
        for i in range(max(counts.values()))
        for kind, case in wanted
        if i < counts[kind]
    ]


def lines_of(path):
    """Measurements in a file, by key; a line cut short by a stop is passed over."""
    found = {}
    if path.exists():
        for line in path.read_text("utf-8").splitlines():
            try:
                one = json.loads(line)
            except json.JSONDecodeError:
                continue
            found[one["key"]] = one
    return found


def run(jobs, path, workers):
    """Measure what is not there yet, a line as each comes."""
    there = lines_of(path)
    left = [job for job in jobs if job[3] not in there]
    print(f"{len(jobs) - len(left)} of {len(jobs)} are there", file=sys.stderr)
    start = time.monotonic()
    with path.open("a", encoding="utf-8") as out, ProcessPoolExecutor(workers) as pool:
        if there:
            out.write("\n")  # ends a line that a stop cut short
        for done, one in enumerate(pool.map(measure, left), start=1):
            out.write(json.dumps(one) + "\n")
            out.flush()
            minutes = (time.monotonic() - start) / done * (len(left) - done) / 60.0
            print(
                f"\r{done} of {len(left)}, {minutes:.0f} min left  {one['kind']} {one['case'][:36]:36}",
                end="", file=sys.stderr, flush=True,
            )  # fmt: skip
    print(file=sys.stderr)


def gathered(jobs, path):
    """Results by method and case: those of `jobs` that are there."""
    there = lines_of(path)
    results = {who: {} for who in ("ours", "shifts", *METHODS)}
    for kind, case, seed, key in jobs:
        if key not in there:
            continue
        found = there[key]["found"]
        for who, one in found.items() if kind == "peers" else ((kind, found),):
            results[who].setdefault(case.name, []).append({**one, "seed": seed})
    return results


def main():
    """Measure the cases asked for and write the tables."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--size", choices=SETS, default="quick")
    parser.add_argument("--sets", type=int, help="sets a case, in place of the size's")
    parser.add_argument("--peers", action="store_true", help="measure the peers too")
    parser.add_argument("--peer-sets", type=int, help="sets a case for the peers, in place of the size's")
    parser.add_argument("--case", action="append", help="only cases whose name contains this")
    parser.add_argument("--pairs", action="append", help="only pairs of sets whose name contains this")
    parser.add_argument("--seeds", choices=FIRST_SEED, default="final")
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    parser.add_argument("--table", action="store_true", help="measure nothing")
    parser.add_argument("--out", type=Path, default=Path("benchmark-modes"))
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    path = options.out / "results.jsonl"
    jobs = jobs_of(options)
    if not options.table:
        run(jobs, path, options.workers)
    results = gathered(jobs, path)
    parts = (main_table(CASES, results), shift_table(results), judgement_table(results))
    text = "\n\n".join(parts)
    (options.out / "table.md").write_text(text + "\n", encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
