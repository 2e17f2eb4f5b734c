"""The pitch of each open string that rings along with the taps.

A stiff string has its partials at f_n = n f_0 sqrt(1 + B n^2) (Fletcher 1964, J. Acoust. Soc. Am. 36, 203,
from memory). With y_n = ln(f_n / n) this is y_n = ln f_0 + ln(1 + B n^2) / 2: all narrow lines that fit one
string settle f_0 and B together, weighted by their uncertainty and by how well they agree with the others
(Cauchy weights), so that a line pulled by a body mode or by another string counts little. Strings of a
family share partials (three of one is two of the next): a line that two strings claim is trusted to
`SHARED_CENTS` only, and a string is read only where a line speaks for it alone.

Degrees of freedom: those of the lines' scatter about the fit, and of a usual line's own from tap to tap.

The pitch is that of the first partial, whether or not it is heard. The tension of one and the same string of
one length goes as the square of its pitch.

Reason codes of a reading
-------------------------
one_partial : {}   a single partial tells it: its uncertainty is `ALONE_CENTS`, assumed, beside its own
partials_left_out : {n}   so many partials do not fit the others, e.g. pulled by a resonance of the body
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isfinite, log, nan, sqrt

import numpy as np

from resonance.modes.mode import Mode, StringReading
from resonance.modes.ranges import OPEN_STRINGS
from resonance.reasons import Reason
from resonance.sound.recording import FloatArray
from resonance.units import nearest_note

FARTHEST_CENTS = 150.0  # off its note a string is looked for so far; beyond it, one is taken for another note
NEAR_CENTS = 70.0  # a single partial must lie so near its note
HIGHEST = 40  # partials at most
FIRST = 4  # a search begins at a line taken for one of so many first partials
STIFFNESS = (0.0, 5e-5, 2e-4, 8e-4)  # B tried first
STIFFNESS_SD = 2e-4  # what B may be before a line speaks; assumed, gut to heavy steel
TOLERANCE_CENTS = 3.0  # of a line from its partial, beside 3 standard uncertainties of the line
FLOOR_CENTS = 0.2  # a real partial is off the formula by so much; assumed
SHARED_CENTS = 1.5
ALONE_CENTS = 1.0
STRAY = 4.0  # standard deviations from which a partial is left out
CENT = log(2.0) / 1200.0


@dataclass(frozen=True, eq=False)
class _Lines:
    """Narrow lines: frequency (Hz), ln frequency, its standard uncertainty; how far up is looked."""

    frequency: FloatArray
    log: FloatArray
    u: FloatArray
    dof: FloatArray
    highest: float


@dataclass(frozen=True, eq=False)
class _Guess:
    """One string: ln f_0, B, partial numbers and the lines taken for them, and how well all fits."""

    log_f0: float
    stiffness: float
    numbers: FloatArray
    lines: FloatArray
    score: float


def string_names(open_strings: Sequence[float], family: str) -> tuple[str, ...]:
    """Notes of the open strings: the family's own where their number fits, else the nearest ones."""
    names = OPEN_STRINGS.get(family, ())
    if len(names) == len(open_strings):
        return names
    return tuple(nearest_note(frequency)[0] for frequency in open_strings)


def read_strings(
    modes: Sequence[Mode], open_strings: Sequence[float], *, family: str = "violin"
) -> tuple[StringReading, ...]:
    """Read the pitch of each open string that rings.

    Parameters
    ----------
    modes : sequence of Mode   those of kind 'string' or 'unsure' count as lines, the others do not
    open_strings : sequence of float, Hz   the notes the strings are meant to have
    family : str   for the strings' names

    Returns
    -------
    tuple of StringReading, in the order of `open_strings`; a string that does not ring is left out
    """
    lines = _lines_of([mode for mode in modes if mode.kind in ("string", "unsure")])
    if not lines.frequency.size:
        return ()
    guesses = [_best_guess(lines, nominal) for nominal in open_strings]
    kept = _accepted(guesses, lines, open_strings)
    names = string_names(open_strings, family)
    return tuple(
        _reading(names[k], open_strings[k], kept[k], lines, [kept[j] for j in kept if j != k])
        for k in sorted(kept)
    )


