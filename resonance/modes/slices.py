"""How a wide band is cut into parts that are fitted each on its own, with margins."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from resonance.sound.recording import Take

MARGIN = 250.0  # Hz fitted beyond the band of interest; half as much where the record is long
SLICE = 1400.0  # Hz of band fitted at once, less where the record is long
BINS = 1500.0  # bins of band fitted at once


def slices(band: tuple[float, float], longest: float) -> list[tuple[float, float]]:
    """Parts of a band, Hz, for a decay of `longest` seconds."""
    count = max(1, int(np.ceil((band[1] - band[0]) / min(SLICE, BINS / longest) - 0.05)))
    edges = np.linspace(band[0], band[1], count + 1)
    return [(float(a), float(b)) for a, b in pairwise(edges)]


def fit_band_of(part: tuple[float, float], takes: Sequence[Take], longest: float) -> tuple[float, float]:
    """Give the band, Hz, that is fitted for a part: with its margins, as far as the recordings reach."""
    rate = min(take.recording.sample_rate for take in takes)
    margin = MARGIN if longest < 1.0 else 0.5 * MARGIN
    return max(15.0, part[0] - margin), min(part[1] + margin, 0.49 * rate)
