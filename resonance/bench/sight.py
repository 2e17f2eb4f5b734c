"""Sound for the eye, twenty times a second: the level and a spectrum of the last moments, as few bytes.

Nothing here is measured: readings come from `resonance.taking.readings`. One byte a point, half a dB a step.
"""

import threading

import numpy as np
from numpy.typing import NDArray

from resonance.sound.recording import FloatArray
from resonance.spectra.spectrum import pitch_points

POINTS = 256
LENGTH = 8192  # samples looked at: 0.17 s at 48 kHz
FLOOR_DBFS = -110.0
STEPS_A_DB = 2.0


class Sight:
    """The last moments of a sound that comes in blocks; fed by one thread, looked at by others.

    Parameters
    ----------
    sample_rate : float, Hz
    band : (float, float), Hz   that is shown
    """

    def __init__(self, sample_rate: float, band: tuple[float, float]) -> None:
        self.sample_rate, self.band = sample_rate, band
        self._ring = np.zeros(LENGTH)
        self._peak = 0.0
        self._count = 0
        self._lock = threading.Lock()
        self._drawn = (-1, b"")

    def hear(self, block: FloatArray) -> None:
        """Take in a block (n, n_channels)."""
        sound = block[-LENGTH:, 0]
        with self._lock:
            self._ring = np.concatenate([self._ring[len(sound) :], sound])
            self._peak = max(self._peak, float(np.max(np.abs(sound), initial=0.0)))
            self._count += 1

    def frame(self) -> tuple[int, bytes]:
        """Give the number of the newest block, and the picture: level, then `POINTS` of spectrum.

        Those who ask for the same block are given the same bytes.
        """
        with self._lock:
            if self._drawn[0] == self._count:
                return self._drawn
            count, sound, peak, self._peak = self._count, self._ring, self._peak, 0.0
        picture = in_steps(np.array([peak])) + in_steps(
            pitch_points(sound, self.sample_rate, self.band, POINTS)
        )
        with self._lock:
            self._drawn = (count, picture)
        return count, picture


def in_steps(amplitude: FloatArray) -> bytes:
    """Give amplitudes as bytes: half dB above `FLOOR_DBFS`."""
    dbfs = 20.0 * np.log10(np.maximum(amplitude, 1e-9))
    steps: NDArray[np.uint8] = np.clip(np.round((dbfs - FLOOR_DBFS) * STEPS_A_DB), 0, 255).astype(np.uint8)
    return steps.tobytes()
