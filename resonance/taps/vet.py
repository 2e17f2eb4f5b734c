"""What is wrong with a tap: one small check per fault.

A fault never raises and never deletes: the tap comes back with its faults listed. All refuse the tap but
'dull', which does so only below 300 Hz.

Fault codes
-----------
clipped {level, run}   flat tops at the recording's extreme: level re full scale, longest run in samples
double_hit {delay, ratio_db}   a second blow s after the first, this much weaker in the treble
too_quiet {snr_db, needed_db}   too quiet for this room
cut_short {left}   the recording ends s after the blow
overlaps_next {after}   the next tap comes s after the blow
dull {reach}   the blow stops exciting at this frequency: modes above cannot be called absent
unlike_others {distance}   spectrum shape this many dB (rms) from the other taps'
"""

from collections.abc import Sequence
from dataclasses import replace
from math import isfinite

import numpy as np
import scipy
from numpy.typing import NDArray

from resonance.reasons import Fault
from resonance.sound.recording import FloatArray
from resonance.taps.measures import decay_ends, profiles, quiet_before
from resonance.taps.tap import Tap, TapLimits

BLOW = 0.05  # s after the onset in which clipping is sought
TREBLE = (2000.0, 9000.0)  # Hz, where a blow is short and the body dies away fast
ENVELOPE = 0.0006  # s, averaging of the treble envelope
SOONEST, LATEST = 0.0022, 0.045  # s, second blows the envelope is searched for
ABOVE_USUAL_DB = 9.0  # a second blow stands this far above the other taps' envelope
ALONE_RISE_DB = 14.0  # or, with fewer than three taps, above the dip before it
DULL = 1000.0  # Hz
DULLEST = 300.0  # Hz, below this the tap is refused
SHAPE = (150.0, 2000.0)  # Hz, in which shapes are compared
HEARD_DB = 6.0


def vet_taps(
    sound: FloatArray,
    sample_rate: float,
    taps: Sequence[Tap],
    *,
    bounces: Sequence[Sequence[float]],
    limits: TapLimits,
) -> list[Tap]:
    """Give the taps with their faults, the refused ones marked.

    Parameters
    ----------
    sound : array (n_samples,)
    taps : sequence of Tap   measured, by time
    bounces : for each tap, s   further blows that belong to it
    limits : TapLimits
    """
    envelopes = [treble_envelope(sound, sample_rate, tap.onset) for tap in taps]
    extremes = (float(np.max(sound, initial=0.0)), float(np.min(sound, initial=0.0)))
    distances = unlikeness(sound, sample_rate, taps)
    vetted = []
    for k, tap in enumerate(taps):
        later = taps[k + 1].onset if k + 1 < len(taps) else None
        others = [envelope for i, envelope in enumerate(envelopes) if i != k]
        found = (
            clipped(sound, sample_rate, tap, extremes, limits),
            double_hit(tap, bounces[k], envelopes[k], others, limits),
            too_quiet(tap, limits),
            too_short(tap, later, limits),
            dull(tap),
            unlike_others(distances[k], limits),
        )
        faults = tuple(fault for fault in found if fault is not None)
        vetted.append(replace(tap, faults=faults, kept=not any(refuses(fault) for fault in faults)))
    return vetted


def refuses(fault: Fault) -> bool:
    """Whether a fault keeps the tap out of the analysis."""
    return fault.code != "dull" or float(fault.values["reach"]) < DULLEST


def clipped(
    sound: FloatArray, sample_rate: float, tap: Tap, extremes: tuple[float, float], limits: TapLimits
) -> Fault | None:
    """Runs of equal samples at the recording's extreme: one at full scale, or two anywhere."""
    piece = sound[int(tap.onset * sample_rate) : int(min(tap.end, tap.onset + BLOW) * sample_rate) + 1]
    runs = [
        run for extreme in extremes if extreme for run in _runs(piece == extreme) if run >= limits.clip_run
    ]
    level = max(abs(extreme) for extreme in extremes)
    if len(runs) >= 2 or (runs and level >= limits.clip_level):
        return Fault("clipped", {"level": level, "run": max(runs)})
    return None


def _runs(flags: NDArray[np.bool_]) -> list[int]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(int), [0]])))
    return [int(n) for n in edges[1::2] - edges[::2]]


def treble_envelope(sound: FloatArray, sample_rate: float, onset: float) -> FloatArray:
    """Treble level in steps of `ENVELOPE` from the onset on, dB re its peak; empty at low sample rates."""
    high = min(TREBLE[1], 0.45 * sample_rate)
    first, last = int((onset - 0.002) * sample_rate), int((onset + LATEST + 0.005) * sample_rate)
    if high < 1.5 * TREBLE[0] or first < 0 or last > len(sound):
        return np.zeros(0)
    lead = max(0, first - int(0.005 * sample_rate))
    sections = scipy.signal.butter(2, (TREBLE[0], high), "bandpass", fs=sample_rate, output="sos")
    treble = scipy.signal.sosfilt(sections, sound[lead:last])[first - lead :]
    step = max(1, int(ENVELOPE * sample_rate))
    n = len(treble) // step
    power = np.mean(np.square(treble[: n * step]).reshape(n, step), axis=1)
    return np.asarray(10.0 * np.log10(power / max(float(power.max()), 1e-300) + 1e-9))


