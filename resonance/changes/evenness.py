"""How even the notes of a bowed set are, and which stand out by more than the player.

Each note is held against the middle of its neighbours on the same string. The yardstick is the player: the
scatter of notes that were played twice or more. Without repeats nothing is called weak or strong.

Reason codes
------------
not_repeated : no note was played twice: how much of this is the player cannot be told
few_neighbours : too few notes beside it
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, nan, sqrt

import numpy as np

from resonance.changes.judge import call, half_width, p_value
from resonance.modes.mode import Mode
from resonance.reasons import Reason
from resonance.sets.bowedset import NoteGroup, note_groups, player_variation
from resonance.spectra.bowed import BowedNote
from resonance.units import cents

FALSE_DISCOVERY = 0.05
NEIGHBOURS = 350.0  # cents on either side
FEWEST = 2  # neighbours
MODE_CENTS = 80.0  # a note's partial so near to a mode sits on it
PARTIALS = (1, 2)


@dataclass(frozen=True)
class NoteVerdict:
    """How one note stands among its neighbours.

    Parameters
    ----------
    group : NoteGroup
    off_db, off_u_db : float, dB   its level over the middle of its neighbours, and the standard uncertainty
        that the player's variation gives it
    interval_db : (float, float)   95 %
    verdict : 'weak', 'strong', 'even' or 'cannot tell'
    modes : tuple of (partial, Hz, label)   body modes of the tap set that its first two partials sit on
    reasons : tuple of Reason
    """

    group: NoteGroup
    off_db: float = nan
    off_u_db: float = nan
    interval_db: tuple[float, float] = (nan, nan)
    verdict: str = "cannot tell"
    modes: tuple[tuple[int, float, str], ...] = ()
    reasons: tuple[Reason, ...] = ()


@dataclass(frozen=True)
class Evenness:
    """How even the notes are.

    Parameters
    ----------
    notes : tuple of NoteVerdict, by string and rising pitch
    spread_db, spread_a_db : float, dB   standard deviation of the notes about their neighbours, the player's
        part taken out where it is known; flat and A-weighted
    player_db : float, dB   standard deviation of one stroke about its repeats;  player_dof : int
    reasons : tuple of Reason
    """

    notes: tuple[NoteVerdict, ...] = ()
    spread_db: float = nan
    spread_a_db: float = nan
    player_db: float = nan
    player_dof: int = 0
    reasons: tuple[Reason, ...] = ()


def evenness(notes: Sequence[BowedNote], modes: Sequence[Mode] = ()) -> Evenness:
    """Judge how even the notes of a bowed set are, and what weak and strong ones sit on.

    Parameters
    ----------
    notes : sequence of BowedNote
    modes : sequence of Mode   of the nearest tap set
    """
    groups = note_groups(notes)
    player, dof = player_variation(groups)
    off = [_off(group, groups, [g.level_db for g in groups]) for group in groups]
    off_a = [_off(group, groups, [g.level_a_db for g in groups]) for group in groups]
    u = [player * sqrt(1.0 / group.count + share) for group, (_, share) in zip(groups, off, strict=True)]
    p = np.array([p_value(value, each, dof) for (value, _), each in zip(off, u, strict=True)])
    judged = np.isfinite(p)
    called = np.zeros(p.size, bool)
    called[judged] = call(p[judged], FALSE_DISCOVERY)
    verdicts = tuple(
        _verdict(group, value, each, dof, bool(seen), bool(out), modes)
        for group, (value, _), each, seen, out in zip(groups, off, u, judged, called, strict=True)
    )
    return Evenness(
        verdicts,
        _spread([value for value, _ in off], u),
        _spread([value for value, _ in off_a], u),
        player,
        dof,
        () if dof else (Reason("not_repeated"),),
    )


def _off(group: NoteGroup, groups: Sequence[NoteGroup], levels: Sequence[float]) -> tuple[float, float]:
    """Level over the median of the neighbours, dB, and the variance of that median in those of one stroke."""
    beside = [
        (level, other.count)
        for other, level in zip(groups, levels, strict=True)
        if other is not group
        and other.string == group.string
        and abs(float(cents(other.pitch, group.pitch))) < NEIGHBOURS
    ]
    if len(beside) < FEWEST:
        return nan, nan
    own = levels[groups.index(group)]
    share = 1.57 * float(np.mean([1.0 / count for _, count in beside])) / len(beside)
    return own - float(np.median([level for level, _ in beside])), share


def _verdict(
    group: NoteGroup, off: float, u: float, dof: int, judged: bool, called: bool, modes: Sequence[Mode]
) -> NoteVerdict:
    wide = half_width(u, dof) if judged else nan
    word = "cannot tell" if not judged else "even" if not called else "weak" if off < 0.0 else "strong"
    reasons = () if isfinite(off) else (Reason("few_neighbours"),)
    sits_on = modes_under(group.pitch, modes) if word in ("weak", "strong") else ()
    return NoteVerdict(group, off, u, (off - wide, off + wide), word, sits_on, reasons)


def modes_under(pitch: float, modes: Sequence[Mode]) -> tuple[tuple[int, float, str], ...]:
    """Body and air modes that the first two partials of a note sit on: (partial, Hz, label)."""
    return tuple(
        (partial, mode.frequency, mode.label or "")
        for partial in PARTIALS
        for mode in modes
        if mode.kind in ("body", "air") and abs(float(cents(partial * pitch, mode.frequency))) < MODE_CENTS
    )


def _spread(off: Sequence[float], u: Sequence[float]) -> float:
    """Standard deviation of the departures, what the player accounts for taken out."""
    known = [(value, each) for value, each in zip(off, u, strict=True) if isfinite(value)]
    if len(known) < FEWEST + 1:
        return nan
    own = float(np.mean([value**2 for value, _ in known]))
    player = float(np.mean([each**2 for _, each in known if isfinite(each)] or [0.0]))
    return sqrt(max(0.0, own - player))
