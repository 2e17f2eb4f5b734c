"""The linear Gaussian core: for each point of a grid the exact posterior, and mixtures of them.

With covariance R of the readings, basis columns B (of which each design picks some), a free level c and a
Gaussian prior of the coefficients b,

    y = c + B b + e,   e ~ N(0, R),   b ~ N(m, diag(sd)^2)

b, c and the evidence have closed forms. The free level is taken out first, by a projection in the whitened
space, so that nearly parallel columns (years, say) cost no digits; then the normal equations, scaled to unit
diagonal, are solved for all designs and covariances at once. (Golub & Van Loan, Matrix Computations, 5.3, on
scaling and centring; the evidence with a free level as in Rasmussen & Williams 2006, Gaussian Processes for
Machine Learning, 2.7.)
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from resonance.sound.recording import FloatArray

IntArray = NDArray[np.intp]
MOST_KEPT = 500
MERGED = 0.05  # of the spread: components nearer than that in mean and width are one


@dataclass(frozen=True, eq=False)
class Prior:
    """Gaussian prior of the coefficients of a design, and narrower variants of it.

    Parameters
    ----------
    mean, sd : arrays (p,)   an infinite sd is a flat prior
    variants : array (V, p)   factors of `sd`, at most 1; only the last columns, with zero mean, may differ
        from 1
    """

    mean: FloatArray
    sd: FloatArray
    variants: FloatArray

    @property
    def n_fixed(self) -> int:
        """Number of leading coefficients that no variant narrows."""
        differ = np.flatnonzero(np.any(self.variants != 1.0, axis=0))
        return int(differ[0]) if differ.size else self.sd.size


@dataclass(frozen=True, eq=False)
class Fits:
    """Evidence of every covariance (R), design (D) and variant (V), and what posteriors are made from.

    Parameters
    ----------
    log_evidence : array (R, D, V)
    gram : array (R, m + 1, m + 1)   of basis and y, whitened, the level taken out
    along : array (R, m + 1)   the level of each column and of y: c = along_y - along_B b
    level_variance : array (R,)   of c when b is known
    inverse : array (R, n, n)   of the readings' covariance
    designs : array (D, p) of int;  basis : array (n, m);  y : array (n,);  prior : Prior
    """

    log_evidence: FloatArray
    gram: FloatArray
    along: FloatArray
    level_variance: FloatArray
    inverse: FloatArray
    designs: IntArray
    basis: FloatArray
    y: FloatArray
    prior: Prior


@dataclass(frozen=True, eq=False)
class Posterior:
    """The points of the grid that carry the weight, each with the exact posterior of its coefficients.

    Parameters
    ----------
    weight : array (k,), summing to 1
    points : tuple of three int arrays (k,)   covariance, design, variant
    mean : array (k, p);  covariance : array (k, p, p)
    """

    weight: FloatArray
    points: tuple[IntArray, IntArray, IntArray]
    mean: FloatArray
    covariance: FloatArray


@dataclass(frozen=True, eq=False)
class Normals:
    """A mixture of normal distributions of one number: weights summing to 1, means, standard deviations."""

    weight: FloatArray
    mean: FloatArray
    sd: FloatArray


def fit_all(
    basis: FloatArray, y: FloatArray, covariances: FloatArray, designs: IntArray, prior: Prior
) -> Fits:
    """Weigh every design under every covariance.

    Parameters
    ----------
    basis : array (n, m);  y : array (n,)
    covariances : array (R, n, n)
    designs : array (D, p) of int   columns of `basis` that each design uses, in the order of the prior
    prior : Prior
    """
    roots = np.linalg.cholesky(covariances)
    data = np.column_stack([np.ones(y.size), basis, y])
    white = np.linalg.solve(roots, np.broadcast_to(data, (len(roots), *data.shape)))
    one, rest = white[:, :, :1], white[:, :, 1:]
    one_square = np.sum(one[:, :, 0] ** 2, axis=1)
    along = (np.swapaxes(one, 1, 2) @ rest)[:, 0] / one_square[:, None]
    rest = rest - one * along[:, None, :]
    gram = np.swapaxes(rest, 1, 2) @ rest
    log_roots = np.log(np.diagonal(roots, axis1=1, axis2=2)).sum(1)
    constant = -log_roots - 0.5 * np.log(one_square) - 0.5 * (y.size - 1) * np.log(2.0 * np.pi)
    inverse_roots = np.linalg.inv(roots)
    return Fits(
        log_evidence=constant[:, None, None] + _evidence(gram, designs, prior),
        gram=gram,
        along=along,
        level_variance=1.0 / one_square,
        inverse=np.swapaxes(inverse_roots, 1, 2) @ inverse_roots,
        designs=designs,
        basis=basis,
        y=y,
        prior=prior,
    )


def _evidence(gram: FloatArray, designs: IntArray, prior: Prior) -> FloatArray:
    """Log evidence but for what depends on the covariance alone; array (R, D, V).

    The Cholesky factor of the precision, bordered by the right-hand side, holds the determinant and the least
    sum of squares; its last rows are all that the narrower variants need.
    """
    p, fixed = prior.sd.size, prior.n_fixed
    columns = np.concatenate([designs, np.full((len(designs), 1), gram.shape[1] - 1)], axis=1)
    bordered: FloatArray = gram[:, columns[:, :, None], columns[:, None, :]]
    precision = 1.0 / prior.sd**2
    bordered[..., np.arange(p), np.arange(p)] += precision
    bordered[..., :p, p] += precision * prior.mean
    bordered[..., p, :p] += precision * prior.mean
    bump = 1e-9 * (1.0 + bordered[..., p, p])
    bordered[..., p, p] += float(np.sum(precision * prior.mean**2)) + bump
    root = np.asarray(np.linalg.cholesky(bordered), np.float64)
    log_det = 2.0 * np.log(np.diagonal(root, axis1=-2, axis2=-1)[..., :fixed]).sum(-1)
    log_det = log_det - np.log(precision[:fixed][precision[:fixed] > 0.0]).sum()
    corner: FloatArray = root[..., fixed:, fixed:] @ np.swapaxes(root[..., fixed:, fixed:], -1, -2)
    corner[..., -1, -1] -= bump
    out = np.empty((*log_det.shape, len(prior.variants)))
    for v, factors in enumerate(prior.variants[:, fixed:]):
        narrow = np.asarray(precision[fixed:] / factors**2, np.float64)
        square, more = _corner(corner, narrow - precision[fixed:])
        out[..., v] = -0.5 * square - 0.5 * (log_det + more - np.log(narrow).sum())
    return out


def _corner(corner: FloatArray, added: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Least sum of squares and log determinant of a small bordered precision with more on its diagonal."""
    k = added.size
    inner = corner[..., :k, :k] + np.diag(added)
    right = corner[..., :k, k]
    square = corner[..., k, k]
    if k == 0:
        return square, np.zeros_like(square)
    if k == 1:
        return square - right[..., 0] ** 2 / inner[..., 0, 0], np.log(inner[..., 0, 0])
    answer = np.linalg.solve(inner, right[..., None])[..., 0]
    return square - np.sum(right * answer, axis=-1), np.linalg.slogdet(inner)[1]


