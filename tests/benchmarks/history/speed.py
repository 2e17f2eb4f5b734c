"""Processor time of one fit: ten modes, twenty tap sets; ten modes, two hundred (a school's test instrument).

python tests/benchmarks/history/speed.py
"""

import os
import time

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from jobs import Case, make  # noqa: E402

from resonance.changes.history import fit_history  # noqa: E402

CASES = (
    (Case("20 sets", n_sets=(20,), n_modes=10), 0.3),
    (Case("200 sets", n_sets=(200,), n_modes=10, pace=(0.2, 0.4)), 5.0),
)


def main():
    for case, limit in CASES:
        job = make(case, 1)
        spent = []
        for _ in range(5):
            start = time.process_time()
            fit_history(job.sets, job.adjustments, repeatability=job.yardstick)
            spent.append(time.process_time() - start)
        print(f"{case.name}, {len(job.adjustments)} adjustments: {min(spent):.2f} s (limit {limit} s)")


if __name__ == "__main__":
    main()
