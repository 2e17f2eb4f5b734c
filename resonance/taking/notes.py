"""Bowed notes told from sound as it comes: held, well above the quiet. What is in them is told elsewhere."""

from collections import deque
from dataclasses import dataclass

import numpy as np

from resonance.sound.recording import FloatArray

STEP = 0.05  # s
ABOVE_DB, STOPPED_DB = 15.0, 20.0  # over the quiet; below the note's own loudest
LEAST_DBFS = -55.0
LEAST = 1.0  # s that a note must be held
QUIET_OVER = 20.0  # s


@dataclass(frozen=True)
class Note:
    """One held note: start and end, s from the first sample heard; its level, dB re full scale."""

    start: float
    end: float
    level_dbfs: float


class NoteListener:
    """Tells held notes from blocks; what it keeps is bounded."""

    def __init__(self, sample_rate: float) -> None:
        self.sample_rate = sample_rate
        self._left = np.zeros(0)
        self._steps = 0
        self._levels: deque[float] = deque(maxlen=round(QUIET_OVER / STEP))
        self._since: int | None = None
        self._loudest = -np.inf

    @property
    def now(self) -> float:
        """Seconds heard so far, in whole steps."""
        return self._steps * STEP

    @property
    def open(self) -> bool:
        """Whether a note is being held."""
        return self._since is not None

    def mute(self, start: float, end: float) -> None:
        """Nothing to do: a sound of our own is far shorter than a note."""

    def lost(self) -> None:
        """Nothing to do: a note goes on over a gap."""

    def forget(self) -> None:
        """Drop the note that is being held."""
        self._since = None

    def feed(self, block: FloatArray) -> list[Note]:
        """Take a block (n, n_channels); give the notes that ended in it."""
        n = round(STEP * self.sample_rate)
        sound = np.concatenate([self._left, block[:, 0]])
        told = []
        while len(sound) >= n:
            piece, sound = sound[:n], sound[n:]
            note = self._step(10.0 * float(np.log10(np.var(piece) + 1e-20)))
            told += [note] if note else []
        self._left = sound
        return told

    def _step(self, level_db: float) -> Note | None:
        self._levels.append(level_db)
        self._steps += 1
        quiet = float(np.quantile(self._levels, 0.1))
        if self._since is None:
            if level_db > max(LEAST_DBFS, quiet + ABOVE_DB):
                self._since, self._loudest = self._steps - 1, level_db
            return None
        self._loudest = max(self._loudest, level_db)
        if level_db > self._loudest - STOPPED_DB and level_db > LEAST_DBFS:
            return None
        start, self._since = self._since, None
        held = (self._steps - 1 - start) * STEP
        return Note(start * STEP, self.now - STEP, self._loudest) if held >= LEAST else None
