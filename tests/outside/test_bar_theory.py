"""A free bar: the closed form, an independent finite-element solution, and taps on such a bar.

Bernoulli-Euler bar free at both ends: cos(x) cosh(x) = 1, frequencies as x squared. Ratios and the worked
spruce strip (300 x 3 mm, E 10 GPa, 400 kg/m3: 171.320 Hz) were computed from that formula elsewhere.
"""

import numpy as np
import pytest
import scipy

from resonance.modes.estimate import find_modes
from resonance.sound.recording import Recording, Take
from resonance.taps.find import find_taps

RATIOS = (1.0, 2.756539, 5.403918, 8.932950, 13.344287)
LENGTH, THICKNESS, STIFFNESS, DENSITY = 0.300, 0.0030, 10e9, 400.0
DAMPING = 0.004  # loss factor of spruce along the grain .006-.009 (from memory): zeta .3-.45 %


def closed_form():
    """First five frequencies of the strip, Hz, from the roots of cos(x) cosh(x) = 1."""
    roots = [
        scipy.optimize.brentq(
            lambda x: np.cos(x) - 1 / np.cosh(x), (n + 0.5) * np.pi - 0.5, (n + 0.5) * np.pi + 0.5
        )
        for n in range(1, 6)
    ]
    speed = THICKNESS * np.sqrt(STIFFNESS / DENSITY / 12)
    return np.array(roots) ** 2 * speed / (2 * np.pi * LENGTH**2)


def finite_elements(n=60):
    """The same five from cubic beam elements (Hermite), per unit width: two rigid motions, then bending."""
    step = LENGTH / n
    bending = STIFFNESS * THICKNESS**3 / 12 / step**3
    stiff = bending * np.array(
        [
            [12, 6 * step, -12, 6 * step],
            [6 * step, 4 * step**2, -6 * step, 2 * step**2],
            [-12, -6 * step, 12, -6 * step],
            [6 * step, 2 * step**2, -6 * step, 4 * step**2],
        ]
    )
    mass = (
        DENSITY * THICKNESS * step / 420
        * np.array(
            [
                [156, 22 * step, 54, -13 * step],
                [22 * step, 4 * step**2, 13 * step, -3 * step**2],
                [54, 13 * step, 156, -22 * step],
                [-13 * step, -3 * step**2, -22 * step, 4 * step**2],
            ]
        )
    )  # fmt: skip
    size = 2 * (n + 1)
    stiffness, inertia = np.zeros((size, size)), np.zeros((size, size))
    for element in range(n):
        here = slice(2 * element, 2 * element + 4)
        stiffness[here, here] += stiff
        inertia[here, here] += mass
    squared = scipy.linalg.eigh(stiffness, inertia, eigvals_only=True, subset_by_index=(0, 6))
    return np.sqrt(squared[2:]) / (2 * np.pi)


def test_closed_form_gives_the_published_ratios_and_the_worked_strip():
    frequencies = closed_form()
    np.testing.assert_allclose(frequencies / frequencies[0], RATIOS, rtol=1e-6)
    assert frequencies[0] == pytest.approx(171.320, abs=0.001)


def test_closed_form_agrees_with_finite_elements():
    np.testing.assert_allclose(finite_elements(), closed_form(), rtol=1e-5)


def reach(u, dof):
    """Half width of the 99.9 % interval (JCGM 100:2008, G.3): what a right answer may miss by."""
    return u * scipy.stats.t.isf(0.0005, dof)


def test_taps_on_a_bar_give_its_modes_back(struck):
    truth = finite_elements()[:4]
    modes = [(f, DAMPING, a) for f, a in zip(truth, (1.0, -0.8, 0.6, -0.5), strict=True)]
    onsets = [0.5 + 1.2 * k for k in range(6)]
    sound = struck(modes, onsets=onsets, sample_rate=24000, duration=8.0, snr_db=40, seed=16, pulse=0.0004)
    recording = Recording(sound, 24000.0)
    taps = find_taps(recording)
    assert [tap.onset for tap in taps] == pytest.approx(onsets, abs=0.002)
    found = find_modes([Take(recording)], taps, band=(100.0, 1700.0), family="other").modes
    assert len(found) == 4
    frequencies = np.array([mode.frequency for mode in found])
    np.testing.assert_allclose(frequencies, truth, rtol=0, atol=0.2)  # a tenth of a shift that matters
    for mode, true in zip(found, truth, strict=True):
        assert abs(mode.frequency - true) < reach(
            np.hypot(mode.frequency_u, mode.model_u), mode.frequency_dof
        )
        assert abs(mode.damping - DAMPING) < reach(mode.damping_u, mode.damping_dof)
        assert mode.damping == pytest.approx(DAMPING, rel=0.02)
