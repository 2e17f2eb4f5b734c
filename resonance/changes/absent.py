"""What may be said of a mode that only one of two sets shows.

"Not found" and "appeared" are claims: they are made only where the other set could have shown the mode.

Reason codes
------------
no_modes : {'side'}                    that set shows no mode at all
outside_band : {'low', 'high'}         the other set was not searched there
not_reached : {'reach'}                the other set's blows excite nothing up there
hidden_by : {'kind', 'frequency'}      a string, hum or room line of the other set lies over it
unsure_mode : {'side'}                 not known to be a resonance of the body at all
pair_ambiguous : {'margin'}            it may be a mode of the other set after all
other_place : {}                       heard at places that the other set has no tap from
too_weak : {'snr_db', 'needed_db'} or {'level_db', 'needed_db'}   may have sunk below what the other set shows
strength_not_known : {}                claimed although nothing tells how strong the mode is
"""

from math import isfinite

from resonance.changes.pair import Alone, is_body, is_doubtful
from resonance.changes.places import places, plain_name
from resonance.modes.intervals import half_bandwidth
from resonance.modes.mode import Mode
from resonance.reasons import Reason
from resonance.sets.tapset import TapSet

# Assumed: 10 dB for a line to be found, 5 dB for what putting back and another hand do to its level.
NEEDED_SNR_DB = 15.0
# A little above -36 dB of the strongest mode, below which nothing is reported.
NEEDED_LEVEL_DB = -28.0
NARROWEST = 2.0  # Hz, within which a line hides a mode


def absent_verdict(
    mode: Mode, alone: Alone, *, seen_in: TapSet, other: TapSet, other_modes: tuple[Mode, ...], side: str
) -> tuple[str, tuple[Reason, ...]]:
    """Judge a mode that `other` does not show.

    Parameters
    ----------
    mode, alone : the mode and how it came to stay alone
    seen_in, other : TapSet
    other_modes : tuple of Mode   the modes of `other` that were compared, strings and hum included
    side : 'before' or 'after'   which of the two `other` is

    Returns
    -------
    (verdict, reasons) : 'not found' or 'appeared', or 'not reached' or 'ambiguous' where neither may be said
    """
    if not any(is_body(m) for m in other_modes):
        return "ambiguous", (Reason("no_modes", {"side": side}),)
    unreached = _not_reached(mode, other)
    if unreached:
        return "not reached", unreached
    doubt = (
        _doubtful(mode, "before" if side == "after" else "after")
        or _hidden(mode, other_modes)
        or _ambiguous(alone)
        or _elsewhere(mode, other)
        or _weak(mode, seen_in, other)
    )
    if doubt:
        return "ambiguous", doubt
    known = isfinite(mode.snr_db) or any(isfinite(level.db) for level in mode.levels)
    claim = "not found" if side == "after" else "appeared"
    return claim, () if known else (Reason("strength_not_known"),)


def _not_reached(mode: Mode, other: TapSet) -> tuple[Reason, ...]:
    low, high = other.analysis.band
    if mode.frequency < low or mode.frequency > high:
        return (Reason("outside_band", {"low": low, "high": high}),)
    if mode.frequency > other.analysis.reach:
        return (Reason("not_reached", {"reach": other.analysis.reach}),)
    return ()


def _doubtful(mode: Mode, side: str) -> tuple[Reason, ...]:
    return (Reason("unsure_mode", {"side": side}),) if is_doubtful(mode) else ()


def _hidden(mode: Mode, other_modes: tuple[Mode, ...]) -> tuple[Reason, ...]:
    reach = max(NARROWEST, half_bandwidth(mode))
    lines = [m for m in other_modes if not is_body(m) and abs(m.frequency - mode.frequency) <= reach]
    if not lines:
        return ()
    line = min(lines, key=lambda m: abs(m.frequency - mode.frequency))
    return (Reason("hidden_by", {"kind": line.kind, "frequency": line.frequency}),)


def _ambiguous(alone: Alone) -> tuple[Reason, ...]:
    return (Reason("pair_ambiguous", {"margin": alone.margin}),) if alone.ambiguous else ()


def _elsewhere(mode: Mode, other: TapSet) -> tuple[Reason, ...]:
    heard = {(plain_name(x.tap_place), plain_name(x.microphone_place)) for x in mode.levels}
    there = places(other)
    return (Reason("other_place"),) if heard and there and not heard & there else ()


def _weak(mode: Mode, seen_in: TapSet, other: TapSet) -> tuple[Reason, ...]:
    better = other.analysis.noise_db - seen_in.analysis.noise_db
    expected = mode.snr_db + (better if isfinite(better) else 0.0)
    if expected < NEEDED_SNR_DB:
        return (Reason("too_weak", {"snr_db": expected, "needed_db": NEEDED_SNR_DB}),)
    there = places(other)
    levels = [
        level.db
        for level in mode.levels
        if not there or (plain_name(level.tap_place), plain_name(level.microphone_place)) in there
    ]
    loudest = max((db for db in levels if isfinite(db)), default=NEEDED_LEVEL_DB)
    if loudest < NEEDED_LEVEL_DB:
        return (Reason("too_weak", {"level_db": loudest, "needed_db": NEEDED_LEVEL_DB}),)
    return ()
