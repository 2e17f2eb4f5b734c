"""The benchmark's bound against the full Fisher matrix in the time domain, and against worked figures."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

RATE = 48000.0
BENCHMARK = Path(__file__).parents[1] / "benchmarks" / "modes"


@pytest.fixture(scope="module")
def bound():
    """The module of the benchmark, which stands outside the package."""
    spec = importlib.util.spec_from_file_location("benchmark_bound", BENCHMARK / "bound.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def bounds(bound, poles, amplitudes, *, sigma, n):
    """sd of (alpha, omega) of each pole under white noise of sigma, all bins."""
    bins = np.arange(n // 2 + 1) * RATE / n
    return bound.pole_covariance(
        -poles.real, poles.imag, amplitudes, bins=bins, noise=np.full(bins.size, n * sigma**2), n=n, rate=RATE
    )


def full_fisher(poles, amplitudes, *, sigma, n):
    """Covariance of (alpha, omega) of each pole: J'J / sigma^2 over the samples of all taps, inverted.

    The model is Re(sum c_km e^{s_m t}); the numbers are alpha_m, omega_m, and Re and Im of every c_km.
    """
    time = np.arange(n) / RATE
    ring = np.exp(poles[:, None] * time)
    n_taps, n_modes = amplitudes.shape
    size = 2 * n_modes * (1 + n_taps)
    fisher = np.zeros((size, size))
    for k in range(n_taps):
        jacobian = np.zeros((n, size))
        for m in range(n_modes):
            jacobian[:, 2 * m] = (-time * amplitudes[k, m] * ring[m]).real
            jacobian[:, 2 * m + 1] = (1j * time * amplitudes[k, m] * ring[m]).real
            own = 2 * n_modes * (1 + k) + 2 * m
            jacobian[:, own], jacobian[:, own + 1] = ring[m].real, -ring[m].imag
        fisher += jacobian.T @ jacobian / sigma**2
    scale = np.sqrt(np.diag(fisher))
    covariance = np.linalg.inv(fisher / np.outer(scale, scale)) / np.outer(scale, scale)
    return covariance[: 2 * n_modes, : 2 * n_modes]


def pole(frequency, q):
    """s of a mode of |s| / 2 pi and Q."""
    return 2 * np.pi * frequency * complex(-0.5 / q, np.sqrt(1 - 0.25 / q**2))


# f0 Hz, Q, A/sigma, sd f Hz and sd alpha 1/s at 48 kHz: worked, from the full Fisher matrix of a damped
# sinusoid, and by the closed form sd f = (2 / pi) (sigma / A) sqrt(alpha^3 / fs), sd alpha = 2 pi sd f, that
# it comes to in a long record (Yao and Pandit 1995, IEEE Trans. SP 43, 878, from memory).
WORKED = [
    (275.0, 20.0, 100.0, 0.008203, 0.05215),
    (460.0, 40.0, 100.0, 0.006290, 0.03976),
    (460.0, 40.0, 10.0, 0.06290, 0.3976),
]


@pytest.mark.parametrize(("frequency", "q", "snr", "sd_f", "sd_alpha"), WORKED)
def test_one_damped_sinusoid(bound, frequency, q, snr, sd_f, sd_alpha):
    s = np.array([pole(frequency, q)])
    alpha = -s.real[0]
    # The worked figures do not state the phase, which at a low Q is worth a part in a hundred.
    covariance = bounds(bound, s, np.array([[1.0 + 0.0j]]), sigma=1.0 / snr, n=int(8 * RATE / alpha))
    assert np.sqrt(covariance[0, 0]) == pytest.approx(sd_alpha, rel=0.01)
    assert np.sqrt(covariance[1, 1]) / (2 * np.pi) == pytest.approx(sd_f, rel=0.01)
    closed = 2 / np.pi / snr * np.sqrt(alpha**3 / RATE)
    assert np.sqrt(covariance[1, 1]) / (2 * np.pi) == pytest.approx(closed, rel=0.01)


@pytest.mark.parametrize(("falls", "factor"), [(1, 2.047), (2, 1.21), (3, 1.05), (4, 1.01)])
def test_short_records_cost_what_they_must(bound, falls, factor):
    """Factor on sd f over the closed form at alpha T = 1, 2, 3, 4.

    Closed form for an exponential: var omega goes as 1 / (I2 - I1^2 / I0), I_k the integral over the record
    of t^k e^{-2 alpha t}. (A worked table gives 2.03 for alpha T = 1; this form gives 2.0473.)
    """
    left = np.exp(-2.0 * falls)
    i0, i1 = (1 - left) / 2, (1 - left * (1 + 2 * falls)) / 4
    i2 = (1 - left * (1 + 2 * falls + 2 * falls**2)) / 4
    assert np.sqrt(0.125 / (i2 - i1**2 / i0)) == pytest.approx(factor, abs=0.002)
    s = np.array([pole(460.0, 40.0)])
    alpha = -s.real[0]
    n = int(falls * RATE / alpha)
    phases = np.exp(2j * np.pi * np.arange(4) / 8)  # in so short a record the phase counts: their mean
    variance = np.mean([bounds(bound, s, np.array([[c]]), sigma=0.01, n=n)[1, 1] for c in phases])
    closed = 2 / np.pi * 0.01 * np.sqrt(alpha**3 / RATE)
    assert np.sqrt(variance) / (2 * np.pi) / closed == pytest.approx(factor, abs=0.002)


def test_many_modes_and_taps_against_the_full_matrix(bound):
    rng = np.random.default_rng(2)
    poles = np.array([pole(275.0, 17.0), pole(400.0, 50.0), pole(410.0, 45.0), pole(450.0, 45.0)])
    amplitudes = rng.uniform(0.5, 1.5, (3, 4)) * np.exp(1j * rng.uniform(-np.pi, np.pi, (3, 4)))
    n = int(0.2 * RATE)
    ours = bounds(bound, poles, amplitudes, sigma=0.02, n=n)
    full = full_fisher(poles, amplitudes, sigma=0.02, n=n)
    root = np.sqrt(np.diag(full))
    # DFT bins 0 and n / 2 count twice in ours: a few parts in ten thousand
    assert ours / np.outer(root, root) == pytest.approx(full / np.outer(root, root), abs=2e-3)
    assert np.sqrt(full[3, 3]) < np.sqrt(full[5, 5]) * 2  # the pair: both about as well known


def test_a_close_pair_costs_more_than_a_lone_mode(bound):
    # 400 and 410 Hz, Q 50: half bandwidths of 4 Hz, so that the pair overlaps
    pair = np.array([pole(400.0, 50.0), pole(410.0, 50.0)])
    together = bounds(bound, pair, np.array([[1.0, 1.0j]]), sigma=0.01, n=int(0.6 * RATE))
    alone = bounds(bound, pair[:1], np.array([[1.0 + 0.0j]]), sigma=0.01, n=int(0.6 * RATE))
    assert np.sqrt(together[1, 1]) > 1.3 * np.sqrt(alone[1, 1])
