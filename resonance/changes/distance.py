"""How far a tap set is from the one aimed at: mode by mode through their tracks, over all, band by band."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, nan, sqrt

import numpy as np

from resonance.changes.comparison import BandChange, Repeatability
from resonance.changes.levels import band_changes
from resonance.changes.pair import frequency_u_cents, is_body
from resonance.changes.repeatability import RETUNED, scatter_for
from resonance.modes.mode import Mode
from resonance.sets.tapset import TapSet
from resonance.sound.recording import FloatArray
from resonance.units import cents


@dataclass(frozen=True, eq=False)
class Distance:
    """How far one tap set is from the target.

    Parameters
    ----------
    set : str   its id
    tracks : tuple of str   body modes that both show
    cents, cents_u : arrays (n,)   from the target to this set; put-back scatter of both in the uncertainty
    rms_cents : float   root mean square over the modes, less what putting back alone would make
    rms_u_cents : float   about how surely
    bands : tuple of BandChange   levels against the target's
    """

    set: str
    tracks: tuple[str, ...]
    cents: FloatArray
    cents_u: FloatArray
    rms_cents: float = nan
    rms_u_cents: float = nan
    bands: tuple[BandChange, ...] = ()


def distances(sets: Sequence[TapSet], target: TapSet, repeatability: Repeatability) -> tuple[Distance, ...]:
    """Give the distance of each tap set to the target; modes with tracks.

    Returns
    -------
    tuple of Distance, one a set   that of the target itself is 0
    """
    return tuple(_distance(each, target, repeatability) for each in sets)


def wanted_cents(
    now: TapSet, target: TapSet, tracks: Sequence[str], repeatability: Repeatability
) -> tuple[FloatArray, FloatArray]:
    """Give how far each track has to go from now to the target, and its standard uncertainty; NaN unknown."""
    here, there = _by_track(now), _by_track(target)
    found = [
        _apart(here[name], there[name], repeatability) if name in here and name in there else (nan, nan)
        for name in tracks
    ]
    values = np.array(found).reshape(-1, 2)
    return values[:, 0], values[:, 1]


def _distance(one: TapSet, target: TapSet, repeatability: Repeatability) -> Distance:
    here, there = _by_track(one), _by_track(target)
    tracks = tuple(name for name in there if name in here)
    found = np.array([_apart(there[name], here[name], repeatability) for name in tracks]).reshape(-1, 2)
    way, u = found[:, 0], np.where(np.isfinite(found[:, 1]), found[:, 1], 0.0)
    bands = band_changes(target.bands, one.bands, false_discovery=0.10)
    if one.id == target.id:
        return Distance(one.id, tracks, 0.0 * way, 0.0 * u, 0.0, 0.0, ())
    if not tracks:
        return Distance(one.id, (), way, u)
    square, chance = float(np.mean(way**2)), float(np.mean(u**2))
    rms = sqrt(max(0.0, square - chance))
    spread = sqrt(float(np.mean(2.0 * u**4 + 4.0 * u**2 * np.maximum(way**2 - u**2, 0.0))) / len(tracks))
    rms_u = spread / (2.0 * rms) if 2.0 * rms * rms > spread else sqrt(0.5 * spread)
    return Distance(one.id, tracks, way, u, rms, rms_u, bands)


def _by_track(tap_set: TapSet) -> dict[str, Mode]:
    return {mode.track: mode for mode in tap_set.modes if mode.track and is_body(mode)}


def _apart(one: Mode, other: Mode, repeatability: Repeatability) -> tuple[float, float]:
    """Cents from one reading to the other and their standard uncertainty, put-back scatter of both in it."""
    scatter = scatter_for(repeatability, kind=RETUNED, track=one.track).scatter_cents
    own = [u * u for u in (frequency_u_cents(one), frequency_u_cents(other)) if isfinite(u)]
    return float(cents(other.frequency, one.frequency)), sqrt(2.0 * scatter**2 + sum(own))
