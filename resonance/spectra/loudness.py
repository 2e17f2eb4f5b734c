"""Loudness of recordings after ITU-R BS.1770, for listening to before and after at equal loudness.

The K-weighting and its gates are those of the library pyloudnorm; nothing of them is written here. Mono and
stereo only; a recording of more channels is heard by its first two. Loudness is relative to full scale and
says nothing of the sound pressure in the room.
"""

import numpy as np

from resonance.sound.recording import FloatArray, Recording

SHORTEST = 0.4  # s, a gating block of the recommendation
CEILING = 0.89  # of full scale, -1 dB


def loudness(recording: Recording) -> float:
    """Integrated loudness in LUFS; -inf where all of it lies under the gate, NaN where it is too short."""
    import pyloudnorm

    if recording.duration <= SHORTEST:
        return float("nan")
    meter = pyloudnorm.Meter(int(recording.sample_rate))
    return float(meter.integrated_loudness(recording.samples[:, :2]))


def equal_loudness(first: Recording, second: Recording) -> tuple[FloatArray, FloatArray, float]:
    """Bring two recordings to the same loudness, neither over the ceiling.

    Returns
    -------
    (samples, samples, gain_db) : arrays (n_samples, n_channels), and what the second was raised by against
    the
        first

    Raises
    ------
    ValueError   when one is too short or too quiet for its loudness to be told
    """
    levels = np.array([loudness(first), loudness(second)])
    if not np.isfinite(levels).all():
        raise ValueError("a recording is too short or too quiet to tell its loudness")
    gains = 10.0 ** ((levels.mean() - levels) / 20.0)
    whole = [first.samples[:, :2] * gains[0], second.samples[:, :2] * gains[1]]
    top = max(float(np.abs(each).max()) for each in whole)
    scale = min(1.0, CEILING / top)
    return whole[0] * scale, whole[1] * scale, float(levels[0] - levels[1])
