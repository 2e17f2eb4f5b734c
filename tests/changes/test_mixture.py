"""The linear core against certified fits and brute force; mixtures against closed forms."""

from itertools import product

import numpy as np
import pytest
import scipy

from resonance.changes.mixture import (
    Normals,
    Prior,
    below,
    both_ways,
    fit_all,
    functional,
    keep,
    levels,
    merged,
    moments,
    quantiles,
    share,
)

# NIST Statistical Reference Datasets, linear regression, Norris: y, x (certified values to 15 digits).
NORRIS = np.array([
    (0.1, 0.2), (338.8, 337.4), (118.1, 118.2), (888.0, 884.6), (9.2, 10.1), (228.1, 226.5), (668.5, 666.3),
    (998.5, 996.3), (449.1, 448.6), (778.9, 777.0), (559.2, 558.2), (0.3, 0.4), (0.1, 0.6), (778.1, 775.5),
    (668.8, 666.9), (339.3, 338.0), (448.9, 447.5), (10.8, 11.6), (557.7, 556.0), (228.3, 228.1),
    (998.0, 995.8), (888.8, 887.6), (119.6, 120.2), (0.3, 0.3), (0.6, 0.3), (557.6, 556.8), (339.3, 339.1),
    (888.0, 887.2), (998.5, 999.0), (778.9, 779.0), (10.2, 11.1), (117.6, 118.3), (228.9, 229.2),
    (668.4, 669.1), (449.2, 448.9), (0.2, 0.5),
])  # fmt: skip
NORRIS_CERTIFIED = {
    "b": (-0.262323073774029, 1.00211681802045),
    "sd": (0.232818234301152, 0.429796848199937e-03),
    "rsd": 0.884796396144373,
}
# NIST StRD, linear regression, Longley: y, x1 ... x6.
LONGLEY = np.array([
    (60323, 83.0, 234289, 2356, 1590, 107608, 1947), (61122, 88.5, 259426, 2325, 1456, 108632, 1948),
    (60171, 88.2, 258054, 3682, 1616, 109773, 1949), (61187, 89.5, 284599, 3351, 1650, 110929, 1950),
    (63221, 96.2, 328975, 2099, 3099, 112075, 1951), (63639, 98.1, 346999, 1932, 3594, 113270, 1952),
    (64989, 99.0, 365385, 1870, 3547, 115094, 1953), (63761, 100.0, 363112, 3578, 3350, 116219, 1954),
    (66019, 101.2, 397469, 2904, 3048, 117388, 1955), (67857, 104.6, 419180, 2822, 2857, 118734, 1956),
    (68169, 108.4, 442769, 2936, 2798, 120445, 1957), (66513, 110.8, 444546, 4681, 2637, 121950, 1958),
    (68655, 112.6, 482704, 3813, 2552, 123366, 1959), (69564, 114.2, 502601, 3931, 2514, 125368, 1960),
    (69331, 115.7, 518173, 4806, 2572, 127852, 1961), (70551, 116.9, 554894, 4007, 2827, 130081, 1962),
])  # fmt: skip
LONGLEY_CERTIFIED = {
    "b": (
        -3482258.63459582, 15.0618722713733, -0.358191792925910e-01, -2.02022980381683, -1.03322686717359,
        -0.511041056535807e-01, 1829.15146461355,
    ),
    "sd": (
        890420.383607373, 84.9149257747669, 0.334910077722432e-01, 0.488399681651699, 0.214274163161675,
        0.226073200069370, 455.478499142212,
    ),
    "rsd": 304.854073561965,
}  # fmt: skip


def digits(found, certified):
    """Correct digits: minus log10 of the relative error."""
    return -np.log10(np.maximum(np.abs((np.asarray(found) - certified) / certified), 1e-16))


def flat_fit(x, y):
    """The core with flat priors, unit variance: coefficients, their standard deviations, residual."""
    p = x.shape[1]
    prior = Prior(np.zeros(p), np.full(p, np.inf), np.ones((1, p)))
    fits = fit_all(x, y, np.eye(len(y))[None], np.arange(p)[None], prior)
    posterior = keep(fits, np.ones((1, 1, 1)))
    level, row = levels(fits, posterior, np.array([0]))
    b = posterior.mean[0]
    residual = y - level[0] - x @ b
    rsd = np.sqrt(residual @ residual / (len(y) - p - 1))
    covariance = posterior.covariance[0]
    level_sd = np.sqrt(fits.level_variance[0] + row[0] @ covariance @ row[0])
    return np.append(level, b), np.append(level_sd, np.sqrt(np.diag(covariance))) * rsd, rsd


@pytest.mark.parametrize(
    ("data", "certified"),
    [(NORRIS, NORRIS_CERTIFIED), (LONGLEY, LONGLEY_CERTIFIED)],
    ids=["Norris", "Longley"],
)
def test_flat_priors_give_the_certified_regression(data, certified):
    b, sd, rsd = flat_fit(data[:, 1:].astype(float), data[:, 0].astype(float))
    assert digits(b, certified["b"]).min() >= 7.0
    assert digits(sd, certified["sd"]).min() >= 7.0
    assert digits(rsd, certified["rsd"]) >= 7.0


