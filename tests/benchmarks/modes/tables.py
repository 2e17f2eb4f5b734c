"""The tables of figures: single sets, ours and the peers' side by side, and pairs of sets."""

import figures
from cases import MAIN, PAIRS
from figures import written
from peers import METHODS
from requirements import names_of


def main_table(cases, results):
    """Markdown: for each case a line of ours and one of every peer measured."""
    head = (
        "case", "by", "sets", "found %", "RMS / bound", "RMS Hz", "f covered", "taps alone",
        "damping covered", "f score Hz", "damping score", "width / need", "false a set", "s a set", "failed",
    )  # fmt: skip
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    for case in cases:
        for who in ("ours", *METHODS):
            sets = results[who].get(case.name)
            if sets:
                lines.append("| " + " | ".join(_cells(case, who, sets)) + " |")
    return "\n".join(lines)


def _cells(case, who, sets):
    names = names_of(case)
    return [
        case.name,
        who,
        str(len(sets)),
        "/".join(f"{100 * figures.found(name).of(sets)[0]:.0f}" for name in names),
        ", ".join(f"{name} {written(figures.ratio(name), sets)}" for name in names),
        "/".join(f"{figures.rms(name).of(sets)[0]:.3g}" for name in names),
        written(figures.coverage(), sets),
        written(figures.taps_coverage(), sets) if who == "ours" else "",
        written(figures.coverage("damping_error", "damping_half"), sets),
        written(figures.score(), sets),
        written(figures.score("damping_error", "damping_half"), sets),
        written(figures.width_over_need(names), sets),
        written(figures.false_modes(), sets),
        f"{figures.seconds().of(sets)[0]:.2f}",
        str(sum(bool(s.get("failed") or s.get("refused")) for s in sets)),
    ]


def shift_table(results):
    """Markdown: one line a kind of pair."""
    head = (
        "pair", "sets", "RMS of the shift's error Hz", "peaks: RMS Hz", "moved (CBR, B1-, B1+)",
        "peaks: moved", "other false verdicts on them", "not reached / ambiguous",
        "false claims a comparison", "s",
    )  # fmt: skip
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    for pair in PAIRS:
        sets = results["shifts"].get(pair.name)
        if not sets:
            continue
        cells = [
            pair.name,
            str(len(sets)),
            ", ".join(f"{name} {written(figures.rms(name), sets)}" for name in MAIN),
            ", ".join(f"{name} {written(figures.rms(name, 'plain_error'), sets)}" for name in MAIN),
            written(figures.verdicts(MAIN, ("moved",)), sets),
            written(figures.plain_moved(MAIN), sets),
            written(figures.verdicts(MAIN, ("appeared", "not found")), sets),
            written(figures.verdicts(MAIN, ("not reached", "ambiguous")), sets),
            written(figures.false_claims(), sets),
            f"{figures.seconds().of(sets)[0]:.2f}",
        ]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)
