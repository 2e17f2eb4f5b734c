"""The level check before a set: is there sound, how noisy is the room, what will a tap stand above it by.

Levels in dB re full scale. The signal-to-noise ratio to expect is that of `resonance.taps.measures`: a tap's
first 0.25 s from 200 to 1000 Hz over the quiet. A tap's level there lies about 20 dB below its peak (worked:
the made-up violin of the tests).

Reason codes
------------
no_sound : {}                    every sample is the same: muted, or not plugged in
level_hot : {noise_dbfs}         the quiet is so loud that taps will clip
noisy : {expected_db}            a tap will stand out by no more than so much
hum_heard : {frequency, db}      mains hum that far above the noise beside it
"""

from dataclasses import dataclass
from math import inf, nan

import numpy as np

from resonance.reasons import Reason
from resonance.sound.recording import FloatArray

BAND = (200.0, 1000.0)  # Hz
TAP_PEAK_DBFS = -12.0  # a tap of usual strength at a sensible gain, where no earlier one is known
TAP_BAND_DB = -20.0  # of a tap's peak
HOT_DBFS = -20.0
NOISY_DB = 25.0  # a tap that stands out by less is uncertain above all for the room's noise
HUM_DB = 15.0
HUM_HARMONICS = (1, 2, 3, 4, 6)
RESOLUTION = 4.0  # Hz


@dataclass(frozen=True)
class LevelCheck:
    """What the quiet before a set tells.

    Parameters
    ----------
    noise_dbfs : float, dB re full scale   200-1000 Hz, the quietest half second
    peak_dbfs : float, dB re full scale
    expected_db : float, dB   by which a tap will stand out
    hum_frequency, hum_db : float, Hz and dB   the strongest harmonic of the mains over what lies beside it
    reasons : tuple of Reason
    """

    noise_dbfs: float
    peak_dbfs: float
    expected_db: float
    hum_frequency: float = nan
    hum_db: float = nan
    reasons: tuple[Reason, ...] = ()


def check_level(
    sound: FloatArray, sample_rate: float, *, mains: float = 50.0, tap_peak_dbfs: float = TAP_PEAK_DBFS
) -> LevelCheck:
    """Check the quiet before a set.

    Parameters
    ----------
    sound : array (n,)   a second or more
    mains : float, Hz
    tap_peak_dbfs : float, dB re full scale   of an earlier tap through the same microphone
    """
    if len(sound) == 0 or not np.ptp(sound) > 0.0:
        return LevelCheck(-inf, -inf, nan, reasons=(Reason("no_sound"),))
    sound = sound - np.mean(sound)
    noise_dbfs = _quietest_db(sound, sample_rate)
    peak_dbfs = 20.0 * float(np.log10(np.max(np.abs(sound))))
    expected = tap_peak_dbfs + TAP_BAND_DB - noise_dbfs
    hertz, hum_db = _hum(sound, sample_rate, mains)
    reasons = []
    if peak_dbfs > HOT_DBFS and noise_dbfs > HOT_DBFS + TAP_BAND_DB:
        reasons.append(Reason("level_hot", {"noise_dbfs": noise_dbfs}))
    elif expected < NOISY_DB:
        reasons.append(Reason("noisy", {"expected_db": expected}))
    if hum_db >= HUM_DB and 10.0 * np.log10(np.mean(sound**2)) > noise_dbfs:
        reasons.append(Reason("hum_heard", {"frequency": hertz, "db": hum_db}))
    return LevelCheck(noise_dbfs, peak_dbfs, expected, hertz, hum_db, tuple(reasons))


def _quietest_db(sound: FloatArray, rate: float) -> float:
    """Level from 200 to 1000 Hz of the quietest half second, so that an early tap does not count."""
    n = min(len(sound), round(0.5 * rate))
    window = np.hanning(n)
    levels = []
    for first in range(0, len(sound) - n + 1, max(1, n // 2)):
        power = np.abs(np.fft.rfft(sound[first : first + n] * window)) ** 2
        frequency = np.fft.rfftfreq(n, 1.0 / rate)
        inside = (frequency >= BAND[0]) & (frequency <= BAND[1])
        levels.append(2.0 * np.sum(power[inside]) / (n * np.sum(window**2)))
    return 10.0 * float(np.log10(min(levels) + 1e-20))


def _hum(sound: FloatArray, rate: float, mains: float) -> tuple[float, float]:
    """The harmonic of the mains that stands out most over the noise beside it, Hz and dB."""
    power = np.abs(np.fft.rfft(sound * np.hanning(len(sound)))) ** 2
    frequency = np.fft.rfftfreq(len(sound), 1.0 / rate)
    found = []
    for k in HUM_HARMONICS:
        near = np.abs(frequency - k * mains) <= RESOLUTION
        beside = (np.abs(frequency - k * mains) <= 20.0) & ~near
        if np.any(near) and np.any(beside):
            ratio = np.max(power[near]) / (np.median(power[beside]) + 1e-30)
            found.append((10.0 * float(np.log10(ratio + 1e-30)), k * mains))
    hum_db, hertz = max(found, default=(nan, nan))
    return hertz, hum_db