def small_problem(rng):
    """Two covariances, two designs, two widths; one level and two coefficients."""
    n = 6
    basis = rng.normal(size=(n, 3))
    y = rng.normal(0.0, 5.0, n)
    covariances = np.stack([np.diag(rng.uniform(2.0, 6.0, n)), 4.0 * np.eye(n) + 3.0])
    prior = Prior(np.array([-2.0, 0.0]), np.array([2.0, 8.0]), np.array([[1.0, 1.0], [1.0, 0.25]]))
    return basis, y, covariances, np.array([[0, 1], [0, 2]]), prior


def test_evidence_and_posterior_are_those_of_brute_force(rng):
    # The level's flat prior is 1 on a wide line; then a plain sum over a fine lattice of the joint density.
    basis, y, covariances, designs, prior = small_problem(rng)
    fits = fit_all(basis, y, covariances, designs, prior)
    posterior = keep(fits, np.full((2, 2, 2), 1.0 / 8.0))
    c, one, two = np.linspace(-40, 40, 161), np.linspace(-16, 12, 141), np.linspace(-45, 45, 181)
    lattice = np.stack(np.meshgrid(c, one, two, indexing="ij"), -1).reshape(-1, 3)
    cell = (c[1] - c[0]) * (one[1] - one[0]) * (two[1] - two[0])
    for r, d, v in product(range(2), range(2), range(2)):
        columns = np.column_stack([np.ones(y.size), basis[:, designs[d]]])
        log_density = scipy.stats.multivariate_normal(y, covariances[r]).logpdf(lattice @ columns.T)
        sd = prior.sd * prior.variants[v]
        log_density += scipy.stats.norm.logpdf(lattice[:, 1:], prior.mean, sd).sum(1)
        density = np.exp(log_density)
        total = density.sum() * cell
        assert fits.log_evidence[r, d, v] == pytest.approx(np.log(total), abs=2e-3)
        (at,) = np.flatnonzero(
            (posterior.points[0] == r) & (posterior.points[1] == d) & (posterior.points[2] == v)
        )
        mean = density @ lattice / density.sum()
        spread = (lattice - mean).T @ ((lattice - mean) * density[:, None]) / density.sum()
        assert posterior.mean[at] == pytest.approx(mean[1:], abs=0.01)
        assert posterior.covariance[at] == pytest.approx(spread[1:, 1:], abs=0.02)
        level, row = levels(fits, posterior, np.array([at]))
        assert level[0] == pytest.approx(mean[0], abs=0.01)
        variance = fits.level_variance[r] + row[0] @ posterior.covariance[at] @ row[0]
        assert variance == pytest.approx(spread[0, 0], abs=0.02)


def test_quantiles_and_chances_of_a_mixture():
    mixture = Normals(np.array([0.3, 0.7]), np.array([-4.0, 5.0]), np.array([1.0, 3.0]))
    chances = np.array([0.001, 0.025, 0.5, 0.975, 0.999])
    found = quantiles(mixture, chances)
    cdf = 0.3 * scipy.stats.norm.cdf(found, -4.0, 1.0) + 0.7 * scipy.stats.norm.cdf(found, 5.0, 3.0)
    assert cdf == pytest.approx(chances, abs=1e-7)
    assert below(mixture, found) == pytest.approx(chances, abs=1e-7)
    left = 0.3 * scipy.stats.norm.cdf(4.0) + 0.7 * scipy.stats.norm.cdf(-5.0 / 3.0)
    assert both_ways(mixture) == pytest.approx(2.0 * left)


def test_joining_components_keeps_mean_variance_and_quantiles(rng):
    weight = rng.dirichlet(np.ones(3000))
    many = Normals(weight, rng.normal(3.0, 4.0, 3000), rng.uniform(1.0, 6.0, 3000))
    few = merged(many)
    assert few.weight.size < 1500
    assert moments(few) == pytest.approx(moments(many), rel=1e-9)
    assert quantiles(few, (0.025, 0.5, 0.975)) == pytest.approx(
        quantiles(many, (0.025, 0.5, 0.975)), abs=0.01
    )


def test_a_combination_has_the_variance_of_its_covariance(rng):
    basis, y, covariances, designs, prior = small_problem(rng)
    posterior = keep(fit_all(basis, y, covariances, designs, prior), np.eye(8)[0].reshape(2, 2, 2))
    row = np.array([1.0, -2.0])
    mean, sd = moments(functional(posterior, row, extra_variance=9.0))
    assert mean == pytest.approx(row @ posterior.mean[0])
    assert sd**2 == pytest.approx(row @ posterior.covariance[0] @ row + 9.0)


def test_modes_alone_are_weighed_by_bayes_and_together_they_inform_each_other():
    prior, evidence = np.array([0.5, 0.3, 0.2]), np.log([[0.2, 0.5, 0.9], [0.1, 0.1, 0.8]])
    kernel = 0.7 * np.eye(3) + 0.3 * prior[:, None]
    (alone,) = share([evidence[0]], np.log(prior), [kernel])
    # the kernel leaves the prior as it is
    assert alone == pytest.approx(prior * np.exp(evidence[0]) / (prior @ np.exp(evidence[0])))
    both = share(list(evidence), np.log(prior), [kernel])
    joint = np.array([
        [sum(prior[g] * kernel[a, g] * kernel[b, g] for g in range(3))
         * np.exp(evidence[0][a] + evidence[1][b]) for b in range(3)]
        for a in range(3)
    ])  # fmt: skip
    assert both[0] == pytest.approx(joint.sum(1) / joint.sum())
    assert both[1] == pytest.approx(joint.sum(0) / joint.sum())
