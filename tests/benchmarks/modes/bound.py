"""The Cramer-Rao bound of a tap set: what no unbiased estimator can beat.

Fixed statement: free decays from 2 ms after the blow's end, 0.6 s long, all poles shared and unknown, the
complex amplitude of every mode in every tap unknown, noise known. Hum is taken as known. Computed from the
full Fisher matrix in the frequency domain, bins up to 1600 Hz (a mode's bound there does not hang on what
lies above 1700 Hz), independently of the package's own fit.
"""

import numpy as np

LENGTH = 0.6
HIGHEST = 1600.0


def frequency_bounds(scene, which):
    """Standard deviation bound (Hz) of |s| / 2 pi for the modes of the given indices."""
    rate = scene.case.rate
    n = int(LENGTH * rate)
    bins = np.arange(int(20.0 * LENGTH), int(HIGHEST * LENGTH) + 1) * (rate / n)
    kept = np.flatnonzero(scene.frequency < HIGHEST + 100.0)
    size = 2.0 * np.pi * scene.frequency[kept]
    alpha = scene.damping[kept] * size
    omega = np.sqrt(size**2 - alpha**2)
    weight = 1.0 / np.sqrt(n * scene.noise_psd[0] / np.maximum(bins, scene.noise_psd[1]))
    value, slope = _transforms(-alpha + 1j * omega, bins, n, rate)
    mirror, mirror_slope = _transforms(-alpha - 1j * omega, bins, n, rate)
    design = _real(np.stack([value + mirror, 1j * (value - mirror)], axis=2), weight)
    basis = np.linalg.qr(design / np.linalg.norm(design, axis=0))[0]
    slopes = _real(np.stack([slope + mirror_slope, 1j * (slope - mirror_slope)], axis=2), weight)
    slopes -= basis @ (basis.T @ slopes)
    gram = slopes.T @ slopes
    fisher = np.zeros((2 * kept.size, 2 * kept.size))
    for amplitudes in scene.amplitudes[:, kept]:
        turn = np.zeros((2 * kept.size, 2 * kept.size))  # columns: by alpha, by omega; rows: Re, Im of c ds
        for m, c in enumerate(amplitudes):
            turn[2 * m : 2 * m + 2, 2 * m] = (-c).real, (-c).imag
            turn[2 * m : 2 * m + 2, 2 * m + 1] = (1j * c).real, (1j * c).imag
        fisher += 2.0 * turn.T @ gram @ turn / 4.0
    # A real sine is (c e^{st} + c* e^{s*t}) / 2, hence the quarter; a complex bin of variance v counts 2 / v.
    scale = np.sqrt(np.diag(fisher))
    covariance = np.linalg.inv(fisher / np.outer(scale, scale)) / np.outer(scale, scale)
    out = []
    for i in which:
        k = int(np.flatnonzero(kept == i)[0])
        direction = np.array([alpha[k], omega[k]]) / size[k] / (2.0 * np.pi)
        out.append(float(np.sqrt(direction @ covariance[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] @ direction)))
    return np.array(out)


def _transforms(poles, bins, n, rate):
    """DFT of e^{st} over n samples at the bins, and its derivative by s; each (n_bins, n_poles)."""
    ratio = np.exp((poles[None, :] - 2j * np.pi * bins[:, None]) / rate)
    end = np.exp(poles * n / rate)
    value = (1.0 - end) / (1.0 - ratio)
    slope = (value * ratio - n * end) / (1.0 - ratio) / rate
    return value, slope


def _real(pairs, weight):
    """Real rows over imaginary ones of weighted columns."""
    flat = (pairs * weight[:, None, None]).reshape(pairs.shape[0], -1)
    return np.concatenate([flat.real, flat.imag])