def keep(fits: Fits, weight: FloatArray) -> Posterior:
    """Take the points that stand for the mixture, with their exact posteriors.

    Parameters
    ----------
    fits : Fits
    weight : array (R, D, V)   posterior weight of each point, summing to 1
    """
    chosen, kept = _thinned(weight.ravel())
    r, d, v = np.unravel_index(chosen, weight.shape)
    prior, columns = fits.prior, fits.designs[d]
    precision = 1.0 / (prior.sd * prior.variants[v]) ** 2
    total = fits.gram[r[:, None, None], columns[:, :, None], columns[:, None, :]]
    p = prior.sd.size
    total[:, np.arange(p), np.arange(p)] += precision
    scale = 1.0 / np.sqrt(np.diagonal(total, axis1=1, axis2=2))
    inverse = np.linalg.inv(total * scale[:, :, None] * scale[:, None, :])
    right = fits.gram[r[:, None], columns, -1] + precision * prior.mean
    mean = scale * (inverse @ (scale * right)[:, :, None])[:, :, 0]
    covariance = inverse * scale[:, :, None] * scale[:, None, :]
    return Posterior(kept, (r, d, v), mean, covariance)


def _thinned(weight: FloatArray) -> tuple[IntArray, FloatArray]:
    """Points and weights: heavy ones as they are, of the light ones an even sample of equal weights.

    With the bound c at which sum min(w / c, 1) is the number of points allowed, those above c stay and the
    others are taken at even steps of their summed weight, c for each (Fearnhead & Clifford 2003, J. R.
    Statist. Soc. B 65, 887, with a fixed start instead of a random one).
    """
    if weight.size <= MOST_KEPT:
        chosen = np.flatnonzero(weight > 0.0)
        return chosen, weight[chosen] / weight.sum()
    order = np.argsort(weight)[::-1]
    ranked = weight[order]
    left = np.append(np.cumsum(ranked[::-1])[::-1], 0.0)
    heavy = np.arange(MOST_KEPT)
    bounds = left[:MOST_KEPT] / (MOST_KEPT - heavy)  # were the first `heavy` points to stay as they are
    n_heavy = int(np.argmax(ranked[:MOST_KEPT] <= bounds))
    bound = float(bounds[n_heavy])
    light = np.sort(order[n_heavy:])
    edges = np.cumsum(weight[light])
    steps = bound * (np.arange(MOST_KEPT - n_heavy) + 0.5)
    sampled = light[np.minimum(np.searchsorted(edges, steps), light.size - 1)]
    chosen = np.concatenate([order[:n_heavy], sampled])
    kept = np.concatenate([ranked[:n_heavy], np.full(sampled.size, bound)])
    chosen, where = np.unique(chosen, return_inverse=True)
    total = np.bincount(where, kept)
    return chosen, np.asarray(total / total.sum(), np.float64)


