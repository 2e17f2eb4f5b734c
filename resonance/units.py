"""Conversions between the units a maker and an acoustician use.

Frequencies in Hz, times in s, damping as the ratio zeta = -Re s / |s| of the pole s. Arrays broadcast.
"""

from math import log, nan

import numpy as np
from numpy.typing import ArrayLike, NDArray

NOTE_NAMES = ("C", "C♯", "D", "D♯", "E", "F", "F♯", "G", "G♯", "A", "A♯", "B")


def cents(frequency: ArrayLike, reference: ArrayLike) -> NDArray[np.float64]:
    """Interval from `reference` to `frequency` in cents: 1200 log2(f / f_ref). Both Hz, above 0."""
    return np.asarray(1200.0 * np.log2(np.asarray(frequency, float) / np.asarray(reference, float)))


def hertz(interval_cents: ArrayLike, reference: ArrayLike) -> NDArray[np.float64]:
    """Change in Hz that an interval in cents makes at `reference` (Hz): f_ref (2^(c/1200) - 1)."""
    return np.asarray(
        np.asarray(reference, float) * np.expm1(np.asarray(interval_cents, float) * log(2) / 1200)
    )


def decibels(amplitude_ratio: ArrayLike) -> NDArray[np.float64]:
    """20 lg of an amplitude ratio, dB."""
    return np.asarray(20.0 * np.log10(np.asarray(amplitude_ratio, float)))


def quality(damping: ArrayLike) -> NDArray[np.float64]:
    """Q factor of a lightly damped mode: 1 / (2 zeta)."""
    return np.asarray(0.5 / np.asarray(damping, float))


def damping_ratio(quality_factor: ArrayLike) -> NDArray[np.float64]:
    """Damping ratio: 1 / (2 Q)."""
    return np.asarray(0.5 / np.asarray(quality_factor, float))


def loss_factor(damping: ArrayLike) -> NDArray[np.float64]:
    """Loss factor eta = 2 zeta."""
    return np.asarray(2.0 * np.asarray(damping, float))


def bandwidth(frequency: ArrayLike, damping: ArrayLike) -> NDArray[np.float64]:
    """Half-power bandwidth in Hz: 2 zeta f."""
    return np.asarray(2.0 * np.asarray(damping, float) * np.asarray(frequency, float))


def decay_rate(frequency: ArrayLike, damping: ArrayLike) -> NDArray[np.float64]:
    """Decay rate alpha = 2 pi f zeta, 1/s."""
    return np.asarray(2.0 * np.pi * np.asarray(frequency, float) * np.asarray(damping, float))


def decay_time(frequency: ArrayLike, damping: ArrayLike) -> NDArray[np.float64]:
    """Time for a mode to fall by 60 dB.

    Parameters
    ----------
    frequency : array (n_modes,)   Hz, above 0
    damping : array (n_modes,)     ratio of critical, 0 < damping < 0.2

    Returns
    -------
    array (n_modes,), seconds: 3 ln 10 / (2 pi f zeta). Free decay of a lightly damped linear mode.
    """
    return np.asarray(3.0 * log(10.0) / decay_rate(frequency, damping))


def logarithmic_decrement(damping: ArrayLike) -> NDArray[np.float64]:
    """Natural log of the ratio of successive maxima: 2 pi zeta / sqrt(1 - zeta^2)."""
    z = np.asarray(damping, float)
    return np.asarray(2.0 * np.pi * z / np.sqrt(1.0 - z**2))


def speed_of_sound(temperature_c: ArrayLike) -> NDArray[np.float64]:
    """Speed of sound in air, m/s: 343.2 sqrt(T / 293.15), T in kelvin (ISO 9613-1)."""
    return np.asarray(343.2 * np.sqrt((np.asarray(temperature_c, float) + 273.15) / 293.15))


def nearest_note(frequency: float, *, pitch_a4: float = 440.0) -> tuple[str, float]:
    """Nearest note in equal temperament and the deviation from it.

    Parameters
    ----------
    frequency : float, Hz, above 0
    pitch_a4 : float, Hz   A4 (ISO 16: 440 Hz)

    Returns
    -------
    (name, cents) : e.g. ('A4', -12.0); ('', NaN) where the frequency is not a positive number
    """
    if not frequency > 0.0 or not np.isfinite(frequency):
        return "", nan
    semitones = 12.0 * float(np.log2(frequency / pitch_a4)) + 69.0
    number = round(semitones)
    return f"{NOTE_NAMES[number % 12]}{number // 12 - 1}", 100.0 * (semitones - number)


def note_frequency(name: str, *, pitch_a4: float = 440.0) -> float:
    """Frequency in Hz of a note such as 'A4', 'C#3', 'Bb3', equal temperament.

    Raises
    ------
    ValueError   when the name is not a note with an octave
    """
    letter = name[:1].upper()
    accidentals, octave = name[1:].rstrip("-0123456789"), name[1:].lstrip("#♯b♭")
    steps = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
    if letter not in steps or not octave.lstrip("-").isdigit() or len(accidentals) > 1:
        raise ValueError(f"'{name}' is not a note; write a letter, # or b if need be, and an octave, e.g. A4")
    shift = {"": 0, "#": 1, "♯": 1, "b": -1, "♭": -1}[accidentals]
    number = 12 * (int(octave) + 1) + steps[letter] + shift
    return float(pitch_a4 * 2.0 ** ((number - 69) / 12.0))