def partial_of(
    frequency: float, reading: StringReading, *, within_cents: float = 12.0, highest: int = HIGHEST
) -> int:
    """Number of the partial of a read string at a frequency (Hz), 0 where there is none.

    High partials may lie further off: stiffness is known from few.
    """
    if not (frequency > 0.0 and isfinite(frequency) and reading.pitch > 0.0):
        return 0
    stiffness = reading.inharmonicity if isfinite(reading.inharmonicity) else 0.0
    first = log(reading.pitch) - 0.5 * log(1.0 + stiffness)
    numbers = np.arange(1.0, highest + 1.0)
    off = (log(frequency) - _model(first, stiffness, numbers)) / CENT
    unsure = within_cents + 0.01 * numbers**2
    near = np.flatnonzero(np.abs(off) < unsure)
    return int(numbers[near[np.argmin(np.abs(off[near]))]]) if near.size else 0


def _lines_of(modes: Sequence[Mode]) -> _Lines:
    frequency = np.array([mode.frequency for mode in modes], float)
    u = np.array([mode.frequency_u if mode.frequency_u > 0.0 else 0.1 for mode in modes], float)
    highest = float(frequency.max(initial=0.0)) * (1.0 + 5.0 * CENT)
    dof = np.array([mode.frequency_dof if isfinite(mode.frequency_dof) else 0.0 for mode in modes], float)
    relative = np.hypot(u / np.maximum(frequency, 1.0), FLOOR_CENTS * CENT)
    return _Lines(frequency, np.log(frequency), relative, dof, highest)


def _model(log_f0: float, stiffness: float, numbers: FloatArray) -> FloatArray:
    return np.asarray(log_f0 + np.log(numbers) + 0.5 * np.log1p(stiffness * numbers**2))


def _best_guess(lines: _Lines, nominal: float) -> _Guess | None:
    """Try every line as one of the first partials; None where none is near the note."""
    best: _Guess | None = None
    for stiffness in STIFFNESS:
        for number in range(1, FIRST + 1):
            starts = lines.log - float(_model(0.0, stiffness, np.array([number]))[0])
            for start in starts[np.abs(starts - log(nominal)) < FARTHEST_CENTS * CENT]:
                guess = _matched(lines, float(start), stiffness, log(nominal))
                best = guess if best is None or guess.score > best.score else best
    if best is None:
        return None
    for _ in range(2):
        log_f0, stiffness, _ = _fitted(lines, best, np.zeros(best.numbers.size))
        better = _matched(lines, log_f0, stiffness, log(nominal))
        best = better if better.score >= best.score - 0.5 and better.numbers.size else best
    return best


def _matched(lines: _Lines, log_f0: float, stiffness: float, log_nominal: float) -> _Guess:
    """Take the nearest line for each partial; each line once; score hits against partials not heard."""
    count = int(min(HIGHEST, max(1.0, lines.highest / np.exp(log_f0))))
    numbers = np.arange(1.0, count + 1.0)
    numbers = numbers[_model(log_f0, stiffness, numbers) < log(lines.highest)]
    if not numbers.size:
        return _Guess(log_f0, stiffness, np.zeros(0), np.zeros(0), -1.0)
    off = np.abs(_model(log_f0, stiffness, numbers)[:, None] - lines.log[None, :])
    share = off / (TOLERANCE_CENTS * CENT + 3.0 * lines.u)[None, :]
    nearest = np.argmin(off, axis=1)
    hit = share[np.arange(numbers.size), nearest] < 1.0
    mutual = np.argmin(off, axis=0)[nearest] == np.arange(numbers.size)
    hit &= mutual
    quality = 1.0 - 0.5 * share[np.arange(numbers.size), nearest][hit] ** 2
    missed = np.count_nonzero(~hit[: np.flatnonzero(hit)[-1]]) if hit.any() else 0
    away = (log_f0 - log_nominal) / (100.0 * CENT)
    score = float(np.sum(quality)) - 0.4 * missed - 0.5 * away**2
    return _Guess(log_f0, stiffness, numbers[hit], nearest[hit].astype(float), score)


def _accepted(
    guesses: Sequence[_Guess | None], lines: _Lines, open_strings: Sequence[float]
) -> dict[int, _Guess]:
    """Strings that enough lines speak for which speak for no better fitting string."""
    claimed: set[int] = set()
    kept: dict[int, _Guess] = {}
    found = [(k, guess) for k, guess in enumerate(guesses) if guess is not None]
    for k, guess in sorted(found, key=lambda item: -item[1].score):
        free = np.array([int(line) not in claimed for line in guess.lines], bool)
        own = guess.numbers[free]
        gaps = own.max(initial=0.0) - np.count_nonzero(guess.numbers <= own.max(initial=0.0))
        if _enough(own, float(gaps), abs(guess.log_f0 - log(open_strings[k])) / CENT):
            kept[k] = guess
            claimed |= {int(line) for line in guess.lines}
    return kept


