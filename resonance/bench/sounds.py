"""Recordings that pages draw from and play from, decoded once and kept for a while."""

import threading
from collections import OrderedDict
from dataclasses import replace

import numpy as np

from resonance.errors import ResonanceError
from resonance.jobs.store import Shop
from resonance.sets.tapset import TapSet
from resonance.sound.recording import FloatArray

MOST_SAMPLES = 30_000_000  # 240 MB


class Sounds:
    """The recordings looked at last."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: OrderedDict[str, FloatArray] = OrderedDict()

    def of(self, shop: Shop, tap_set: TapSet, take: int) -> FloatArray:
        """Give the first channel of a take, array (n,); empty where its recording is missing or damaged."""
        wanted = tap_set.takes[take]
        sha256 = wanted.recording.sha256
        with self._lock:
            if sha256 in self._kept:
                self._kept.move_to_end(sha256)
                return self._kept[sha256]
        try:
            (loaded,) = shop.with_sound(replace(tap_set, takes=(wanted,))).takes
        except ResonanceError:
            return np.zeros(0)
        channels = range(loaded.recording.n_channels)
        channel = next((c for c in channels if loaded.role(c) in ("sound", "contact")), 0)
        sound = np.ascontiguousarray(loaded.recording.samples[:, channel])
        with self._lock:
            self._kept[sha256] = sound
            while len(self._kept) > 1 and sum(map(len, self._kept.values())) > MOST_SAMPLES:
                self._kept.popitem(last=False)
        return sound
