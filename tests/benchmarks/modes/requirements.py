"""What each case must show, and the judgement: PASS, FAIL or UNDECIDED by the bootstrap interval over sets.

PASS when the whole interval lies on the right side of the limit, FAIL when it lies wholly on the wrong side,
UNDECIDED otherwise, and wherever fewer than `FEWEST` sets were measured. Where all sets agree the bootstrap
interval of a share or a count has no width: it is widened by what so many sets can tell (three over their
number, the 95 % bound for a thing never seen).
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from math import inf, isfinite

import figures
from cases import BY_NAME, CASES, MAIN, PAIRS
from figures import Figure
from instruments import BODIES
from peers import METHODS

FEWEST = 20
ONE_PLACE = "room .35 s, 12 dB"
CLEAN = [
    *(f"{db} dB{strings}" for strings in ("", ", strings") for db in (20, 30, 40, 50)),
    *(case.name for case in CASES if case.pair or case.under_a_string),
]
HANDS = ("5 taps", "12 taps", "44.1 kHz", "96 kHz", "drift 0.3 Hz", "drift 1 Hz")
ROOMS = ("room .2 s, 20 dB", ONE_PLACE, "room .5 s, 8 dB")
JOINT = ("room .35 s, 12 dB, two places", "room .35 s, 12 dB, contact too")
FAINT = ("10 dB", "15 dB", "finger, 20 dB")
OTHER = [c.name for c in CASES if c.body != "violin"]
BAD = [c.name for c in CASES if c.bad]


@dataclass(frozen=True)
class Requirement:
    """A figure of a case and the limits it must keep.

    `sample` takes the figure's sets out of the results; None where they were not measured.
    """

    case: str
    figure: Figure
    low: float = -inf
    high: float = inf
    sample: Callable[[dict], list | None] | None = None
    counted: bool = False

    def limit(self):
        """The limit in words."""
        if isfinite(self.low) and isfinite(self.high):
            return f"{self.low:g} to {self.high:g}"
        return f">= {self.low:g}" if isfinite(self.low) else f"<= {self.high:g}"


def names_of(case):
    """Named modes of a case."""
    extra = (["CBR'"] if case.pair else []) + (["under A"] if case.under_a_string else [])
    return [*BODIES[case.body].named, *extra]


def _own(case):
    return lambda results: results["ours"].get(case)


def _joined(results, kinds):
    """Sets of several tables matched by seed, as tuples; None where one is missing."""
    tables = [results[kind].get(case) for kind, case in kinds]
    if any(not table for table in tables):
        return None
    by_seed = [{one["seed"]: one for one in table} for table in tables]
    seeds = sorted(set(by_seed[0]).intersection(*by_seed[1:]))
    return [tuple(table[seed] for table in by_seed) for seed in seeds] or None


def with_best_peer(results, case, figure):
    """Pairs (ours, the best peer's) of a case, the best being the one of the least mean figure."""
    best = None
    for name in METHODS:
        pairs = _joined(results, [("ours", case), (name, case)])
        if pairs:
            mean = figure.of([theirs for _, theirs in pairs])[0]
            best = min(best, (mean, name, pairs), key=lambda t: t[0]) if best else (mean, name, pairs)
    return best[2] if best else None


def requirements():
    """All of them, in the order of the cases."""
    out = []
    for case in CLEAN:
        out += _clean(case)
    for case in FAINT:
        out += _covered(case, low=0.93)
    for case in HANDS:
        out += [*_covered(case, high=0.97), *_against_peers(case)]
    for case in ROOMS:
        out += [
            *_covered(case, damping=False),
            Requirement(case, figures.width_over_need(names_of(BY_NAME[case])), high=1.5, sample=_own(case)),
            Requirement(case, figures.said("room_heard"), low=0.95, sample=_own(case), counted=True),
        ]
    for case in JOINT:
        out += [
            Requirement(
                case,
                figures.error_over(names_of(BY_NAME[case])),
                high=0.5,
                sample=partial(_joined, kinds=[("ours", case), ("ours", ONE_PLACE)]),
            ),
            *_covered(case, damping=False),
        ]
    for case in OTHER:
        out += _clean(case, most=1.5, false=False)
        out += [
            Requirement(
                case,
                figures.coverage("damping_error", "damping_half", "damping"),
                low=0.93,
                sample=_own(case),
            )
        ]
    for case in BAD:
        out += _covered(case)
    return out + _shifts()


def _clean(case, *, most=1.25, false=True):
    rows = []
    for name in names_of(BY_NAME[case]):
        rows.append(Requirement(case, figures.found(name), low=0.99, sample=_own(case), counted=True))
        rows.append(Requirement(case, figures.ratio(name), high=most, sample=_own(case)))
    return rows + (
        [Requirement(case, figures.false_modes(), high=0.2, sample=_own(case), counted=True)] if false else []
    )


def _covered(case, *, low=0.93, high=inf, damping=True):
    rows = [Requirement(case, figures.coverage(), low=low, high=high, sample=_own(case))]
    if damping:
        figure = figures.coverage("damping_error", "damping_half", "damping")
        rows.append(Requirement(case, figure, low=low, high=high, sample=_own(case)))
    return rows


def _against_peers(case):
    rows = []
    for key, half, what in (
        ("error", "half", "f score less best peer's"),
        ("damping_error", "damping_half", "damping score less best peer's"),
    ):
        sample = partial(with_best_peer, case=case, figure=figures.score(key, half))
        rows.append(Requirement(case, figures.score_less(key, half, what), high=0.0, sample=sample))
    return rows


def _shifts():
    """Requirements of the pairs of sets."""
    still, same, other, small, drifting, still_drifting, *faint = (pair.name for pair in PAIRS)
    moved, rows = figures.verdicts(MAIN, ("moved",)), []
    for name in MAIN:
        rows.append(Requirement(same, figures.rms(name), high=0.5, sample=_pairs(same)))
        rows.append(Requirement(same, figures.rms_over_plain(name), high=1.0, sample=_pairs(same)))
    rows += [
        Requirement(case, moved, high=0.06, sample=_pairs(case), counted=True)
        for case in (still, same, other, still_drifting)
    ]
    rows += [
        Requirement(case, moved, low=0.95, sample=_pairs(case), counted=True) for case in (small, drifting)
    ]
    false = figures.verdicts(("A0", *MAIN), figures.CLAIMS)
    return rows + [Requirement(case, false, high=0.06, sample=_pairs(case), counted=True) for case in faint]


def _pairs(case):
    return lambda results: results["shifts"].get(case)


def judge(requirement, results):
    """(value, interval, verdict) of a requirement; None where nothing was measured."""
    sets = requirement.sample(results)
    if not sets:
        return None
    value, (low, high) = requirement.figure.of(sets)
    if len(sets) < FEWEST or not (isfinite(value) and isfinite(low)):
        return value, (low, high), "UNDECIDED"
    if requirement.counted and low == high:
        low, high = max(low - 3.0 / len(sets), 0.0), high + 3.0 / len(sets)
    if low >= requirement.low and high <= requirement.high:
        return value, (low, high), "PASS"
    if high < requirement.low or low > requirement.high:
        return value, (low, high), "FAIL"
    return value, (low, high), "UNDECIDED"


def judgement_table(results):
    """Markdown: one line a requirement, and the count of verdicts."""
    lines = ["| case | figure | must be | sets | is (95 %) | verdict |", "|---|---|---|---|---|---|"]
    counts = dict.fromkeys(("PASS", "FAIL", "UNDECIDED", "not measured"), 0)
    for requirement in requirements():
        judged = judge(requirement, results)
        if judged is None:
            counts["not measured"] += 1
            continue
        value, (low, high), verdict = judged
        counts[verdict] += 1
        d = requirement.figure.digits
        lines.append(
            f"| {requirement.case} | {requirement.figure.name} | {requirement.limit()} | "
            f"{len(requirement.sample(results))} | {value:.{d}f} ({low:.{d}f}-{high:.{d}f}) | {verdict} |"
        )
    summary = ", ".join(f"{count} {verdict}" for verdict, count in counts.items())
    return "\n".join([*lines, "", summary])
