"""How unlike the others a tap is, as a number of dB that a softer or harder blow does not explain.

The energies of a tap in bands of a twelfth of an octave are set against the median of the other taps. Blows
differ in strength and in width, which tilts the spectrum and moves its nulls: of a set of such changes the
one that fits best is allowed for, and the noise is added before comparing. What is left is small for taps on
one place (0.6-2.2 dB on made-up taps through a room, 0.7-2.3 dB on real plates), about 2 dB for a soft
finger among hard tips, 5-7 dB for a knock on the bench or a scrape.
"""

import numpy as np

from resonance.sound.recording import FloatArray
from resonance.taps.measures import HEARD_DB, Profiles

PER_DECADE = 40  # bands: twelfths of an octave, so that the resonances show
LEAST_TAPS = 4
SHARP, SOFT = 0.0003, 0.006  # s, widths of blow that are allowed for
FARTHEST_DB = 15.0  # one band counts at most this much
SMALLEST_DB = 1.0  # of usual deviation: less is chance
NULL = 1e-5  # power left at the null of a blow


def distances(measured: Profiles) -> list[float]:
    """How unlike the others each tap is: mean deviation over the usual one (1 dB at least).

    Parameters
    ----------
    measured : Profiles with `PER_DECADE` bands to the decade

    Returns
    -------
    list of float, dimensionless; NaN where there are fewer than four taps or nothing is heard
    """
    n_taps = len(measured.energy_db)
    if n_taps < LEAST_TAPS:
        return [np.nan] * n_taps
    changes = blow_changes_db(measured.edges)
    deviation = np.array([_deviation(measured, k, changes) for k in range(n_taps)])
    usual = [np.median(np.delete(deviation, k)) for k in range(n_taps)]
    return [float(d / max(SMALLEST_DB, u)) for d, u in zip(deviation, usual, strict=True)]


def _deviation(measured: Profiles, k: int, changes_db: FloatArray) -> float:
    """Mean deviation (dB) of tap k from the others' median, the best fitting change of blow taken out."""
    others = np.arange(len(measured.energy_db)) != k
    usual_db = np.median(measured.energy_db[others], axis=0)
    own = measured.snr_db[k] >= HEARD_DB
    compared = own | (np.median(measured.snr_db[others], axis=0) >= HEARD_DB)
    if not np.any(own):
        return 0.0
    model_db = usual_db + changes_db
    model_db += np.median((measured.energy_db[k] - model_db)[:, own], axis=1, keepdims=True)
    heard_db = 10.0 * np.log10(10.0 ** (model_db / 10.0) + 10.0 ** (measured.noise_db[k] / 10.0))
    deviation = np.minimum(np.abs(measured.energy_db[k] - heard_db), FARTHEST_DB)
    return float(np.min(np.mean(deviation[:, compared], axis=1)))


def blow_changes_db(edges: FloatArray) -> FloatArray:
    """What another width of blow does to each band, dB; array (n_changes, n_bands).

    Between any of ten widths from nothing to 6 ms (this tap) and of six up to 1.7 ms (the others).
    """
    widths = np.concatenate([[0.0], np.geomspace(SHARP, SOFT, 27)])
    levels = np.stack([_half_sine_db(float(width), edges) for width in widths])
    return np.asarray((levels[::3, None, :] - levels[None, :16:3, :]).reshape(-1, levels.shape[1]))


def _half_sine_db(width: float, edges: FloatArray) -> FloatArray:
    """Level of a half-sine blow of unit area in each band: cos(pi f T) / (1 - (2 f T)^2), dB."""
    frequency = np.linspace(edges[:-1], edges[1:], 3)
    x = 2.0 * frequency * width
    near = np.abs(x - 1.0) < 1e-3
    amplitude = np.where(near, np.pi / 4.0, np.cos(0.5 * np.pi * x) / np.where(near, 1.0, 1.0 - x**2))
    return np.asarray(10.0 * np.log10(np.mean(amplitude**2, axis=0) + NULL))
