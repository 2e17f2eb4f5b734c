"""Signs in the sound itself that a device has been at work on the level: gain control, noise gate.

Both look only at the stretches from one sudden blow to the next, and both would rather miss a case than
cry wolf: free decays, bowed notes and ordinary taps must pass. The thresholds are common practice, no
source, tried on knocks, plates, bars, bowed notes and simulated gain control.

Codes
-----
gain_controlled : rise_db (how far the quiet between two blows creeps up, median), n_gaps
noise_gated : at (s, where the first dead stretch begins), floor_db (its level re the loudest 10 ms; never
    below -200)
"""

from itertools import pairwise

import numpy as np

from resonance.reasons import Reason
from resonance.sound.recording import FloatArray

FRAME = 0.010  # s
LOUD_DB = -30.0  # re the loudest frame: loud enough to be a blow
JUMP_DB = 9.0  # of a frame over the loudest of the four before it: a blow
GAP = 0.30  # s of between blows that is worth looking at
DEAD = 0.050  # s of silence that no microphone gives
DEAD_DB = -110.0  # level of it, re the loudest frame, where the file's resolution allows
FLAT_DB = -80.0  # level of half-resolution, re the loudest frame, below which flat samples mean a gate
RISE_DB = 5.0  # creep of the quiet over a gap
STRAIGHT = 0.80  # share of the creep's variance that a straight line in dB explains


def signs_of_doctoring(
    samples: FloatArray, sample_rate: float, *, resolution: float = 0.0
) -> tuple[Reason, ...]:
    """Reasons to doubt levels and damping: the recording looks gain-controlled or noise-gated.

    Parameters
    ----------
    samples : array (n_samples, n_channels)
    sample_rate : float, Hz
    resolution : float   step of the file's numbers (2/2**bits of full scale); 0 for floating point

    Returns
    -------
    tuple of Reason, 'gain_controlled' and 'noise_gated' at most once each
    """
    for channel in samples.T:
        levels = frame_levels_db(channel, sample_rate)
        gaps = quiet_gaps(levels)
        found = [r for r in (_gate(levels, gaps, resolution, channel), _gain(levels, gaps)) if r is not None]
        if found:
            return tuple(found)
    return ()


def frame_levels_db(channel: FloatArray, sample_rate: float) -> FloatArray:
    """Level of each 10 ms frame within about 300-3000 Hz, dB re the loudest frame; -inf where it is flat.

    Short means and then differences: a crude band-pass that is exactly zero where the sound is flat, and
    in which hum, handling and hiss weigh little.

    Parameters
    ----------
    channel : array (n_samples,)
    sample_rate : float, Hz
    """
    step = max(1, round(sample_rate / 6000.0))
    means = channel[: len(channel) // step * step].reshape(-1, step).mean(axis=1)
    slope = np.diff(means)
    width = max(8, round(FRAME * sample_rate / step))
    count = len(slope) // width
    if count == 0:
        return np.zeros(0)
    spread = np.sqrt(np.mean(slope[: count * width].reshape(count, width) ** 2, axis=1))
    loudest = spread.max()
    if loudest <= 0.0:
        return np.full(count, -np.inf)
    with np.errstate(divide="ignore"):
        return np.asarray(20.0 * np.log10(spread / loudest))


def quiet_gaps(levels_db: FloatArray) -> list[tuple[int, int]]:
    """Stretches (first frame, one past the last) from one sudden blow to the next, where long enough."""
    before = np.max([np.roll(levels_db, k) for k in range(1, 5)], axis=0, initial=-np.inf)
    before[:4] = np.inf
    floor = np.maximum(before, -150.0)
    sudden = np.flatnonzero((levels_db >= LOUD_DB) & (levels_db - floor > JUMP_DB))
    least = round(GAP / FRAME)
    return [(int(a) + 1, int(b)) for a, b in pairwise(sudden) if b - a - 1 >= least]


def _gate(
    levels: FloatArray, gaps: list[tuple[int, int]], resolution: float, channel: FloatArray
) -> Reason | None:
    """A dead stretch between blows that no microphone in a room would give."""
    loudest = max(float(channel.max()), -float(channel.min()), 1e-300)
    flat_level_db = 20.0 * np.log10(resolution / 4.0 / loudest) if resolution > 0.0 else -np.inf
    dead = (levels < DEAD_DB) if flat_level_db < FLAT_DB else np.zeros(len(levels), dtype=bool)
    need = round(DEAD / FRAME)
    for first, end in gaps:
        run = np.convolve(dead[first:end], np.ones(need), mode="valid")
        at = np.flatnonzero(run >= need - 0.5)
        if len(at):
            floor = float(max(levels[first + at[0]], -200.0))
            return Reason("noise_gated", {"at": (first + int(at[0])) * FRAME, "floor_db": floor})
    return None


def _gain(levels: FloatArray, gaps: list[tuple[int, int]]) -> Reason | None:
    """The quiet creeps up between blows, in a straight line of dB, time after time."""
    if len(gaps) < 3:
        return None
    rises = []
    for first, end in gaps:
        quiet = levels[first : end - round(0.03 / FRAME)]  # a finger on its way is no creep
        lowest = int(np.argmin(quiet))
        rises.append(_creep_db(quiet[lowest:]))
    creeping = [r for r in rises if r >= RISE_DB]
    if 4 * len(creeping) < 3 * len(gaps):
        return None
    return Reason("gain_controlled", {"rise_db": float(np.median(creeping)), "n_gaps": float(len(creeping))})


def _creep_db(quiet: FloatArray) -> float:
    """Rise in dB of a straight line through the quiet; 0 where it is short, broken or not straight."""
    if len(quiet) < round(0.2 / FRAME) or not np.isfinite(quiet).all():
        return 0.0
    quiet = quiet[: len(quiet) // 5 * 5].reshape(-1, 5).mean(axis=1)  # 50 ms: steadier
    t = np.arange(len(quiet), dtype=float)
    slope, level = np.polyfit(t, quiet, 1)
    explained = 1.0 - np.var(quiet - (slope * t + level)) / max(float(np.var(quiet)), 1e-12)
    return float(slope * len(quiet)) if explained >= STRAIGHT else 0.0
