"""The sounds that tell a verdict: one for accepted, two low ones for refused.

They swell and fade over 150 ms, so that the recorder, hearing them, takes none for a blow: it goes on growing
after its start (`resonance.taking.blowlike`). Told apart by their number, not by pitch alone.
"""

import numpy as np

from resonance.sound.recording import FloatArray

SWELL = 0.15  # s, one sound
GAP = 0.03
ACCEPTED_HZ, REFUSED_HZ = 1175.0, 392.0
PEAK = 0.25
REACH = 0.30  # s that the way to the loudspeaker and the room may add
LENGTHS = {"accepted": SWELL, "refused": 2.0 * SWELL + GAP}


def chime(name: str, sample_rate: float) -> FloatArray:
    """One of the sounds in `LENGTHS`, array (n,), full scale 1."""
    n = round(SWELL * sample_rate)
    times = np.arange(n) / sample_rate
    hertz = ACCEPTED_HZ if name == "accepted" else REFUSED_HZ
    one = PEAK * np.sin(np.pi * np.arange(n) / n) ** 2 * np.sin(2.0 * np.pi * hertz * times)
    if name == "accepted":
        return np.asarray(one)
    return np.concatenate([one, np.zeros(round(GAP * sample_rate)), one])


def sounding(name: str) -> float:
    """Time after it is asked for in which a chime may be heard, s."""
    return LENGTHS[name] + REACH
