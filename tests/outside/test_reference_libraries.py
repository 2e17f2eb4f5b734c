"""The same taps through two public modal libraries: sdypy-EMA (LSCF) and pyOMA-2 (SSI-cov).

Each is fed as its documentation says. Which of their poles are modes is decided by stability over the
model orders alone, never by nearness to what was put in. What all three must agree on is a fifth of a
hertz, a tenth of a shift that a maker cares about, and a twentieth of the damping.
"""

from itertools import pairwise

import numpy as np
import pytest
import scipy

from resonance.modes.estimate import find_modes
from resonance.sound.recording import Recording, Take
from resonance.taps.find import find_taps

# Main air note, then body modes, of a made-up violin; frequencies and Q in the ranges of
# Bissinger 2008 and Woodhouse 2014 (from memory).
MODES = (
    (275.0, 1 / 34, 1.0),
    (400.0, 1 / 100, 0.5),
    (450.0, 1 / 90, 0.9),
    (540.0, 1 / 100, 1.0),
    (690.0, 1 / 80, 0.5),
)
# The same with two close modes of opposite sign in place of the second: bandwidths of 4 Hz, 12 Hz apart.
CLOSE = (
    MODES[0],
    (398.0, 1 / 100, 0.5),
    (410.0, 1 / 100, -0.45),
    *MODES[2:],
)
BODIES = {"apart": MODES, "close pair": CLOSE}
RATE = 12000
ONSETS = [0.5 + k for k in range(8)]
BAND = (200.0, 800.0)
AGREE, AGREE_DAMPING = 0.2, 0.05


def stable_poles(by_order, *, nearness=0.002, damping_nearness=0.1, seen=0.5, gap=0.01):
    """Poles that stay put from one model order to the next, in at least half of the orders.

    Parameters
    ----------
    by_order : list of (frequencies, dampings), one pair of arrays a model order
    nearness, damping_nearness : float   relative change between neighbouring orders
    gap : float   relative distance at which a new group of poles begins

    Returns
    -------
    array (n_modes, 2) of frequency and damping: the median of each group
    """
    inside = []
    for frequency, damping in by_order:
        kept = (frequency > BAND[0]) & (frequency < BAND[1]) & (damping > 0.001) & (damping < 0.1)
        inside.append(np.column_stack([frequency[kept], damping[kept]]))
    stable = []
    for before, here in pairwise(inside):
        for pole in here if len(before) else ():
            near = before[np.argmin(np.abs(before[:, 0] - pole[0]))]
            change = np.abs(near / pole - 1)
            if change[0] < nearness and change[1] < damping_nearness:
                stable.append(pole)
    poles = np.array(sorted(map(tuple, stable)))
    cuts = np.flatnonzero(np.diff(poles[:, 0]) > gap * poles[1:, 0]) + 1
    groups = [group for group in np.split(poles, cuts) if len(group) >= seen * (len(by_order) - 1)]
    return np.array([np.median(group, axis=0) for group in groups])


def lscf(sound):
    """sdypy-EMA: one frequency response a tap (spectrum of the free decay), common-denominator fit."""
    from sdypy import EMA

    starts = [round((onset + 0.001) * RATE) for onset in ONSETS]
    decays = np.stack([sound[start : start + round(0.6 * RATE), 0] for start in starts])
    response = np.fft.rfft(decays) / RATE
    frequency = np.fft.rfftfreq(decays.shape[1], 1 / RATE)
    model = EMA.Model(response, frequency, lower=150, upper=1000, pol_order_high=40)
    model.get_poles(method="lscf", show_progress=False)
    return stable_poles(
        [(np.array(f), np.array(z)) for f, z in zip(model.pole_freq, model.pole_xi, strict=True)]
    )


def ssi_cov(sound):
    """pyOMA-2: output only, the record at a quarter of its rate; its shape criteria need two channels."""
    from pyoma2.algorithms import SSI
    from pyoma2.setup import SingleSetup

    setup = SingleSetup(scipy.signal.resample_poly(sound, 1, 4, axis=0), fs=RATE / 4)
    hard = {"xi_max": 0.2, "mpc_lim": None, "mpd_lim": None, "CoV_max": None}
    algorithm = SSI(name="ssi", method="cov", br=100, ordmax=60, step=2, hc=hard)
    setup.add_algorithms(algorithm)
    setup.run_by_name("ssi")
    frequency, damping = algorithm.result.Fn_poles, algorithm.result.Xi_poles
    return stable_poles([(frequency[:, k], damping[:, k]) for k in range(4, frequency.shape[1])])


@pytest.fixture(scope="module", params=BODIES)
def modes(request):
    return BODIES[request.param]


@pytest.fixture(scope="module")
def sound(struck, modes):
    return struck(modes, onsets=ONSETS, sample_rate=RATE, duration=8.6, snr_db=40, seed=1)


@pytest.fixture(scope="module")
def ours(sound):
    recording = Recording(sound, float(RATE))
    found = find_modes([Take(recording)], find_taps(recording), band=BAND, family="violin").modes
    return np.array([(mode.frequency, mode.damping) for mode in found])


@pytest.mark.filterwarnings("ignore::RuntimeWarning")  # one channel leaves pyOMA-2's shape check empty
@pytest.mark.parametrize("method", [lscf, ssi_cov])
def test_same_modes_as_a_public_library(sound, ours, method):
    theirs = method(sound)
    assert len(theirs) == len(ours)
    np.testing.assert_allclose(ours[:, 0], theirs[:, 0], rtol=0, atol=AGREE)
    np.testing.assert_allclose(ours[:, 1], theirs[:, 1], rtol=AGREE_DAMPING, atol=0)


def test_all_are_right(ours, modes):
    truth = np.array(modes)
    assert len(ours) == len(truth)
    np.testing.assert_allclose(ours[:, 0], truth[:, 0], rtol=0, atol=AGREE)
    np.testing.assert_allclose(ours[:, 1], truth[:, 1], rtol=AGREE_DAMPING, atol=0)
