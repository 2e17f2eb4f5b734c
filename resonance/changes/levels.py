"""Level changes of modes and bands, in dB relative to the set's own sum.

A microphone alone gives no absolute level, and a level belongs to its place: only the same (tap place,
microphone place) pairs, both named, are compared. Above 600 Hz an instrument radiates ever more unevenly
(Wang and Burroughs 1999, CASJ 3(7)), so there two microphone places in common are needed. The uncertainty
holds the spread from tap to tap, that from place to place, and a put-back scatter of 1.5 dB a set (assumed,
no source).
"""

from collections.abc import Sequence
from math import isfinite, nan, sqrt

import numpy as np

from resonance.changes.comparison import BandChange
from resonance.changes.judge import call, combine, p_value
from resonance.changes.places import plain_name
from resonance.modes.mode import Level, Mode
from resonance.spectra.bands import BandLevel

PUT_BACK_DB = 1.5
PUT_BACK_DOF = 4.0
ONE_PLACE_UP_TO = 600.0
Reading = tuple[float, float]


def level_change(before: Mode, after: Mode) -> tuple[float, float]:
    """Change of a mode's level and its standard uncertainty, dB; NaN where the places do not allow it."""
    top = max(before.frequency, after.frequency)
    change, u, _ = _change(_by_place(before.levels), _by_place(after.levels), top)
    return change, u


def band_changes(
    before: Sequence[BandLevel], after: Sequence[BandLevel], *, false_discovery: float
) -> tuple[BandChange, ...]:
    """Level changes of the bands that both sets have, judged together.

    Parameters
    ----------
    before, after : sequences of BandLevel   one for each band and place
    false_discovery : float   share of false calls allowed on average

    Returns
    -------
    tuple of BandChange, by rising frequency; 'not comparable' where the places do not allow a comparison
    """
    left, right = _by_band(before), _by_band(after)
    bands = sorted(left.keys() & right.keys())
    changes = [_change(_by_place(left[band]), _by_place(right[band]), band[1]) for band in bands]
    p = np.array([p_value(change, u, dof) for change, u, dof in changes])
    judged = np.isfinite(p)
    called = np.zeros(p.size, bool)
    called[judged] = call(p[judged], false_discovery)
    return tuple(
        BandChange(low, high, change, u, _verdict(seen, moved))
        for (low, high), (change, u, _), seen, moved in zip(bands, changes, judged, called, strict=True)
    )


def _verdict(seen: bool, moved: bool) -> str:
    if not seen:
        return "not comparable"
    return "moved" if moved else "no change seen"


def _by_band(levels: Sequence[BandLevel]) -> dict[tuple[float, float], list[BandLevel]]:
    bands: dict[tuple[float, float], list[BandLevel]] = {}
    for level in levels:
        bands.setdefault((round(level.low, 3), round(level.high, 3)), []).append(level)
    return bands


def _by_place(levels: Sequence[Level | BandLevel]) -> dict[tuple[str, str], Reading]:
    """Level and its uncertainty at each named place."""
    return {
        (plain_name(level.tap_place), plain_name(level.microphone_place)): (level.db, level.db_u)
        for level in levels
        if level.tap_place and level.microphone_place and isfinite(level.db)
    }


def _change(
    before: dict[tuple[str, str], Reading], after: dict[tuple[str, str], Reading], top: float
) -> tuple[float, float, float]:
    """Mean change over the places in common, its standard uncertainty, and degrees of freedom."""
    common = sorted(before.keys() & after.keys())
    microphones = {microphone for _, microphone in common}
    if not common or (not top <= ONE_PLACE_UP_TO and len(microphones) < 2):
        return nan, nan, nan
    n = len(common)
    change = np.array([after[place][0] - before[place][0] for place in common])
    taps = np.array([after[place][1] ** 2 + before[place][1] ** 2 for place in common])
    from_taps = sqrt(float(np.nansum(taps))) / n
    from_places = float(change.std(ddof=1)) / sqrt(n) if n > 1 else 0.0
    if n == 1 and not isfinite(taps[0]):
        return float(change[0]), nan, nan
    spread = (from_places, n - 1.0) if from_places > from_taps else (from_taps, nan)
    u, dof = combine([spread, (sqrt(2.0) * PUT_BACK_DB, PUT_BACK_DOF)])
    return float(change.mean()), u, dof
