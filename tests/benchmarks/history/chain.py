"""The mixture against a long Markov chain over all unknowns at once, on three jobs of one mode.

    python tests/benchmarks/history/chain.py        needs emcee; some minutes

The chain knows nothing of conditional Gaussians: walkers move through level, settling, steps, humidity,
temperature, late slope and, by the inverse of their priors' sums, through the points of the grid. Printed:
quantiles of each step by mixture and chain, and the largest difference (limit 0.3 cents).
"""

import os
import sys

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import emcee  # noqa: E402
import numpy as np  # noqa: E402
from jobs import Case, make  # noqa: E402

from resonance.changes.chapters import make_chapters  # noqa: E402
from resonance.changes.history import fit_chapter  # noqa: E402
from resonance.changes.mixture import coefficient, quantiles  # noqa: E402
from resonance.changes.terms import covariances  # noqa: E402

CHANCES = (0.025, 0.25, 0.5, 0.75, 0.975)
WALKERS, STEPS, BURN = 160, 40_000, 8_000
CASES = (
    Case("5 sets", n_sets=(5,), n_modes=1),
    Case("8 sets", n_sets=(8,), n_modes=1, drift="log"),
    Case("11 sets, not bracketed", n_sets=(11,), n_modes=1, bracketed=False),
)


def density(mode, chapter, grid):
    """Log density of walkers (k, 7 + p): six places on the axes of the grid, level, coefficients."""
    fits, prior = mode.fits, mode.terms.prior
    noise = covariances(chapter, mode.track, grid)
    whiten = np.linalg.inv(np.linalg.cholesky(noise))
    log_det = np.log(np.diagonal(whiten, axis1=1, axis2=2)).sum(1)
    # one mode alone: its point has the prior carried once through each kernel
    edges = [np.cumsum(kernel @ p) for kernel, p in zip(grid.kernels, grid.priors, strict=True)]

    def log_density(walkers):
        places = walkers[:, :6]
        inside = np.all((places > 0.0) & (places < 1.0), axis=1)
        at = [np.minimum(np.searchsorted(e, places[:, i]), e.size - 1) for i, e in enumerate(edges)]
        r = at[0] * grid.shape[1] + at[1]
        d = np.ravel_multi_index((at[2], at[3], at[4]), grid.shape[2:5])
        sd = prior.sd * prior.variants[at[5]]
        b = walkers[:, 7:]
        x = np.moveaxis(fits.basis[:, fits.designs[d]], 0, 1)
        rest = fits.y - walkers[:, 6:7] - np.einsum("knp,kp->kn", x, b)
        white = np.einsum("knm,km->kn", whiten[r], rest)
        out = log_det[r] - 0.5 * np.sum(white**2, axis=1)
        out -= 0.5 * np.sum(((b - prior.mean) / sd) ** 2, axis=1) + np.log(sd).sum(1)
        return np.where(inside, out, -np.inf)

    return log_density


def chain(mode, chapter, grid, rng):
    log_density = density(mode, chapter, grid)
    p = mode.terms.prior.sd.size
    start = np.empty((WALKERS, 7 + p))
    start[:, :6] = rng.uniform(0.05, 0.95, (WALKERS, 6))
    start[:, 6] = mode.fits.y.mean() + 5.0 * rng.standard_normal(WALKERS)
    start[:, 7:] = mode.terms.prior.mean + 0.3 * mode.terms.prior.sd * rng.standard_normal((WALKERS, p))
    moves = [
        (emcee.moves.DEMove(), 0.7),
        (emcee.moves.DESnookerMove(), 0.1),
        (emcee.moves.StretchMove(), 0.2),
    ]
    sampler = emcee.EnsembleSampler(WALKERS, 7 + p, log_density, moves=moves, vectorize=True)
    sampler.random_state = np.random.RandomState(5).get_state()
    sampler.run_mcmc(start, STEPS)
    return sampler.get_chain(discard=BURN)[:, :, 7:], sampler.get_autocorr_time(discard=BURN, tol=0)


def main():
    worst = 0.0
    for case in CASES:
        job = make(case, 3)
        (chapter,) = make_chapters(job.sets, job.adjustments)
        fit = fit_chapter(chapter, job.yardstick)
        (mode,) = fit.modes
        if mode.suspect_readings or fit.suspects:
            sys.exit(f"{case.name}: a suspect reading; take another seed")
        draws, slow = chain(mode, chapter, fit.grid, np.random.default_rng(8))
        for k in range(mode.terms.steps.stop):
            ours = quantiles(coefficient(mode.posterior, k), CHANCES)
            theirs = np.quantile(draws[:, :, k], CHANCES)
            halves = np.abs(np.quantile(draws[: len(draws) // 2, :, k], CHANCES)
                            - np.quantile(draws[len(draws) // 2 :, :, k], CHANCES))  # fmt: skip
            worst = max(worst, float(np.abs(ours - theirs).max()))
            print(f"{case.name}, step {k + 1}: mixture {ours.round(2)}, chain {theirs.round(2)}")
            print(f"  halves of the chain differ by {halves.max():.2f}; slowest {slow.max():.0f} steps")
    print(f"largest difference {worst:.2f} cents (limit 0.3)")


if __name__ == "__main__":
    main()
