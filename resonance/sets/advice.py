"""What would help the next tap set most, reckoned from this one's own numbers.

The uncertainty of a mode has a part from noise, a part from the hand (tap to tap, `Mode.hand`) and a part
from the room (`Mode.model_u`). For each remedy the half width of its 95 % interval is reckoned anew:

    more taps, K to K'           noise and hand fall as K / K', the t quantile too
    microphone at half the way   6 dB more signal over noise and over the room: both variances to a quarter
    a second place               the room's variance to a half, and the taps that are recorded there

The gain is the share by which the half width shrinks, the median over the body and air modes within 20 dB of
the strongest. Taps lost to a fault count as taps that would be had. For damped strings the gain is the share
of these modes that stand under a ringing string, for a harder tip the share of the band (in octaves) that the
blows do not reach: other things than a narrower interval, put beside it one for one. What has no number of
its own has an assumed gain.

Codes, each with ``gain``, in order of it
-----------------------------------------
tap_again : {gain}              nothing could be read
more_taps : {gain, n}           so many more
nearer : {gain}                 microphone nearer, or a quieter moment
second_place : {gain, n}        so many taps at a second microphone place
damp_strings : {gain, n}        so many modes stand under a ringing string
harder_tip : {gain, reach}      the blows reach so far
gain_down : {gain, n}           taps lost to clipping
one_blow : {gain, n}            taps lost to double hits
let_ring : {gain, n}            taps cut short or run into by the next
record_plainly : {gain}         lossy file, automatic gain or a noise gate
"""

from collections.abc import Sequence
from math import inf, isfinite, log2

import numpy as np

from resonance.modes.intervals import combined, half_bandwidth, half_width
from resonance.modes.mode import Mode
from resonance.reasons import Reason
from resonance.sets.tapset import TapSet

MOST = 3
LEAST_GAIN = 0.10  # less is not worth a maker's time; assumed
STRONG_DB = 20.0  # below the strongest mode
MORE, AT_SECOND_PLACE = 3, 4  # taps
NEARER = 0.25  # of the variance at half the distance
STRING_WITHIN = 1.0  # half bandwidths in which a string's line stands over a mode
WARNED = {"lossy": 0.25, "gain_controlled": 0.5, "noise_gated": 0.5}  # assumed
REMEDIES = {
    "clipped": "gain_down",
    "double_hit": "one_blow",
    "cut_short": "let_ring",
    "overlaps_next": "let_ring",
    "too_quiet": "nearer",
    "dull": "harder_tip",
}
NOTHING_READ = ("no_taps", "no_modes", "model_misfit")


def what_helps(tap_set: TapSet) -> tuple[Reason, ...]:
    """Give at most three remedies, the one that gains most first; each Reason holds its ``gain``."""
    if any(reason.code in NOTHING_READ for reason in tap_set.reasons):
        found = [Reason("tap_again", {"gain": 1.0})]
    else:
        found = [*_of_taps(tap_set), *_of_places(tap_set), *_of_strings(tap_set), *_of_reach(tap_set)]
    found = _best_of_each([*found, *_of_faults(tap_set), *_of_recordings(tap_set)])
    worth = [reason for reason in found if _gain_in(reason) >= LEAST_GAIN]
    return tuple(sorted(worth, key=_gain_in, reverse=True)[:MOST])


def telling_modes(tap_set: TapSet) -> list[Mode]:
    """Body and air modes within 20 dB of the strongest that have an uncertainty."""
    own = [mode for mode in tap_set.modes if mode.kind in ("body", "air") and mode.frequency_u > 0.0]
    least = max(map(_level, own), default=-inf) - STRONG_DB
    return [mode for mode in own if _level(mode) >= least]


def gain_of(modes: Sequence[Mode], *, more: int = 0, noise: float = 1.0, room: float = 1.0) -> float:
    """Share by which the half width of a usual mode shrinks; 0 without modes.

    Parameters
    ----------
    modes : sequence of Mode
    more : int   taps beside the mode's own
    noise, room : float   what the variance from noise and from the room is multiplied by
    """
    gains = [_gain(mode, more, noise, room) for mode in modes]
    return float(np.median(gains)) if gains else 0.0


