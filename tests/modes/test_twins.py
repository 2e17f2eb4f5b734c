"""Slow, plain twins of the fast routines, straight from the formulas: dense least squares, sums over samples.

Each twin writes the model anew: decays as time series, their DFT by numpy, one `lstsq` a tap. What is
compared are values with a meaning (cost, amplitudes, gradients, curvature, gains, pooled numbers), not how
they come about.
"""

import numpy as np
import pytest
import scipy

from resonance.modes.decays import cut_groups
from resonance.modes.fit import evaluate, joint_hessian, moved, normal_equations, transform
from resonance.modes.gains import drifting, exact_gain, pole_covariance
from resonance.modes.pool import paule_mandel, pool_number, random_effects, tap_influence
from resonance.modes.ranges import Search
from resonance.modes.select import Fit
from resonance.modes.start import band_poles
from resonance.sound.recording import Recording, Take
from resonance.taps.tap import Tap

RATE = 4000.0
TRUE = band_poles(np.array([270.0, 402.0, 421.0, 560.0]), np.array([0.022, 0.010, 0.012, 0.011]))
NEAR = band_poles(np.array([271.2, 401.5, 421.4, 559.0]), np.array([0.020, 0.011, 0.011, 0.012]))


@pytest.fixture(scope="module")
def groups():
    """Five taps of the true modes in white noise on two channels, cut as the package cuts them."""
    rng = np.random.default_rng(5)
    time = np.arange(int(0.7 * RATE)) / RATE
    ring = np.exp(TRUE[:, None] * time)
    channels = []
    for gain in (np.ones(TRUE.size), np.array([0.6, -1.2, 0.8, -0.7])):
        taps = []
        for _ in range(5):
            c = gain * rng.uniform(0.7, 1.3, TRUE.size) * np.exp(1j * rng.uniform(-0.5, 0.5, TRUE.size))
            taps += [np.zeros(int(0.3 * RATE)), (c @ ring).imag]
        channels.append(np.concatenate(taps))
    sound = np.stack(channels, axis=1)
    take = Take(Recording(sound + 0.02 * rng.standard_normal(sound.shape), RATE))
    taps = [Tap(0.3 + k * 1.0, end=0.98 + k * 1.0) for k in range(5)]
    search = Search((150.0, 700.0), 0.5)
    return cut_groups([take], taps, search=search, fit_band=(150.0, 700.0), longest=0.5)


@pytest.fixture(scope="module")
def weighting(groups):
    """Root weights and tap weights, neither flat."""
    roots = [(1.0 + 0.3 * np.sin(g.frequencies / 80.0)) / np.sqrt(g.noise) for g in groups]
    return roots, [np.linspace(0.5, 1.5, len(g.taps)) for g in groups]


def rows_of(spectra, root):
    """Complex columns (n_bins, n) as weighted real rows over imaginary ones."""
    weighted = np.asarray(spectra) * root[:, None]
    return np.concatenate([weighted.real, weighted.imag])


def bins_of(group):
    return np.round(group.frequencies * group.n / group.sample_rate).astype(int)


def dense_columns(group, poles, root):
    """DFT of 2 Re(e^{st}) and 2 Re(i e^{st}) for each pole, by the FFT of the time series itself."""
    time = np.arange(group.n) / group.sample_rate
    decays = np.exp(poles[:, None] * time)
    series = np.stack([2.0 * decays.real, -2.0 * decays.imag], axis=1).reshape(-1, group.n)
    return rows_of(np.fft.rfft(series, axis=1)[:, bins_of(group)].T, root)


def dense_tail(group, root):
    """What rings outside: 1, f, f^2 and 1/f with a complex coefficient each."""
    f = group.frequencies / group.frequencies.mean()
    smooth = np.stack([np.ones_like(f), f, f**2, 1.0 / f], axis=1)
    return np.concatenate([rows_of(smooth, root), rows_of(1j * smooth, root)], axis=1)


def dense_data(group, root):
    return rows_of(np.fft.rfft(group.segments, axis=1)[:, bins_of(group)].T, root)


def solve(design, data):
    """Least squares in columns of unit norm; (coefficients, residuals)."""
    size = np.linalg.norm(design, axis=0)
    x = np.linalg.lstsq(design / size, data, rcond=None)[0]
    return x / size[:, None], data - (design / size) @ x


