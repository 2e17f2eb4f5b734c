"""Whether the recordings of one tap set agree: before and after must not be mixed by mistake.

Each take is read by itself. Two takes disagree when at least two of their strong body or air modes lie
further apart than 3 standard uncertainties, the room's part included, and 0.4 % of the frequency. A lively
room may still make them disagree by itself; so takes whose microphone places are noted and differ are not
held against each other.

Reason codes
------------
takes_disagree : {'first', 'second', 'one', 'other', 'n'}   which two takes, counted from 1; the frequencies
    in them, Hz, of the mode furthest apart; how many strong modes lie apart
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import hypot, inf

from resonance.modes.estimate import find_modes
from resonance.modes.intervals import combined
from resonance.modes.mode import Mode
from resonance.reasons import Reason
from resonance.sound.recording import Take
from resonance.taps.tap import Tap

FEWEST_TAPS = 2  # a take of fewer does not show its own scatter
STRONG_DB = 15.0  # below the take's strongest mode
SIGMAS, SHARE = 3.0, 0.004
SAME = 0.04  # of the frequency: further apart, it is taken for another mode
FEWEST_APART = 2
LOUDEST = 6  # modes of the whole set that say where to look: no wider, to save time
MARGIN = 30.0  # Hz looked at beyond them


@dataclass(frozen=True)
class _Apart:
    one: float
    other: float

    @property
    def share(self) -> float:
        return abs(self.one - self.other) / self.one


def disagreement(
    takes: Sequence[Take],
    taps: Sequence[Tap],
    modes: Sequence[Mode],
    *,
    family: str = "violin",
    piece: str = "whole",
    open_strings: Sequence[float] | None = None,
) -> tuple[Reason, ...]:
    """Say which two takes of a set disagree most, if any do.

    Parameters
    ----------
    takes, taps : the set; a take with fewer than two kept taps is passed over
    modes : sequence of Mode   of the whole set; the strongest say where to look
    family, piece, open_strings : see `resonance.modes.estimate.find_modes`

    Returns
    -------
    tuple of no or one Reason
    """
    countable = combinations(_countable(takes, taps), 2)
    pairs = [(i, k) for i, k in countable if _comparable(takes[i], takes[k])]
    loudest = sorted(mode.frequency for mode in sorted(_wood_and_air(modes), key=_level)[-LOUDEST:])
    if not pairs or not loudest:
        return ()
    band = (max(1.0, loudest[0] - MARGIN), loudest[-1] + MARGIN)
    read = {}
    for i in sorted({i for pair in pairs for i in pair}):
        own = [replace(tap, take=0) for tap in taps if tap.take == i]
        alone = find_modes([takes[i]], own, band=band, family=family, piece=piece, open_strings=open_strings)
        read[i] = strong_modes(alone.modes)
    found = [(pair, modes_apart(read[pair[0]], read[pair[1]])) for pair in pairs]
    (first, second), worst = max(found, key=lambda item: len(item[1]))
    if len(worst) < FEWEST_APART:
        return ()
    widest = max(worst, key=lambda apart: apart.share)
    values = {"first": first + 1, "second": second + 1, "one": widest.one, "other": widest.other}
    return (Reason("takes_disagree", {**values, "n": len(worst)}),)


def strong_modes(modes: Sequence[Mode]) -> tuple[Mode, ...]:
    """Give the body and air modes within 15 dB of the strongest of them, by rising frequency."""
    heard = _wood_and_air(modes)
    least = max(map(_level, heard), default=0.0) - STRONG_DB
    return tuple(sorted((m for m in heard if _level(m) >= least), key=lambda mode: mode.frequency))


def modes_apart(one: Sequence[Mode], other: Sequence[Mode]) -> tuple[_Apart, ...]:
    """Give the modes that are each other's nearest and yet apart; an unknown uncertainty tells nothing."""
    apart = []
    for mode in one if other else ():
        near = min(other, key=lambda m: abs(m.frequency - mode.frequency))
        back = min(one, key=lambda m: abs(m.frequency - near.frequency))
        distance = abs(near.frequency - mode.frequency)
        u = hypot(*(combined(m.frequency_u, m.frequency_dof, m.model_u)[0] for m in (mode, near)))
        least, most = SHARE * mode.frequency, SAME * mode.frequency
        if back is mode and least < distance < most and distance > SIGMAS * u:
            apart.append(_Apart(mode.frequency, near.frequency))
    return tuple(apart)


def _wood_and_air(modes: Sequence[Mode]) -> list[Mode]:
    return [mode for mode in modes if mode.kind in ("body", "air")]


def _level(mode: Mode) -> float:
    return max((level.db for level in mode.levels), default=-inf)


def _countable(takes: Sequence[Take], taps: Sequence[Tap]) -> list[int]:
    kept = [tap.take for tap in taps if tap.kept]
    return [i for i in range(len(takes)) if kept.count(i) >= FEWEST_TAPS]


def _comparable(one: Take, other: Take) -> bool:
    """Whether nothing says that the two were heard from different microphone places."""
    places = {" ".join(take.microphone_place.split()).casefold() for take in (one, other)}
    return len(places) == 1 or "" in places
