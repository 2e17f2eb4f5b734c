"""Where two tap sets were taken from, and what another place costs.

With the microphone at the same place the room's bias mostly cancels in a shift; at another place it does
not. On simulated sets shifts of 1.6 to 4.9 Hz then appear from nothing (source mark: simulation; violin
modes, 12 dB of direct over reverberant sound). So two sets from different places carry a room term of 2.5 Hz,
but not above half of the mode's half-power bandwidth. A set from several places averages over them: the term
is 2.5 Hz sqrt(sum (w1 - w2)^2 / 2), w the share of each place in each set. Two places in common: no term. A
contact sensor hears no room.

Reason codes
------------
place_not_known : {'what', 'side'}   noted on the other side only
place_differs : {'what', 'before', 'after'}   'what' is 'tap place' or 'microphone place'
place_not_noted : {'what'}                    unnamed on both sides: taken as the same place
"""

from collections import Counter
from math import inf, sqrt

from resonance.modes.intervals import half_bandwidth
from resonance.modes.mode import Mode
from resonance.reasons import Reason
from resonance.sets.tapset import TapSet
from resonance.sound.recording import Take

Place = tuple[str, str]

ROOM_HZ = 2.5
ROOM_DOF = 8.0  # an uncertainty known to about a quarter (JCGM 100:2008, eq. G.3)
KINDS = ("tap place", "microphone place")


def places(tapset: TapSet) -> frozenset[Place]:
    """Give the (tap place, microphone place) pairs that a set's readings come from.

    Takes without a kept tap do not count where taps are known; without takes the levels tell.
    """
    kept = {tap.take for tap in tapset.taps if tap.kept}
    used = [take for i, take in enumerate(tapset.takes) if i in kept or not kept]
    if used:
        return frozenset((plain_name(take.tap_place), plain_name(take.microphone_place)) for take in used)
    levels = [level for mode in tapset.modes for level in mode.levels] + list(tapset.bands)
    return frozenset((plain_name(level.tap_place), plain_name(level.microphone_place)) for level in levels)


def room_hertz(before: TapSet, after: TapSet) -> float:
    """Standard uncertainty in Hz that the room adds to a shift between two sets, before its upper limit."""
    if _contact_only(before) and _contact_only(after):
        return 0.0
    left, right = places(before), places(after)
    if left == right or not left or not right or len(left & right) >= 2:
        return 0.0
    share = Counter({place: 1.0 / len(left) for place in left})
    share.subtract({place: 1.0 / len(right) for place in right})
    return ROOM_HZ * sqrt(0.5 * sum(weight**2 for weight in share.values()))


def limited_room(room: float, mode: Mode) -> float:
    """Room term of one mode in Hz: not above half of its half-power bandwidth, where that is known."""
    return min(room, half_bandwidth(mode) or inf)


def place_reasons(before: TapSet, after: TapSet) -> tuple[Reason, ...]:
    """Say where places differ between two sets, or were not noted."""
    left, right = places(before), places(after)
    reasons = []
    for index, what in enumerate(KINDS):
        sides = [sorted({place[index] for place in side} or {""}) for side in (left, right)]
        if sides[0] == sides[1] == [""]:
            reasons.append(Reason("place_not_noted", {"what": what}))
        elif [""] in sides:
            side = "before" if sides[0] == [""] else "after"
            reasons.append(Reason("place_not_known", {"what": what, "side": side}))
        elif sides[0] != sides[1]:
            texts = [", ".join(name or "not noted" for name in side) for side in sides]
            reasons.append(Reason("place_differs", {"what": what, "before": texts[0], "after": texts[1]}))
    return tuple(reasons)


def plain_name(name: str) -> str:
    """Give a place's name without regard to case and spaces."""
    return " ".join(name.split()).casefold()


def _contact_only(tapset: TapSet) -> bool:
    return bool(tapset.takes) and all(_hears_no_room(take) for take in tapset.takes)


def _hears_no_room(take: Take) -> bool:
    heard = {take.role(channel) for channel in range(max(take.recording.n_channels, len(take.channels)))}
    return "contact" in heard and "sound" not in heard
