"""Figures over the sets of a case, each with its bootstrap interval.

A figure is a function of mean values over sets: `Figure.parts` gives some numbers of one set, `Figure.value`
makes the figure of their means. So a bootstrap is one matrix product.

A mode not found counts as an error of 2 Hz; in an interval score (Gneiting and Raftery 2007, J. Am. Statist.
Assoc. 102, 359, eq. 43) as an interval of ± 2 Hz, or of ± half of the damping, that holds the truth; so does
one told without an interval. Width over need: for every named mode the geometric mean over sets of the
half width, over 1.96 times the RMS error; then the geometric mean over the modes.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import isfinite

import numpy as np
from cases import MISS

DRAWS = 1000
LOST = {"error": MISS, "damping_error": 0.5}  # half width that a mode not found counts as in a score
CLAIMS = ("moved", "appeared", "not found")


@dataclass(frozen=True)
class Figure:
    """A figure: its name, the numbers it takes from one set (or one tuple of sets), how they make it."""

    name: str
    parts: Callable[..., tuple[float, ...]]
    value: Callable[[np.ndarray], np.ndarray]
    digits: int = 2

    def of(self, sets):
        """Value and 95 % bootstrap interval over sets."""
        numbers = np.array([self.parts(one) for one in sets], float)
        with np.errstate(divide="ignore", invalid="ignore"):
            value = float(self.value(numbers.mean(axis=0)[:, None])[0])
            if len(sets) < 2:
                return value, (float("nan"), float("nan"))
            draws = np.random.default_rng(7).multinomial(len(sets), np.full(len(sets), 1 / len(sets)), DRAWS)
            drawn = self.value((draws @ numbers / len(sets)).T)
        if not np.any(np.isfinite(drawn)):
            return value, (float("nan"), float("nan"))
        low, high = np.nanquantile(drawn, (0.025, 0.975))
        return value, (float(low), float(high))


def _first(means):
    return means[0]


def _share(means):
    return means[0] / means[1]


def _root_share(means):
    return np.sqrt(means[0] / means[1])


def _capped(entry, key="error"):
    return MISS if entry[key] is None else min(abs(entry[key]), MISS)


def found(name):
    """Share of sets in which a named mode is found."""
    return Figure(f"{name} found", lambda s: (s["named"][name]["error"] is not None,), _first, 3)


def ratio(name):
    """RMS error over RMS bound of a named mode."""
    return Figure(
        f"{name} RMS / bound",
        lambda s: (_capped(s["named"][name]) ** 2, s["named"][name]["bound"] ** 2),
        _root_share,
    )


def rms(name, key="error"):
    """RMS error of a named mode in Hz."""
    return Figure(f"{name} RMS Hz", lambda s: (_capped(s["named"][name], key) ** 2, 1.0), _root_share)


def _interval_rows(entries, key, half):
    return [
        (abs(e[key]), e[half])
        for e in entries
        if e["error"] is not None and _number(e[key]) and _number(e[half])
    ]


def _number(value):
    return value is not None and isfinite(value)


def coverage(key="error", half="half", what="f"):
    """Share of all modes found whose interval holds the truth; those without an interval do not count."""

    def parts(one):
        rows = _interval_rows(one["all"], key, half)
        return sum(e <= h for e, h in rows), len(rows)

    return Figure(f"{what} covered", parts, _share, 3)


def taps_coverage():
    """The same for the named modes and the interval from the taps alone, without the model term."""

    def parts(one):
        rows = _interval_rows(one["named"].values(), "error", "taps_half")
        return sum(e <= h for e, h in rows), len(rows)

    return Figure("taps alone covered", parts, _share, 3)


def _scores(one, key, half):
    """Interval score of every named mode."""
    out = []
    for entry in one["named"].values():
        rows = _interval_rows([entry], key, half)
        error, width = rows[0] if rows else (0.0, LOST[key])
        out.append(2.0 * width + 40.0 * max(error - width, 0.0))
    return out


def score(key="error", half="half", what="f score Hz"):
    """Mean interval score of the named modes, 95 %."""
    return Figure(what, lambda s: (float(np.mean(_scores(s, key, half))),), _first, 3)


def score_less(key="error", half="half", what="f score less peer's"):
    """Ours less a peer's, over pairs (ours, peer's) of one set."""
    return Figure(
        what,
        lambda p: (float(np.mean(_scores(p[0], key, half)) - np.mean(_scores(p[1], key, half))),),
        _first,
        3,
    )


def false_modes():
    """False modes a set."""
    return Figure("false a set", lambda s: (s["false"],), _first)


def seconds():
    """Processor time a set."""
    return Figure("s a set", lambda s: (s["seconds"],), _first)


def width_over_need(names):
    """Typical half width over what the true scatter asks."""

    def parts(one):
        out = []
        for name in names:
            rows = _interval_rows([one["named"][name]], "error", "half")
            out += [1.0, np.log(max(rows[0][1], 1e-9)), rows[0][0] ** 2] if rows else [0.0, 0.0, 0.0]
        return tuple(out)

    def value(means):
        count, log_half, square = means[0::3], means[1::3], means[2::3]
        need = 1.96 * np.sqrt(square / count)
        return np.exp(np.nanmean(log_half / count - np.log(need), axis=0))

    return Figure("width / need", parts, value)


def error_over(names):
    """RMS error over another case's, all named modes together, over pairs (this, other) of one seed."""

    def total(one):
        return sum(_capped(one["named"][name]) ** 2 for name in names)

    return Figure("error / one place", lambda p: (total(p[0]), total(p[1])), _root_share)


def said(code):
    """Share of sets with a reason."""
    return Figure(f"'{code}' said", lambda s: (code in s["reasons"],), _first, 3)


def verdicts(names, wanted, key="named"):
    """Share of these modes with one of the wanted verdicts."""
    return Figure(
        "/".join(wanted),
        lambda s: (sum(s[key][n]["verdict"] in wanted for n in names), len(names)),
        _share,
        3,
    )


def plain_moved(names):
    """Share of these modes that peak picking calls moved."""
    return Figure(
        "peaks moved", lambda s: (sum(s["named"][n]["plain_moved"] for n in names), len(names)), _share, 3
    )


def rms_over_plain(name):
    """RMS error of the shift over that of peak picking."""
    return Figure(
        f"{name} RMS / peaks",
        lambda s: (_capped(s["named"][name]) ** 2, _capped(s["named"][name], "plain_error") ** 2),
        _root_share,
    )


def false_claims():
    """False claims a comparison: of unmoved true modes, and of what is no mode at all."""
    return Figure("false claims", lambda s: (sum(v in CLAIMS for v in s["unmoved"]) + s["false"],), _first)


def written(figure, sets):
    """Value with its interval, as text."""
    value, (low, high) = figure.of(sets)
    if not isfinite(value):
        return "-"
    d = figure.digits
    return f"{value:.{d}f}" + (f" ({low:.{d}f}-{high:.{d}f})" if isfinite(low) else "")
