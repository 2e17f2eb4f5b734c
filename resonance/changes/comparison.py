"""What a comparison of two tap sets, and the yardstick it is judged by, hold."""

from dataclasses import dataclass, field
from math import nan

from resonance.modes.mode import Mode
from resonance.reasons import Reason


@dataclass(frozen=True)
class Scatter:
    """Put-back scatter of one kind for one track, or pooled over the tracks (track None).

    Parameters
    ----------
    scatter_cents : float, cents   standard deviation of one reading about the mean of repeat sets
    dof : float   degrees of freedom behind it, prior included
    kind : one of `resonance.sets.tapset.REPEAT_KINDS` or '' (any)
    source : 'this job', 'this shop' or 'assumed'
    track : str or None
    """

    scatter_cents: float
    dof: float = nan
    kind: str = ""
    source: str = "assumed"
    track: str | None = None


@dataclass(frozen=True)
class Repeatability:
    """What repeat sets differ by: the yardstick for "moved".

    Parameters
    ----------
    pooled : Scatter   over all modes, of every kind that lifts the instrument off and puts it back
    tracks : tuple of Scatter   each track where known
    n_repeats : int   repeat sets behind it
    reasons : tuple of Reason
    kinds : tuple of Scatter   over all modes, each kind apart
    """

    pooled: Scatter
    tracks: tuple[Scatter, ...] = ()
    n_repeats: int = 0
    reasons: tuple[Reason, ...] = ()
    kinds: tuple[Scatter, ...] = ()


@dataclass(frozen=True)
class ModeShift:
    """One mode before and after.

    Parameters
    ----------
    track, label : str or None
    before, after : Mode or None
    shift, shift_u : float, Hz   after less before, as measured
    shift_cents : float, cents
    interval_cents : (float, float)   95 %, put-back scatter included
    level_change_db, level_change_db_u : float, dB   NaN where the microphone places do not allow it
    damping_change, damping_change_u : float   change of the damping ratio
    verdict : 'moved', 'no change seen', 'appeared', 'not found', 'not reached' or 'ambiguous'
    repeatability : Scatter or None   the yardstick used
    least_detectable_cents : float, cents   shift seen with 80 % power at the threshold used
    reasons : tuple of Reason
    """

    track: str | None
    label: str | None = None
    before: Mode | None = None
    after: Mode | None = None
    shift: float = nan
    shift_u: float = nan
    shift_cents: float = nan
    interval_cents: tuple[float, float] = (nan, nan)
    level_change_db: float = nan
    level_change_db_u: float = nan
    damping_change: float = nan
    damping_change_u: float = nan
    verdict: str = "ambiguous"
    repeatability: Scatter | None = None
    least_detectable_cents: float = nan
    reasons: tuple[Reason, ...] = ()


@dataclass(frozen=True)
class BandChange:
    """Level change of one band, relative to the set's sum.

    Parameters
    ----------
    low, high : float, Hz
    change_db, change_db_u : float, dB
    verdict : 'moved', 'no change seen' or 'not comparable'
    """

    low: float
    high: float = nan
    change_db: float = nan
    change_db_u: float = nan
    verdict: str = "not comparable"


@dataclass(frozen=True)
class Comparison:
    """What moved between two tap sets, and what could not have been seen.

    Parameters
    ----------
    shifts : tuple of ModeShift, by rising frequency
    bands : tuple of BandChange, up to 5 kHz
    reasons : tuple of Reason   conditions that changed, checks to do first, what bounds a null verdict
    before, after : str   ids of the two sets
    common_cents : float, cents   shift common to the paired modes (named, never taken off a reading)
    """

    shifts: tuple[ModeShift, ...]
    bands: tuple[BandChange, ...] = ()
    reasons: tuple[Reason, ...] = field(default=())
    before: str = ""
    after: str = ""
    common_cents: float = nan
