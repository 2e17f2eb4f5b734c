"""What would let smaller shifts be seen: more taps, or the instrument taken down and put back once more?"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import sqrt

import numpy as np

from resonance.changes.compare import least_detectable
from resonance.changes.comparison import Repeatability
from resonance.changes.repeatability import PUT_BACK
from resonance.modes.mode import Mode
from resonance.sound.recording import FloatArray


@dataclass(frozen=True, eq=False)
class Help:
    """Least shift that would be seen, cents, array (n_modes,) each; NaN as in `compare.least_detectable`.

    Parameters
    ----------
    now : with one tap set a side, as read now
    more_taps : with twice the taps in each
    more_sets : with two tap sets a side, the instrument put back between them
    better : 'tap sets', 'taps' or 'neither'   what helps the typical mode more; less than a tenth is neither
    """

    now: FloatArray
    more_taps: FloatArray
    more_sets: FloatArray
    better: str


WORTH = 0.9


def what_helps(
    modes: Sequence[Mode], repeatability: Repeatability | None = None, *, kind: str = PUT_BACK
) -> Help:
    """Weigh another tap set on either side against twice the taps, which cost the same time.

    Parameters
    ----------
    modes : sequence of Mode   as read now
    repeatability : Repeatability or None
    kind : what the work between does (`resonance.changes.repeatability.work_kind`)
    """
    doubled = [
        replace(m, frequency_u=m.frequency_u / sqrt(2.0), frequency_dof=2.0 * m.frequency_dof + 1.0)
        for m in modes
    ]
    now = least_detectable(modes, repeatability, kind=kind)
    taps = least_detectable(doubled, repeatability, kind=kind)
    sets = least_detectable(modes, repeatability, 2, 2, kind=kind)
    known = np.isfinite(now) & np.isfinite(taps) & np.isfinite(sets)
    if not known.any():
        return Help(now, taps, sets, "neither")
    by_taps, by_sets = (float(np.median(least[known] / now[known])) for least in (taps, sets))
    better = "tap sets" if by_sets <= by_taps else "taps"
    return Help(now, taps, sets, better if min(by_taps, by_sets) < WORTH else "neither")
