"""Two modes that one spectrum shows as one peak.

513 and 524 Hz, Q 40, equal static answers: of the same sign their spectrum has maxima at 512.46 and
524.36 Hz, of opposite sign a single one at 518.47 Hz; with Q 60 and opposite signs at 515.08 and 521.88 Hz
(computed from the closed form below). A violin's B1+ split by the fingerboard was measured at 513 and 524 Hz
(Schleske, Fingerboard acoustics).
"""

import numpy as np
import pytest
import scipy

from resonance.modes.estimate import find_modes
from resonance.sound.recording import Recording, Take
from resonance.taps.find import find_taps

PAIR = (513.0, 524.0)
DAMPING = 1 / 80
ONSETS = [0.4 + 0.9 * k for k in range(8)]
RATE = 24000


def maxima(frequency, spectrum):
    """Frequencies of the local maxima between 500 and 540 Hz."""
    middle = spectrum[1:-1]
    tops = (middle > spectrum[:-2]) & (middle > spectrum[2:])
    found = frequency[1:-1][tops]
    return found[(found > 500) & (found < 540)]


def response(sign, damping):
    """The closed form: sum of w0^2 / (w0^2 - w^2 + 2 i zeta w0 w), the second with `sign`."""
    frequency = np.arange(490, 550, 0.005)
    w, total = 2 * np.pi * frequency, 0
    for f0, weight in zip(PAIR, (1, sign), strict=True):
        w0 = 2 * np.pi * f0
        total = total + weight * w0**2 / (w0**2 - w**2 + 2j * damping * w0 * w)
    return frequency, np.abs(total)


@pytest.mark.parametrize(
    ("sign", "damping", "peaks"),
    [(1, 1 / 80, (512.46, 524.36)), (-1, 1 / 80, (518.47,)), (-1, 1 / 120, (515.08, 521.88))],
)
def test_what_a_spectrum_shows(sign, damping, peaks):
    assert maxima(*response(sign, damping)) == pytest.approx(peaks, abs=0.01)


def struck_pair(struck, sign, damping, seed):
    """Eight taps at 40 dB; amplitudes as w0, so that the static answers are equal."""
    modes = [(PAIR[0], damping, PAIR[0]), (PAIR[1], damping, sign * PAIR[1])]
    return struck(modes, onsets=ONSETS, sample_rate=RATE, duration=7.6, snr_db=40, seed=seed)


@pytest.fixture(scope="module", params=[513, 524, 40])
def taps_on_the_pair(struck, request):
    """Of opposite sign, Q 40."""
    return struck_pair(struck, -1, DAMPING, request.param)


def test_the_averaged_spectrum_of_the_taps_shows_one_peak(taps_on_the_pair):
    starts = [round((onset + 0.001) * RATE) for onset in ONSETS]
    decays = np.stack([taps_on_the_pair[start : start + RATE // 2, 0] for start in starts])
    spectrum = np.sqrt(np.mean(np.abs(np.fft.rfft(decays)) ** 2, axis=0))
    found = maxima(np.fft.rfftfreq(RATE // 2, 1 / RATE), spectrum)
    assert found == pytest.approx([518.5], abs=1.1)  # bins of 2 Hz


def found_both(samples, damping):
    """Both modes and nothing else, within their 99.9 % intervals (JCGM 100:2008, G.3)."""
    recording = Recording(samples, float(RATE))
    modes = find_modes([Take(recording)], find_taps(recording), band=(200.0, 1000.0), family="violin").modes
    strong = [mode for mode in modes if 480 < mode.frequency < 560]
    assert len(strong) == 2
    for mode, true in zip(strong, PAIR, strict=True):
        u = np.hypot(mode.frequency_u, mode.model_u)
        assert abs(mode.frequency - true) < u * scipy.stats.t.isf(0.0005, mode.frequency_dof)
        assert abs(mode.damping - damping) < mode.damping_u * scipy.stats.t.isf(0.0005, mode.damping_dof)
        assert mode.frequency_u < 0.5  # Hz; the split is 11 Hz
        assert abs(mode.frequency - true) < 0.5


def test_find_modes_finds_both_within_their_uncertainty(taps_on_the_pair):
    found_both(taps_on_the_pair, DAMPING)


@pytest.mark.parametrize(("sign", "damping"), [(1, 1 / 80), (-1, 1 / 120)])
def test_find_modes_finds_the_pairs_whose_maxima_stand_elsewhere(struck, sign, damping):
    found_both(struck_pair(struck, sign, damping, seed=7), damping)
