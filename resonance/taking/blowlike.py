"""Whether something loud is a blow on ringing wood, or a voice, a hiss, a swell, a click, a thud next door.

Small checks on the levels about a blow (steps of a millisecond, `resonance.taps.find`); each gives a word why
it is no blow, or ''. Limits come from trials: made-up and spoken words in three languages, a wall hammered
on, handling, against taps of a made-up violin in rooms and real taps of plates, bars and a drum.

no_start : the sound goes on growing after its start, as a vowel does after its consonant
no_fall : it does not fall from the start, or is not down and stays down a tenth of a second later
no_ring : nothing is left of it after some hundredths: a click, a smack of the lips
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, nan

import numpy as np

from resonance.sound.recording import FloatArray

BUILDS = 0.080  # s in which nothing is much louder than the start
BUILDS_DB = 3.0
FALL_AFTER, FALL_OVER = 0.10, 0.25  # s after the last blow, and for how long, in which the level stays down
SOON, SOON_OVER, SOON_SHARE = 0.04, 0.03, 0.25  # s, s: where it must have begun to fall, by this share of it
BLOW = 0.03  # s in which a blow is loudest
RING_AFTER, RING_OVER = 0.025, 0.025  # s after the last blow in which wood still rings
RING_DB = 6.0  # over the quiet
LOUDER_AGAIN_DB = 6.0  # a "second blow" stronger than the first by more is a voice coming in
CHAIN = 0.30  # s between blows that are looked at together


@dataclass(frozen=True, eq=False)
class Levels:
    """Levels about a blow.

    Parameters
    ----------
    times : array (n,), s
    total_db, low_db : array (n,), dB   of all bands, and the larger of the two lowest
    low_quiet_db : float, dB   quiet of those
    """

    times: FloatArray
    total_db: FloatArray
    low_db: FloatArray
    low_quiet_db: float


def why_no_blow(
    levels: Levels, blow: Sequence[float], following: Sequence[float], *, fall_db: float, start: float
) -> str:
    """Say why a blow (s, bounces behind it) is none; '' where it may be one.

    Parameters
    ----------
    following : times (s) of the blows after it
    fall_db : float, dB   least fall a tenth of a second later
    start : float, s   in which it must be loudest; where that is soon, it must fall from the start too
    """
    chain = list(blow)
    for time in following:
        if time - chain[-1] < CHAIN:
            chain.append(time)
    if not _starts(levels, chain[-1], start):
        return "no_start"
    until = min((time for time in following if time > chain[-1]), default=inf)
    if not _falls(levels, chain, until, fall_db, early=start < BLOW):
        return "no_fall"
    return "" if _rings(levels, chain[-1]) else "no_ring"


def _starts(levels: Levels, onset: float, start: float) -> bool:
    return _largest(levels.times, levels.total_db, onset, onset + start) >= (
        _largest(levels.times, levels.total_db, onset + start, onset + BUILDS) - BUILDS_DB
    )


def _falls(levels: Levels, chain: Sequence[float], until: float, fall_db: float, *, early: bool) -> bool:
    later = chain[-1] + FALL_AFTER
    first = _largest(levels.times, levels.total_db, chain[0], chain[-1] + BLOW)
    then = _largest(levels.times, levels.total_db, later, min(later + FALL_OVER, until))
    soon = _mean_db(levels, chain[-1], chain[-1] + BLOW) - _mean_db(
        levels, chain[-1] + SOON, chain[-1] + SOON + SOON_OVER
    )
    return not (first - then < fall_db or (early and soon < SOON_SHARE * fall_db))


def _rings(levels: Levels, last: float) -> bool:
    left = _largest(levels.times, levels.low_db, last + RING_AFTER, last + RING_AFTER + RING_OVER)
    return not left - levels.low_quiet_db < RING_DB


def _mean_db(levels: Levels, start: float, end: float) -> float:
    """Level of the mean power between two times, dB; NaN where there is none."""
    piece = levels.total_db[(levels.times >= start) & (levels.times < end)]
    return 10.0 * float(np.log10(np.mean(10.0 ** (piece / 10.0)))) if len(piece) else nan


def _largest(times: FloatArray, level_db: FloatArray, start: float, end: float) -> float:
    """Largest level between two times; NaN where there is none."""
    piece = level_db[(times >= start) & (times < end)]
    return float(np.max(piece)) if len(piece) else nan