def levels(fits: Fits, posterior: Posterior, points: IntArray) -> tuple[FloatArray, FloatArray]:
    """Level c of some points: its mean (k,), and the row (k, p) by which it falls with the coefficients."""
    r, d = posterior.points[0][points], posterior.points[1][points]
    row = fits.along[r[:, None], fits.designs[d]]
    return fits.along[r, -1] - np.sum(row * posterior.mean[points], axis=1), row


def share(
    log_evidence: Sequence[FloatArray], log_prior: FloatArray, kernels: Sequence[FloatArray]
) -> list[FloatArray]:
    """Posterior weights of each mode's points, the modes of a job informing each other.

    Each mode's point scatters about the job's by the kernels, axis by axis; the job's point has the prior.

    Parameters
    ----------
    log_evidence : sequence of arrays, one a mode, of the grid's shape   with what is known of a mode alone
    log_prior : array of that shape   of the job's point
    kernels : sequence of matrices (to, from), one an axis

    Returns
    -------
    list of arrays of the grid's shape, each summing to 1
    """
    blurred = [_blur(each, kernels, transpose=True) for each in log_evidence]
    total = np.sum(blurred, axis=0) + log_prior
    weights = []
    for own, seen in zip(log_evidence, blurred, strict=True):
        log_weight = own + _blur(total - seen, kernels, transpose=False)
        weight = np.exp(log_weight - log_weight.max())
        weights.append(weight / weight.sum())
    return weights


def _blur(log_values: FloatArray, kernels: Sequence[FloatArray], *, transpose: bool) -> FloatArray:
    """Log of the values carried over each axis by its kernel."""
    top = float(log_values.max())
    values = np.exp(log_values - top)
    for axis, kernel in enumerate(kernels):
        matrix = kernel.T if transpose else kernel
        values = np.moveaxis(np.tensordot(matrix, values, axes=(1, axis)), 0, axis)
    return np.log(np.maximum(values, 1e-300)) + top


