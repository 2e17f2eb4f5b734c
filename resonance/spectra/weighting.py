"""Frequency weightings A, C and Z as gains over frequency, for spectra.

Closed forms of IEC 61672-1:2013, Annex E (quoted in public source files, the standard itself not read), with
their poles. They are applied to the bins of a spectrum, so they hold up to half the sample rate and need no
filter; what lies above half the sample rate was not recorded, and no weighting brings it back.
"""

import numpy as np
from numpy.typing import ArrayLike

from resonance.sound.recording import FloatArray

POLES = (20.598997057618316, 107.65264864304629, 737.8622307362901, 12194.217147998012)  # Hz
WEIGHTINGS = ("A", "C", "Z")


def weighting_db(frequency: ArrayLike, weighting: str) -> FloatArray:
    """Gain in dB of a weighting, 0 at 1 kHz.

    Parameters
    ----------
    frequency : array, Hz, 0 or more
    weighting : one of `WEIGHTINGS`   Z is flat

    Raises
    ------
    ValueError   for another weighting
    """
    if weighting not in WEIGHTINGS:
        raise ValueError(f"weighting is '{weighting}'; it is one of {', '.join(WEIGHTINGS)}")
    f = np.asarray(frequency, float)
    if weighting == "Z":
        return np.zeros_like(f)
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * (np.log10(_power(f, weighting)) - np.log10(_power(1000.0, weighting))))


def weighting_power(frequency: ArrayLike, weighting: str) -> FloatArray:
    """Power gain (1 at 1 kHz) of a weighting; see `weighting_db`."""
    return np.asarray(10.0 ** (0.1 * weighting_db(frequency, weighting)))


def _power(frequency: ArrayLike, weighting: str) -> FloatArray:
    """Squared magnitude of the poles and zeros, without its constant factor."""
    f2 = np.asarray(frequency, float) ** 2
    low, second, third, high = (pole**2 for pole in POLES)
    power = f2**2 / ((f2 + low) ** 2 * (f2 + high) ** 2)
    return np.asarray(power * f2**2 / ((f2 + second) * (f2 + third)) if weighting == "A" else power)