def dense_cost(groups, poles, weighting):
    total = 0.0
    for group, root, weights in zip(groups, *weighting, strict=True):
        design = np.concatenate([dense_columns(group, poles, root), dense_tail(group, root)], axis=1)
        total += float(np.sum(weights * np.sum(solve(design, dense_data(group, root))[1] ** 2, axis=0)))
    return total


def dense_jacobians(groups, poles, weighting):
    """Per group and tap: the projected derivative of the model by (ln alpha, omega), and the residuals.

    By finite differences of the dense columns, the amplitudes held.
    """
    out = []
    for group, root, weights in zip(groups, *weighting, strict=True):
        columns = dense_columns(group, poles, root)
        design = np.concatenate([columns, dense_tail(group, root)], axis=1)
        coefficients, residuals = solve(design, dense_data(group, root))
        basis = np.linalg.qr(design / np.linalg.norm(design, axis=0))[0]
        slopes = []
        for j in range(2 * poles.size):
            step = np.zeros((poles.size, 2))
            step[j // 2, j % 2] = 1e-5 if j % 2 == 0 else 1e-3
            up, down = (dense_columns(group, moved(poles, sign * step), root) for sign in (1, -1))
            slopes.append((up - down) / (2.0 * step[j // 2, j % 2]))
        for k, weight in enumerate(weights):
            jacobian = np.stack([slope @ coefficients[: 2 * poles.size, k] for slope in slopes], axis=1)
            jacobian -= basis @ (basis.T @ jacobian)
            out.append((group.taps[k], np.sqrt(weight) * jacobian, np.sqrt(weight) * residuals[:, k]))
    return out


def test_transform_is_the_sum_over_the_samples(groups):
    group = groups[0]
    value, slope = transform(TRUE, group)
    j = np.arange(group.n)
    omega = 2 * np.pi * group.frequencies

    def plain(s):
        return np.exp(np.outer(s - 1j * omega, j) / group.sample_rate).sum(axis=1)

    for m, s in enumerate(TRUE):
        assert value[:, m] == pytest.approx(plain(s), rel=1e-9)
        # central differences: the error of 1e-3 is its square over the square of the decay's length
        assert slope[:, m] == pytest.approx((plain(s + 1e-3) - plain(s - 1e-3)) / 2e-3, rel=1e-4, abs=1e-4)


@pytest.mark.parametrize("poles", [TRUE, NEAR, TRUE[:2]], ids=["true", "near", "two of four"])
def test_cost_and_amplitudes_are_those_of_dense_least_squares(groups, weighting, poles):
    state = evaluate(groups, poles, *weighting)
    assert state.cost == pytest.approx(dense_cost(groups, poles, weighting), rel=1e-8)
    for group, projection, root in zip(groups, state.projections, weighting[0], strict=True):
        design = np.concatenate([dense_columns(group, poles, root), dense_tail(group, root)], axis=1)
        x = solve(design, dense_data(group, root))[0][: 2 * poles.size]
        assert projection.amplitudes == pytest.approx((x[0::2] + 1j * x[1::2]).T, rel=1e-5, abs=1e-8)


def test_gradient_is_the_slope_of_the_cost(groups, weighting):
    state = evaluate(groups, NEAR, *weighting)
    gradient = sum(
        normal_equations(projection, NEAR, weights)[2].sum(axis=0)
        for projection, weights in zip(state.projections, weighting[1], strict=True)
    )
    for j in range(2 * NEAR.size):
        step = np.zeros((NEAR.size, 2))
        step[j // 2, j % 2] = 1e-4 if j % 2 == 0 else 1e-2
        up, down = (dense_cost(groups, moved(NEAR, sign * step), weighting) for sign in (1, -1))
        slope = (up - down) / (2.0 * step[j // 2, j % 2])
        assert -2.0 * gradient[j] == pytest.approx(slope, rel=1e-3, abs=1e-4 * np.abs(gradient).max())


def test_curvature_and_covariance_are_those_of_the_dense_jacobian(groups, weighting):
    state = evaluate(groups, TRUE, *weighting)
    hessian = sum(
        joint_hessian(*normal_equations(projection, TRUE, weights)[:2])
        for projection, weights in zip(state.projections, weighting[1], strict=True)
    )
    plain = sum(jacobian.T @ jacobian for _, jacobian, _ in dense_jacobians(groups, TRUE, weighting))
    root = np.sqrt(np.diag(plain))
    assert hessian / np.outer(root, root) == pytest.approx(plain / np.outer(root, root), abs=1e-5)
    covariance = pole_covariance(state, weighting[1])
    assert np.sqrt(np.diag(covariance)) == pytest.approx(np.sqrt(np.diag(np.linalg.inv(plain))), rel=1e-4)


@pytest.mark.parametrize("left_out", range(TRUE.size))
def test_gain_is_the_fall_of_the_cost_when_the_mode_joins(groups, weighting, left_out):
    roots, tap_weights = weighting
    others = np.delete(TRUE, left_out)
    state = evaluate(groups, others, roots, tap_weights)
    gain = exact_gain(groups, [drifting(p) for p in state.projections], roots, tap_weights, TRUE[left_out])
    plain = 0.0
    for group, root, weights in zip(groups, roots, tap_weights, strict=True):
        beside = [
            dense_columns(group, others, root),
            dense_tail(group, root),
            drift_columns(group, others, root),
        ]
        data = dense_data(group, root)
        without = solve(np.concatenate(beside, axis=1), data)[1]
        joined = [*beside, dense_columns(group, TRUE[left_out : left_out + 1], root)]
        with_it = solve(np.concatenate(joined, axis=1), data)[1]
        plain += float(np.sum(weights * (np.sum(without**2, axis=0) - np.sum(with_it**2, axis=0))))
    assert gain == pytest.approx(plain, rel=1e-4)


def drift_columns(group, poles, root):
    """DFT of 2 Re(t e^{st}) and 2 Re(i t e^{st}): what a drifting pole makes of its decay, to first order."""
    time = np.arange(group.n) / group.sample_rate
    decays = time * np.exp(poles[:, None] * time)
    series = np.stack([2.0 * decays.real, -2.0 * decays.imag], axis=1).reshape(-1, group.n)
    return rows_of(np.fft.rfft(series, axis=1)[:, bins_of(group)].T, root)


def test_each_taps_own_deviation_and_variance(groups, weighting):
    roots, tap_weights = weighting
    state = evaluate(groups, TRUE, roots, tap_weights)
    influence = tap_influence(groups, Fit(state, tuple(roots), tuple(tap_weights)))
    by_tap = {}
    for tap, jacobian, residual in dense_jacobians(groups, TRUE, weighting):
        h, g = by_tap.get(tap, (0.0, 0.0))
        by_tap[tap] = (h + jacobian.T @ jacobian, g + jacobian.T @ residual)
    inverse = np.linalg.inv(sum(h for h, _ in by_tap.values()))
    for mode, part in ((1, 0), (2, 1)):
        direction = np.zeros(2 * TRUE.size)
        direction[2 * mode + part] = 1.0
        whole = direction @ inverse @ direction
        share = [direction @ inverse @ h @ inverse @ direction / whole for h, _ in by_tap.values()]
        pull = [direction @ inverse @ g for _, g in by_tap.values()]
        deviations, variances = pool_number(influence, mode, np.eye(2)[part])
        assert sum(share) == pytest.approx(1.0)
        assert deviations == pytest.approx(np.array(pull) / share, rel=1e-3, abs=1e-3 * np.sqrt(whole))
        assert variances == pytest.approx(whole / np.array(share), rel=1e-3)


@pytest.mark.parametrize("seed", range(5))
def test_pooling_by_the_formulas(seed):
    rng = np.random.default_rng(seed)
    variances = rng.uniform(0.5, 2.0, 7)
    deviations = rng.standard_normal(7) * np.sqrt(variances + 1.5)

    def weighted(tau2):
        w = 1.0 / (variances + tau2)
        return w, np.sum(w * deviations) / np.sum(w)

    def excess(tau2):  # Paule and Mandel 1982: sum w (x - mean)^2 = K - 1
        w, mean = weighted(tau2)
        return np.sum(w * (deviations - mean) ** 2) - 6.0

    tau2 = scipy.optimize.brentq(excess, 0.0, 1e3) if excess(0.0) > 0.0 else 0.0
    assert paule_mandel(deviations, variances) == pytest.approx(tau2, rel=1e-6, abs=1e-9)
    w, mean = weighted(tau2)
    pooled = random_effects(deviations, variances)
    assert pooled.shift == pytest.approx(mean, rel=1e-6)
    # Hartung and Knapp 2001: variance sum w (x - mean)^2 / ((K - 1) sum w), t with K - 1
    assert pooled.u == pytest.approx(
        np.sqrt(np.sum(w * (deviations - mean) ** 2) / (6.0 * np.sum(w))), rel=1e-6
    )