def _gain(mode: Mode, more: int, noise: float, room: float) -> float:
    taps = max(1, mode.n_taps)
    fewer = taps / (taps + more)
    hand = min(mode.hand**2 / taps, 0.95 * mode.frequency_u**2) if isfinite(mode.hand) else 0.0
    own = (noise * (mode.frequency_u**2 - hand) + hand) * fewer
    model = mode.model_u if isfinite(mode.model_u) else 0.0
    before = half_width(*combined(mode.frequency_u, mode.frequency_dof, model))
    after = half_width(*combined(own**0.5, mode.frequency_dof + more, model * room**0.5))
    return 1.0 - after / before if before > 0.0 else 0.0


def _of_taps(tap_set: TapSet) -> list[Reason]:
    if sum(tap.kept for tap in tap_set.taps) == 1:  # how far taps differ is not known at all
        return [Reason("more_taps", {"gain": 1.0, "n": MORE + 1})]
    return [Reason("more_taps", {"gain": gain_of(telling_modes(tap_set), more=MORE), "n": MORE})]


def _of_places(tap_set: TapSet) -> list[Reason]:
    """Microphone nearer, and at a second place; of a plate or a bar only the noise is known to fall."""
    modes, strung = telling_modes(tap_set), _strung(tap_set)
    nearer = gain_of(modes, noise=NEARER, room=NEARER if strung else 1.0)
    found = [Reason("nearer", {"gain": nearer})]
    if strung and any(reason.code == "one_microphone_place" for reason in tap_set.reasons):
        second = gain_of(modes, more=AT_SECOND_PLACE, room=0.5)
        found.append(Reason("second_place", {"gain": second, "n": AT_SECOND_PLACE}))
    return found


def _of_strings(tap_set: TapSet) -> list[Reason]:
    modes = telling_modes(tap_set)
    lines = [mode.frequency for mode in tap_set.modes if mode.kind == "string"]
    under = [m for m in modes if any(abs(f - m.frequency) < STRING_WITHIN * half_bandwidth(m) for f in lines)]
    share = len(under) / len(modes) if modes else 0.0
    return [Reason("damp_strings", {"gain": share, "n": len(under)})]


def _of_reach(tap_set: TapSet) -> list[Reason]:
    low, high = tap_set.analysis.band
    reach = tap_set.analysis.reach
    if not (isfinite(low) and low < reach < high):
        return []
    return [Reason("harder_tip", {"gain": log2(high / reach) / log2(high / low), "reach": reach})]


def _of_faults(tap_set: TapSet) -> list[Reason]:
    """Taps that a fault has cost, as taps that would be had; a kept tap with a fault costs nothing."""
    lost: dict[str, int] = {}
    for tap in tap_set.taps:
        if not tap.kept:
            for code in dict.fromkeys(REMEDIES.get(fault.code, "") for fault in tap.faults):
                lost[code] = lost.get(code, 0) + 1
    modes = telling_modes(tap_set)
    return [
        Reason(code, {"gain": gain_of(modes, more=n) if modes else 1.0, "n": n})
        for code, n in lost.items()
        if code
    ]


def _of_recordings(tap_set: TapSet) -> list[Reason]:
    codes = {reason.code for take in tap_set.takes for reason in take.recording.warnings}
    worst = max((WARNED.get(code, 0.0) for code in codes), default=0.0)
    return [Reason("record_plainly", {"gain": worst})] if worst else []


def _best_of_each(found: Sequence[Reason]) -> list[Reason]:
    """Of two ways to one remedy the one that gains more."""
    best: dict[str, Reason] = {}
    for reason in found:
        if reason.code not in best or _gain_in(reason) > _gain_in(best[reason.code]):
            best[reason.code] = reason
    return list(best.values())


def _gain_in(reason: Reason) -> float:
    return float(reason.values["gain"])


def _strung(tap_set: TapSet) -> bool:
    settings = tap_set.analysis.settings
    return settings.get("piece", "whole") == "whole" and settings.get("family", "violin") != "other"


def _level(mode: Mode) -> float:
    return max((level.db for level in mode.levels), default=0.0)
