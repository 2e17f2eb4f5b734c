"""The second set's modes, found again from the first one's.

Two lists chosen apart differ by more than two fits of one list; so with sound at hand the second set is
fitted again, beginning with the modes of the first. What the stored analysis found beside them is kept: it
may be new.

Reason codes
------------
restart_failed : {}   the second set could not be fitted from the first one's modes, or the stored analysis is
    of another method than this program's: stored modes compared
"""

from collections.abc import Sequence
from dataclasses import replace
from math import isfinite, sqrt

import numpy as np
import scipy

from resonance.modes.mode import Mode
from resonance.modes.strings import assumed_strings
from resonance.reasons import Reason
from resonance.sets.tapset import TapSet

SAME_AT_LEAST = 0.5  # Hz
SAME_SIGMAS = 3.0
FAR = 1e6


def has_sound(tapset: TapSet) -> bool:
    """Whether a set's kept taps all lie in recordings with samples."""
    kept = [tap for tap in tapset.taps if tap.kept]
    return bool(kept) and all(
        0 <= tap.take < len(tapset.takes) and tapset.takes[tap.take].recording.samples.shape[0] > 0
        for tap in kept
    )


def modes_from(before: TapSet, after: TapSet) -> tuple[tuple[Mode, ...], tuple[Reason, ...]]:
    """Modes of the second set, fitted from the first one's where the sound is at hand.

    Returns
    -------
    (modes, reasons) : by rising frequency; the stored ones where there is no sound or nothing to begin with
    """
    if not before.modes or not after.modes or not has_sound(after):
        return after.modes, ()
    from resonance.modes.estimate import METHOD, find_modes  # loads the estimator only where needed

    if METHOD != after.analysis.method:
        return after.modes, (Reason("restart_failed"),)
    settings = after.analysis.settings
    family = str(settings.get("family") or "violin")
    found = find_modes(
        after.takes,
        after.taps,
        band=_band(before, after),
        family=family,
        piece=str(settings.get("piece") or "whole"),
        open_strings=_strings(after, family),
        start=before.modes,
    )
    if not found.modes:
        return after.modes, (Reason("restart_failed"),)
    return merge(found.modes, after.modes), ()


def merge(found: Sequence[Mode], stored: Sequence[Mode]) -> tuple[Mode, ...]:
    """Give modes found again their stored names, kinds and tracks; add the stored modes not found again.

    A found and a stored mode are the same when they lie within half of the half-power bandwidth or 3 standard
    uncertainties of each other, at least half a hertz; each is used once, nearest first.
    """
    apart = np.array([[_apart(f, s) for s in stored] for f in found]).reshape(len(found), len(stored))
    rows, columns = scipy.optimize.linear_sum_assignment(np.minimum(apart, FAR))
    same = {int(i): int(j) for i, j in zip(rows, columns, strict=True) if apart[i, j] <= 1.0}
    kept = [_named(mode, stored[same[i]]) if i in same else mode for i, mode in enumerate(found)]
    kept += [mode for j, mode in enumerate(stored) if j not in same.values()]
    return tuple(sorted(kept, key=lambda mode: mode.frequency))


def _apart(found: Mode, stored: Mode) -> float:
    """Distance in units of what still counts as the same mode; far beyond it all are alike."""
    u = [mode.frequency_u for mode in (found, stored) if isfinite(mode.frequency_u)]
    width = [mode.damping * mode.frequency for mode in (found, stored) if isfinite(mode.damping)]
    within = max(SAME_AT_LEAST, SAME_SIGMAS * sqrt(sum(x * x for x in u)), *width, 0.0)
    distance = abs(found.frequency - stored.frequency) / within
    return distance if distance <= 1.0 else FAR


def _named(found: Mode, stored: Mode) -> Mode:
    return replace(
        found,
        kind=stored.kind,
        label=stored.label,
        labelled_by=stored.labelled_by,
        track=stored.track,
        levels=found.levels or stored.levels,
    )


def _strings(tapset: TapSet, family: str) -> tuple[float, ...] | None:
    """Open strings at the pitch the set was analysed with or set up to; None when neither is known."""
    for pitch in (tapset.analysis.settings.get("pitch_a4"), tapset.setup.pitch_a4):
        if isinstance(pitch, float | int) and isfinite(pitch) and pitch > 0.0:
            return assumed_strings(family, pitch_a4=float(pitch))
    return None


def _band(before: TapSet, after: TapSet) -> tuple[float, float]:
    for low, high in (after.analysis.band, before.analysis.band):
        if isfinite(low) and isfinite(high):
            return low, high
    frequencies = [mode.frequency for mode in (*before.modes, *after.modes)]
    return 0.8 * min(frequencies), 1.2 * max(frequencies)
