"""What the room does to the modes of a set, as far as the taps tell.

A room adds to every decay a sound that is no mode of the body. Fits that begin later are moved by it: the
median of that movement, in half bandwidths of a mode that stands alone, tells that there is a room. How
crowded the list became with what is the room's (`drowned`, its median) tells how strong it is. Their product
is the room index, about the standard deviation of a lone mode's error in half bandwidths: 0 without a room,
.1 in a simulated room of 0.2 s with 20 dB of direct over reverberant sound, .4 at 0.5 s and 8 dB. A mode
fainter than what sounds around it is moved in proportion. One mode's own movement tells little by itself: it
may be none by chance.

Where no room is heard and a mode moves all the same, surely, its decay bends: something that dies away more
slowly rings on at its frequency, a string coupled to it or one resonance of the room. Where that slope is
found as a mode of its own (`late_slopes`), the louder one's damping is free of it and the slope is no body
mode; where it is not, it is in the damping, and the movement says about how much.

Reason codes
------------
late_slope : {of}   (mode) rings on, fainter and longer, at the frequency of a louder one, Hz: kind 'unsure'
bent_decay : {}     (mode) later starts move it, though no room is heard: damping and frequency are widened
"""

from collections.abc import Sequence
from dataclasses import replace
from math import hypot, isfinite, sqrt

import numpy as np

from resonance.modes.intervals import frequency_half_width, half_bandwidth
from resonance.modes.mode import Mode
from resonance.reasons import Reason
from resonance.sound.recording import FloatArray

# These were set on simulated rooms of other seeds than the benchmark's: intervals hold rather than are short.
OWN_TERM = 0.5  # weight of a mode's own movement, which counts up to half of its half bandwidth
ROOM_TERM = 1.1  # weight of the room index
DAMPING_TERM = 1.3  # ln damping is moved this much more than frequency in half bandwidths
LARGEST_TERM = 1.5  # half bandwidths, the most that is added
ROOM_HEARD = 0.06  # room index from which the room is said to limit the set
# Set on the made-up job of the demo, whose false modes they single out; no other source.
FLANK_DB = 18.0  # a mode this much fainter than one whose band it lies in is not vouched for
VAGUE_DB = (
    6.0  # ... or this much, where its frequency is known to no better than `VAGUE` of its half bandwidth
)
VAGUE = 0.4
BENT_AT_LEAST = 0.02  # of damping or half bandwidth; less does not matter
# Where its decay bends a mode's own movement, frequency and ln damping taken together (the late slope's phase
# says which of the two it moves), counts by this much; set on made-up late slopes.
BENT_TERM = 1.2
BENT_SIGMAS = 3.0  # standard uncertainties of a later fit by which it moves at least
BENT = Reason("bent_decay")
LATE_WITHIN = 0.35  # half bandwidths of the louder mode within which a slower one is its late slope
LATE_SLOWER = 0.8  # times the louder one's decay rate, at most
FLANK = 1.4  # how near that is: distance over the sum of both half bandwidths
SHARED = ("body", "air", "unsure")


def room_index(modes: Sequence[Mode]) -> float:
    """Standard deviation of what the room does to a mode that stands alone, in its half bandwidths.

    Places differ in what the room does: with more microphone places it goes down as one over their root.

    Parameters
    ----------
    modes : sequence of Mode   `model_u` holding each mode's own movement in Hz

    Returns
    -------
    float, 0 without modes
    """
    own = [m for m in modes if m.kind in SHARED and half_bandwidth(m) > 0.0 and isfinite(m.model_u)]
    if not own:
        return 0.0
    around = np.array([drowned(m, own) for m in own])
    movement = np.array([m.model_u / half_bandwidth(m) for m in own]) / np.sqrt(around)
    places = {level.microphone_place for m in own for level in m.levels}
    return float(np.median(movement) * np.median(around) / sqrt(max(1, len(places))))


def drowned(mode: Mode, modes: Sequence[Mode]) -> float:
    """Energy around a mode, its own included, over its own: 1 for a mode that stands alone."""
    own, others = _level(mode), [m for m in modes if m is not mode and m.levels and m.kind in SHARED]
    if not mode.levels:
        return 1.0
    apart = [
        (m.frequency - mode.frequency) / max(half_bandwidth(m) + half_bandwidth(mode), 1e-9) for m in others
    ]
    around = (10.0 ** ((_level(m) - own) / 10.0) / (1.0 + x * x) for m, x in zip(others, apart, strict=True))
    return float(1.0 + sum(around))


