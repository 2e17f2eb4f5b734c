"""Where a blow may have begun, told from sound as it comes.

The same bands and the same rise as `resonance.taps.find`, with the filters' state carried from block to
block. A trigger is a proposal: `resonance.taking.listen` looks again once the whole tap has been heard. What
it keeps is bounded: the levels of the last moments, and 8 s of them thinned out to tell each band's quiet.
"""

import numpy as np
import scipy

from resonance.sound.recording import FloatArray
from resonance.taps.find import (
    AHEAD,
    BEFORE,
    STEP,
    DetectionCurve,
    band_sections,
    curve_of_levels,
    quiet_of,
    sudden_rises,
)
from resonance.taps.tap import TapLimits

CHUNK = 0.060  # s of sound looked at together: shorter costs more and tells no sooner than a tap's window
QUIET_OVER = 8.0  # s of levels that tell each band's quiet
QUIET_EVERY = 0.5  # s between two looks at it
THINNED = 10  # one step in so many is kept for that
LEAST_POWER = 1e-13  # re full scale: digital silence
SILENT_DB = -125.0  # no microphone is as quiet
FIRST = 0.1  # s of sound before which nothing is told
LOW_BANDS = 2  # about 200 to 740 Hz, where bodies and strings ring


class Trigger:
    """Tells coarse onsets from blocks of one channel.

    Parameters
    ----------
    sample_rate : float, Hz
    keep : float, s   how much of the levels is kept for `curve`
    limits : TapLimits   `rise_db` and `dead_time` count here
    """

    def __init__(self, sample_rate: float, *, keep: float, limits: TapLimits) -> None:
        self._rate, self._limits = sample_rate, limits
        self._step = max(1, round(STEP * sample_rate))
        self._per_second = sample_rate / self._step
        self._keep = round(keep * self._per_second)
        self._sections = band_sections(sample_rate)
        self._states: list[FloatArray] = []
        self._left: list[FloatArray] = []  # sound not looked at yet
        self._n_left = 0
        self._levels = np.zeros((len(self._sections), 0))  # dB, the last of them
        self._steps = 0  # steps heard so far
        self._looked = 0  # steps looked at so far
        self._thin = np.zeros((len(self._sections), 0))
        self._quiet = np.full(len(self._sections), np.nan)
        self._quiet_at = 0  # step of the last look at it
        self._last = -np.inf

    def feed(self, sound: FloatArray) -> list[float]:
        """Take a block (n,); give the onsets it shows, s from the first sample, good to some ms."""
        self._left.append(sound)
        self._n_left += len(sound)
        if self._n_left < CHUNK * self._rate:
            return []
        fresh = self._levels_of(np.concatenate(self._left))
        self._steps += fresh.shape[1]
        self._levels = np.concatenate([self._levels, fresh], axis=1)[:, -self._keep :]
        return self._onsets()

    @property
    def quiet_db(self) -> FloatArray:
        """Each band's quiet over the last 8 s, dB re full scale; array (n_bands,), NaN before any sound."""
        return self._quiet

    def above_quiet_db(self, start: float, end: float) -> float:
        """How far the low bands' level stood above their quiet between two recent times, dB."""
        piece = self._levels[:LOW_BANDS, self._index(start) : self._index(end)]
        if not piece.shape[1]:
            return float("nan")
        return float(np.max(np.quantile(piece, 0.9, axis=1) - self._quiet[:LOW_BANDS]))

    def curve(self, start: float, end: float) -> DetectionCurve:
        """Detection curve between two recent times; its times count from the first sample heard."""
        low, high = self._index(start), min(self._index(end), self._levels.shape[1])
        times = (self._steps - self._levels.shape[1] + np.arange(low, high)) / self._per_second
        return curve_of_levels(self._levels[:, low:high], times, self._per_second)

    def low_levels(self, start: float, end: float) -> tuple[FloatArray, float]:
        """Larger level of the two lowest bands between two recent times, and their quiet, dB."""
        low, high = self._index(start), min(self._index(end) + 1, self._levels.shape[1])
        return self._levels[:LOW_BANDS, low:high].max(axis=0), float(np.max(self._quiet[:LOW_BANDS]))

    def _index(self, time: float) -> int:
        return max(0, round(time * self._per_second) - self._steps + self._levels.shape[1])

    def _levels_of(self, sound: FloatArray) -> FloatArray:
        """Levels of the steps that some sound completes, dB; array (n_bands, n)."""
        if not self._states:
            self._states = [scipy.signal.sosfilt_zi(s) * sound[0] for s in self._sections]
        n = len(sound) // self._step
        self._left = [sound[n * self._step :]]
        self._n_left = len(self._left[0])
        whole = sound[: n * self._step]
        levels = np.zeros((len(self._sections), n))
        for k, sections in enumerate(self._sections):
            band, self._states[k] = scipy.signal.sosfilt(sections, whole, zi=self._states[k])
            levels[k] = np.mean(np.square(band).reshape(n, self._step), axis=1)
        return np.asarray(10.0 * np.log10(np.maximum(levels, LEAST_POWER)))

    def _onsets(self) -> list[float]:
        """Onsets among the steps whose next 6 ms have been heard and that were not looked at yet."""
        ready = self._steps - round(AHEAD * self._per_second)
        begin = max(self._looked, round(FIRST * self._per_second))
        if ready <= begin:
            return []
        self._looked = ready
        first = max(self._steps - self._levels.shape[1], begin - round((BEFORE + AHEAD) * self._per_second))
        levels = self._levels[:, first - self._steps :]
        known = None if np.any(np.isnan(self._quiet)) else self._quiet
        rise_db, _, ahead = sudden_rises(levels, self._per_second, quiet_db=known)
        self._note_quiet(ahead[:, begin - first : ready - first])
        found = []
        for i in np.flatnonzero(rise_db[begin - first : ready - first] >= self._limits.rise_db):
            time = float((begin + i) / self._per_second)
            if time - self._last >= self._limits.dead_time:
                found.append(time)
                self._last = time
        return found

    def _note_quiet(self, ahead: FloatArray) -> None:
        most = round(QUIET_OVER * self._per_second / THINNED)
        thin = ahead[:, ::THINNED]
        heard = thin[:, thin.max(axis=0) > SILENT_DB]  # digital silence is no quiet: the device slept
        self._thin = np.concatenate([self._thin, heard], axis=1)[:, -most:]
        if not self._thin.shape[1]:
            return
        if np.isnan(self._quiet[0]) or self._steps - self._quiet_at >= QUIET_EVERY * self._per_second:
            self._quiet, self._quiet_at = quiet_of(self._thin), self._steps
