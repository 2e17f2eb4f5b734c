"""A job with a tap set of made-up sound, analysed once for all tests; a microphone that plays sound."""

import time
from contextlib import contextmanager
from functools import cache

import numpy as np

from resonance.errors import MicrophoneError
from resonance.sets.analyse import analyse_set
from resonance.sound.recording import Recording, Take
from tests.taking.making import RATE, good_taps, pieces, taken

FIRST, SPACING, N = 1.0, 1.2, 5


@cache
def sound():
    """Five good taps, array (n, 1), at 1.0 s, 2.2 s ... give or take the hand."""
    rng = np.random.default_rng(3)
    return taken(good_taps(N, rng=rng, first=FIRST, spacing=SPACING), FIRST + N * SPACING + 1.0, rng=rng)


@cache
def tap_set():
    """The tap set of that sound."""
    return analyse_set([Take(Recording(sound(), RATE, source="taps.wav"), "bass corner", "treble f-hole")])


class Played:
    """A microphone that gives a sound as fast as it is read; then it is pulled out, or the room is quiet."""

    sample_rate, n_channels = RATE, 1

    def __init__(self, heard, *, stays):
        self._blocks, self._stays = iter(pieces(heard)), stays
        self._rng = np.random.default_rng(9)

    def read(self, frames=1024):
        block = next(self._blocks, None)
        if block is None and not self._stays:
            raise MicrophoneError("the microphone is gone; plug it in")
        if block is None:
            time.sleep(frames / RATE)
            block = 1e-4 * self._rng.standard_normal((frames, 1))
        return block, False


def opener(heard, *, stays=False):
    """An opener for `resonance.bench.live.LiveSet`."""

    @contextmanager
    def opened(microphone, rate):
        yield Played(heard, stays=stays)

    return opened