def with_model_terms(modes: Sequence[Mode], room: float) -> list[Mode]:
    """Give every mode its model terms, from its own movement and the room index.

    Parameters
    ----------
    modes : sequence of Mode   `model_u` (Hz) and `damping_model_u` holding each mode's own movement
    room : float   `room_index`
    """
    return [_with_terms(m, modes, room) for m in modes]


def _with_terms(mode: Mode, modes: Sequence[Mode], room: float) -> Mode:
    half = half_bandwidth(mode)
    if not half > 0.0 or mode.kind not in SHARED:
        return mode
    shared = ROOM_TERM * room * sqrt(drowned(mode, modes))
    bent = any(reason.code == BENT.code for reason in mode.reasons)
    if bent and room > ROOM_HEARD:  # it moves as all do here
        bent, mode = False, replace(mode, reasons=tuple(r for r in mode.reasons if r.code != BENT.code))
    own = min(OWN_TERM * mode.model_u, 0.5 * half) if isfinite(mode.model_u) else 0.0
    own_damping = min(OWN_TERM * mode.damping_model_u / mode.damping, 0.5)
    if bent:
        both = min(BENT_TERM * hypot(mode.model_u / half, mode.damping_model_u / mode.damping), 0.5)
        own, own_damping = both * half, both
    model_u = min(hypot(own, shared * half), LARGEST_TERM * half)
    limited = "room" if model_u > 2.0 * mode.frequency_u and mode.limited_by != "record" else mode.limited_by
    damping_u = mode.damping * hypot(own_damping if isfinite(own_damping) else 0.0, DAMPING_TERM * shared)
    return replace(mode, model_u=model_u, damping_model_u=damping_u, limited_by=limited)


def late_slopes(modes: Sequence[Mode]) -> list[Mode]:
    """Call a body mode that is but the late slope of a louder one unsure.

    Parameters
    ----------
    modes : sequence of Mode
    """
    return [_unsure_beside(mode, _slope_of(mode, modes), "late_slope") for mode in modes]


def _unsure_beside(mode: Mode, louder: Mode | None, code: str) -> Mode:
    """Call a mode unsure for the sake of a louder one, where there is one."""
    if louder is None:
        return mode
    return replace(mode, kind="unsure", reasons=(*mode.reasons, Reason(code, {"of": louder.frequency})))


def _slope_of(mode: Mode, modes: Sequence[Mode]) -> Mode | None:
    """Return the louder body mode at the same frequency that dies away sooner, if there is one."""
    if mode.kind != "body" and not (mode.kind == "unsure" and not mode.reasons):
        return None
    above = [
        m
        for m in modes
        if m.kind in ("body", "air")
        and _level(m) > _level(mode)
        and abs(m.frequency - mode.frequency) < LATE_WITHIN * half_bandwidth(m)
        and half_bandwidth(mode) < LATE_SLOWER * half_bandwidth(m)
    ]
    return max(above, key=_level, default=None)


def flanked(modes: Sequence[Mode]) -> list[Mode]:
    """Call a faint mode in the band of a loud one unsure: a room makes such of a loud note.

    Parameters
    ----------
    modes : sequence of Mode   with their model terms
    """
    return [_unsure_beside(mode, _louder_beside(mode, modes), "flank") for mode in modes]


def _louder_beside(mode: Mode, modes: Sequence[Mode]) -> Mode | None:
    """Return the loudest body mode in whose band a body mode lies, where it is louder by far."""
    if mode.kind != "body" or not mode.levels:
        return None
    beside = [
        m
        for m in modes
        if m.kind == "body"
        and m.levels
        and abs(m.frequency - mode.frequency) < FLANK * (half_bandwidth(m) + half_bandwidth(mode))
    ]
    loudest = max(beside, key=_level, default=mode)
    vague = frequency_half_width(mode) > VAGUE * half_bandwidth(mode)
    return loudest if _level(loudest) > _level(mode) + (VAGUE_DB if vague else FLANK_DB) else None


def _level(mode: Mode) -> float:
    levels: FloatArray = np.array([level.db for level in mode.levels] or [0.0], float)
    return float(np.mean(levels))