def _enough(numbers: FloatArray, gaps: float, off_cents: float) -> bool:
    """Whether partials of these numbers make a string, and not two or three lines that happen to fit one.

    Three with no more gaps than partials, two with one gap at most, or the first alone near its note.
    """
    if numbers.size >= 3:
        return gaps <= max(3.0, numbers.size)
    if numbers.size == 2:
        return gaps <= 1.0
    return numbers.size == 1 and gaps == 0.0 and off_cents < NEAR_CENTS


def _fitted(lines: _Lines, guess: _Guess, extra: FloatArray) -> tuple[float, float, FloatArray]:
    """Weighted robust fit: ln f_0, B, and the deviation of each line in its standard deviations."""
    index = guess.lines.astype(int)
    y, variance = lines.log[index], lines.u[index] ** 2 + extra**2
    log_f0, stiffness = guess.log_f0, guess.stiffness
    deviation = np.zeros(index.size)
    for _ in range(12):
        design = np.stack(
            [np.ones(index.size), 0.5 * guess.numbers**2 / (1.0 + stiffness * guess.numbers**2)], axis=1
        )
        left = y - _model(log_f0, stiffness, guess.numbers)
        deviation = left / np.sqrt(variance)
        weight = 1.0 / (variance * (1.0 + (deviation / 3.0) ** 2))
        normal = design.T @ (design * weight[:, None]) + np.diag([0.0, STIFFNESS_SD**-2])
        right = design.T @ (weight * left) - np.array([0.0, stiffness * STIFFNESS_SD**-2])
        step = np.linalg.solve(normal, right)
        log_f0, stiffness = log_f0 + float(step[0]), max(0.0, stiffness + float(step[1]))
    return log_f0, stiffness, deviation


def _reading(
    name: str, nominal: float, guess: _Guess, lines: _Lines, others: Sequence[_Guess]
) -> StringReading:
    """Pitch and uncertainty of an accepted string from the partials that agree."""
    shared = {int(line) for other in others for line in other.lines}
    extra = np.array([SHARED_CENTS * CENT if int(line) in shared else 0.0 for line in guess.lines])
    _, _, deviation = _fitted(lines, guess, extra)
    good = np.abs(deviation) < STRAY
    good = good if np.any(good) else np.ones(good.size, bool)
    left_out = int(np.count_nonzero(~good))
    guess = replace(guess, numbers=guess.numbers[good], lines=guess.lines[good])
    extra = extra[good]
    log_f0, stiffness, deviation = _fitted(lines, guess, extra)
    n = guess.numbers.size
    log_u = _pitch_u(lines, guess, extra, stiffness, deviation)
    pitch = float(np.exp(log_f0) * sqrt(1.0 + stiffness))
    reasons = [Reason("one_partial")] if n == 1 else []
    reasons += [Reason("partials_left_out", {"n": left_out})] if left_out else []
    return StringReading(
        name,
        float(nominal),
        pitch,
        pitch * log_u,
        n - 1.0 + float(np.median(lines.dof[guess.lines.astype(int)])) if n > 1 else nan,
        float((log(pitch) - log(nominal)) / CENT),
        stiffness if n > 2 else nan,
        n,
        (pitch / nominal) ** 2,
        tuple(reasons),
    )


def _pitch_u(
    lines: _Lines, guess: _Guess, extra: FloatArray, stiffness: float, deviation: FloatArray
) -> float:
    """Relative standard uncertainty of the pitch, widened where the partials scatter too much."""
    n = guess.numbers.size
    variance = lines.u[guess.lines.astype(int)] ** 2 + extra**2
    design = np.stack([np.ones(n), 0.5 * guess.numbers**2 / (1.0 + stiffness * guess.numbers**2)], axis=1)
    normal = design.T @ (design / variance[:, None]) + np.diag([0.0, STIFFNESS_SD**-2])
    first = np.array([1.0, 0.5 / (1.0 + stiffness)])
    noise = float(first @ np.linalg.solve(normal, first))
    if n == 1:
        return sqrt(noise + (ALONE_CENTS * CENT) ** 2)
    return sqrt(noise * max(1.0, float(np.sum(deviation**2)) / (n - 1)))