def functional(
    posterior: Posterior, rows: FloatArray, *, extra_variance: FloatArray | float = 0.0
) -> Normals:
    """Distribution of a linear combination of the coefficients.

    Parameters
    ----------
    posterior : Posterior
    rows : array (p,), or (k, p) where the combination depends on the point
    extra_variance : float or array (k,)   of what is added to it independently
    """
    rows = np.broadcast_to(rows, posterior.mean.shape)
    mean = np.sum(rows * posterior.mean, axis=1)
    variance = np.sum((posterior.covariance @ rows[:, :, None])[:, :, 0] * rows, axis=1) + extra_variance
    return merged(Normals(posterior.weight, mean, np.sqrt(np.maximum(variance, 1e-12))))


def coefficient(
    posterior: Posterior,
    place: int,
    *,
    factor: FloatArray | float = 1.0,
    extra_variance: FloatArray | float = 0.0,
) -> Normals:
    """Distribution of one coefficient times a factor: `functional` where it is that simple."""
    variance = factor**2 * posterior.covariance[:, place, place] + extra_variance
    mean = factor * posterior.mean[:, place]
    return merged(Normals(posterior.weight, mean, np.sqrt(np.maximum(variance, 1e-12))))


def merged(normals: Normals) -> Normals:
    """Join components that hardly differ, keeping mean and variance."""
    middle, spread = moments(normals)
    place = np.rint((normals.mean - middle) / (MERGED * spread)).astype(np.int64)
    width = np.rint(np.log(normals.sd) / MERGED).astype(np.int64)
    _, which = np.unique(place * 100_003 + width, return_inverse=True)
    weight: FloatArray = np.bincount(which, normals.weight).astype(np.float64)
    mean = np.bincount(which, normals.weight * normals.mean) / weight
    square = np.bincount(which, normals.weight * (normals.sd**2 + (normals.mean - mean[which]) ** 2)) / weight
    return Normals(weight, mean, np.sqrt(square))


def moments(normals: Normals) -> tuple[float, float]:
    """Mean and standard deviation of a mixture."""
    mean = float(normals.weight @ normals.mean)
    variance = float(normals.weight @ (normals.sd**2 + (normals.mean - mean) ** 2))
    return mean, float(np.sqrt(variance))


def below(normals: Normals, x: FloatArray | float) -> FloatArray:
    """Chance of a value below each x."""
    z = (np.asarray(x, float)[..., None] - normals.mean) / normals.sd
    return np.asarray(scipy.special.ndtr(z) @ normals.weight)


def quantiles(normals: Normals, chances: Sequence[float]) -> FloatArray:
    """Quantiles of a mixture: bracketed on a grid of its distribution function, then Newton's method."""
    middle, spread = moments(normals)
    reach = np.linspace(-7.0, 7.0, 25)
    x = middle + spread * np.sign(reach) * (np.abs(reach) ** 1.3)
    cdf = below(normals, x)
    wanted = np.asarray(chances, float)
    at = np.clip(np.searchsorted(cdf, wanted), 1, x.size - 1)
    low, high = x[at - 1], x[at]
    guess = 0.5 * (low + high)
    for _ in range(40):
        z = (guess[:, None] - normals.mean) / normals.sd
        miss = scipy.special.ndtr(z) @ normals.weight - wanted
        density = (np.exp(-0.5 * z * z) / normals.sd) @ normals.weight / np.sqrt(2.0 * np.pi)
        high, low = np.where(miss > 0.0, guess, high), np.where(miss > 0.0, low, guess)
        step = guess - miss / np.maximum(density, 1e-300)
        new = np.where((step > low) & (step < high), step, 0.5 * (low + high))
        if np.max(np.abs(new - guess)) < 1e-6 * spread:
            return new
        guess = new
    return guess


def both_ways(normals: Normals) -> float:
    """Chance, both ways, of the other sign: 2 min(P(< 0), P(> 0))."""
    left = float(below(normals, 0.0))
    return 2.0 * min(left, 1.0 - left)
