"""What the history of one mode holds: its course over the tap sets of a chapter, and what each step was.

A chapter ends where a new post, a full string change or an opened body begins the next; nothing is fitted
across. `resonance.changes.history` makes these.
"""

from dataclasses import dataclass, field
from datetime import datetime
from math import nan

import numpy as np

from resonance.changes.comparison import Scatter
from resonance.reasons import Reason
from resonance.sound.recording import FloatArray

MOVED, NO_CHANGE, CANNOT_SEPARATE = "moved", "no change seen", "cannot separate"
SETTLED, NOT_YET, CANNOT_TELL = "settled", "not yet", "cannot tell yet"


def _nothing() -> FloatArray:
    return np.zeros(0)


@dataclass(frozen=True)
class Step:
    """What one adjustment did to one mode, settling and weather taken out.

    Parameters
    ----------
    adjustment : str   its id
    cents : float, cents   at once; NaN where it cannot be told from another one made between the same sets
    interval_cents : (float, float)   95 %, put-back scatter of the work included
    total_cents : float, cents   with the small settling of its own that follows
    verdict : 'moved', 'no change seen' or 'cannot separate'
    reasons : tuple of Reason   why not, what would settle it, and 'since' where the set after came late
    least_detectable_cents : float, cents   shift that would have been called with 80 % chance
    hours_before, hours_after : float   from the last set before to the work, from the work to the first set
        after; NaN where not dated
    p : float   chance, both ways, of the other sign; what the calls over the modes of a job go by
    scatter : Scatter or None   the put-back scatter that the work was judged by
    """

    adjustment: str
    cents: float = nan
    interval_cents: tuple[float, float] = (nan, nan)
    total_cents: float = nan
    verdict: str = CANNOT_SEPARATE
    reasons: tuple[Reason, ...] = ()
    least_detectable_cents: float = nan
    hours_before: float = nan
    hours_after: float = nan
    p: float = nan
    scatter: Scatter | None = None


@dataclass(frozen=True, eq=False)
class History:
    """One mode through the tap sets of one chapter.

    Parameters
    ----------
    track, label : str or None
    taken : tuple of aware datetime (n,)   of the sets that show the mode, in the maker's order
    frequency, frequency_u : arrays (n,), Hz   as read
    fitted, fitted_u : arrays (n,), Hz   the course at those sets, put-back scatter taken out
    steps : tuple of Step   in the maker's order
    rate_cents_per_week : (low, middle, high)   at the last set, weather left out; 95 %
    settled : 'settled', 'not yet' or 'cannot tell yet'
    settled_by : aware datetime or None   with 95 % chance the mode is settled by then
    expected_4_weeks : (low, high), cents   movement in the four weeks after the last set; 95 %
    time_constant_days : float or None   only where the data carry one
    humidity_cents_per_percent : float
    suspect_sets : tuple of str   down-weighted, for all modes or this one
    chapter : str   id of the adjustment that began it, '' for the first
    reasons : tuple of Reason
    sets : tuple of str (n,)   ids of the sets behind `taken`
    time_constant_interval_days : (low, high) or None
    humidity_interval : (low, high), cents per percent; 95 %
    temperature_cents_per_degree, temperature_interval : as for humidity
    course_at, course, course_u : the fitted course between the sets, for drawing: dates, Hz, Hz; a step shows
        as two points at one date
    settling_cents : array (n,), cents   settling's part of `fitted`, from the first set on
    scatter_cents : float   scatter of one set about the course, as found here
    repeatability : Scatter or None   what was known of it beforehand
    step_ids, step_cents, step_covariance : tuple of str (m,), arrays (m,) and (m, m)   all steps together, as
        the tap sets alone tell them (`resonance.changes.joint`); '' for work made together
    """

    track: str | None
    label: str | None = None
    taken: tuple[datetime, ...] = ()
    frequency: FloatArray = field(default_factory=_nothing)
    frequency_u: FloatArray = field(default_factory=_nothing)
    fitted: FloatArray = field(default_factory=_nothing)
    fitted_u: FloatArray = field(default_factory=_nothing)
    steps: tuple[Step, ...] = ()
    rate_cents_per_week: tuple[float, float, float] = (nan, nan, nan)
    settled: str = CANNOT_TELL
    settled_by: datetime | None = None
    expected_4_weeks: tuple[float, float] = (nan, nan)
    time_constant_days: float | None = None
    humidity_cents_per_percent: float = nan
    suspect_sets: tuple[str, ...] = ()
    chapter: str = ""
    reasons: tuple[Reason, ...] = ()
    sets: tuple[str, ...] = ()
    time_constant_interval_days: tuple[float, float] | None = None
    humidity_interval: tuple[float, float] = (nan, nan)
    temperature_cents_per_degree: float = nan
    temperature_interval: tuple[float, float] = (nan, nan)
    course_at: tuple[datetime, ...] = ()
    course: FloatArray = field(default_factory=_nothing)
    course_u: FloatArray = field(default_factory=_nothing)
    settling_cents: FloatArray = field(default_factory=_nothing)
    scatter_cents: float = nan
    repeatability: Scatter | None = None
    step_ids: tuple[str, ...] = ()
    step_cents: FloatArray = field(default_factory=_nothing)
    step_covariance: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