def double_hit(
    tap: Tap,
    bounces: Sequence[float],
    envelope: FloatArray,
    others: Sequence[FloatArray],
    limits: TapLimits,
) -> Fault | None:
    """Find a second blow: a further onset, or a treble rise that the other taps do not have.

    A reflection comes after every blow of a recording alike; a bounce belongs to one.
    """
    if bounces:
        return Fault(
            "double_hit",
            {"delay": bounces[0] - tap.onset, "ratio_db": _level_at(envelope, bounces[0] - tap.onset)},
        )
    usual = [other for other in others if other.size == envelope.size]
    if envelope.size == 0:
        return None
    times = np.arange(envelope.size) * ENVELOPE
    first = int(np.argmax(envelope > -6.0))
    late = (times - times[first] >= SOONEST) & (times - times[first] <= LATEST)
    strong = late & (envelope > limits.double_hit_db) & _local_maxima(envelope)
    dip = np.minimum.accumulate(np.where(np.arange(envelope.size) >= first, envelope, 0.0))
    if len(usual) >= 2:
        usually = _widest(np.median(np.stack([_aligned(u, first) for u in usual]), axis=0))
        hits = np.flatnonzero(strong & (envelope > usually + ABOVE_USUAL_DB) & (envelope > dip + 4.0))
    else:
        hits = np.flatnonzero(strong & (envelope > dip + ALONE_RISE_DB))
    if not hits.size:
        return None
    return Fault(
        "double_hit", {"delay": float(times[hits[0]] - times[first]), "ratio_db": float(envelope[hits[0]])}
    )


def _level_at(envelope: FloatArray, delay: float) -> float:
    """Treble level about `delay` (s) after the onset, dB re the blow; NaN beyond the envelope."""
    at = int((delay + 0.002) / ENVELOPE)
    near = envelope[max(at - 2, 0) : at + 6]
    return float(near.max()) if near.size else float("nan")


def _aligned(envelope: FloatArray, first: int) -> FloatArray:
    """Envelope moved so that its blow begins at step `first`."""
    return np.roll(envelope, first - int(np.argmax(envelope > -6.0)))


def _local_maxima(envelope: FloatArray) -> NDArray[np.bool_]:
    padded = np.concatenate([[np.inf], envelope, [np.inf]])
    return np.asarray((envelope >= padded[:-2]) & (envelope >= padded[2:]))


def _widest(envelope: FloatArray) -> FloatArray:
    """Largest of each step and its neighbours: reflections need not fall into the same step."""
    padded = np.pad(envelope, 1, mode="edge")
    return np.maximum(np.maximum(padded[:-2], padded[2:]), envelope)


def too_quiet(tap: Tap, limits: TapLimits) -> Fault | None:
    """Signal-to-noise ratio below the limit; not judged where there was no quiet to compare with."""
    if isfinite(tap.snr_db) and tap.snr_db < limits.lowest_snr_db:
        return Fault("too_quiet", {"snr_db": tap.snr_db, "needed_db": limits.lowest_snr_db})
    return None


def too_short(tap: Tap, later: float | None, limits: TapLimits) -> Fault | None:
    """Too little decay: before the recording's end, or before the next tap."""
    if tap.end - tap.onset >= limits.shortest:
        return None
    if later is not None:
        return Fault("overlaps_next", {"after": later - tap.onset})
    return Fault("cut_short", {"left": tap.end - tap.onset})


def dull(tap: Tap) -> Fault | None:
    """Reach so low that main modes may be missed."""
    return Fault("dull", {"reach": tap.reach}) if isfinite(tap.reach) and tap.reach < DULL else None


def unlike_others(distance: float, limits: TapLimits) -> Fault | None:
    """Spectrum shape far from the others'."""
    return Fault("unlike_others", {"distance": distance}) if distance > limits.unlike else None


def unlikeness(sound: FloatArray, sample_rate: float, taps: Sequence[Tap]) -> list[float]:
    """Distance of each tap's spectrum shape from the median of all, dB rms; 0 where it cannot be told.

    Needs four taps; the usual distance of the recording's taps is taken off, and when more than a third
    stand apart none is called unlike: there is no usual shape then.
    """
    if len(taps) < 4:
        return [0.0] * len(taps)
    times = [tap.onset for tap in taps]
    quiets = [quiet_before(times, k) for k in range(len(times))]
    measured = profiles(sound, sample_rate, times, decay_ends(times, len(sound) / sample_rate), quiets)
    centres = np.sqrt(measured.edges[1:] * measured.edges[:-1])
    heard = (centres >= SHAPE[0]) & (centres <= SHAPE[1]) & (np.median(measured.snr_db, axis=0) > HEARD_DB)
    if heard.sum() < 4:
        return [0.0] * len(taps)
    shape = measured.energy_db[:, heard] - np.median(measured.energy_db[:, heard], axis=1, keepdims=True)
    distance = np.sqrt(np.mean((shape - np.median(shape, axis=0)) ** 2, axis=1))
    usual = float(np.median(distance))
    apart = np.maximum(distance - usual, 0.0)
    if np.count_nonzero(apart > usual + 3.0) > len(taps) / 3:
        return [0.0] * len(taps)
    return [float(d) for d in apart]
