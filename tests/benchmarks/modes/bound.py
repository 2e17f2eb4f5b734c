"""The Cramer-Rao bound of a tap set: what no unbiased estimator can beat.

Fixed statement: free decays from 2 ms after the blow's end, 0.6 s long (cello 0.9, bass 1.2, plates and bars
2 s), all poles shared and unknown, the complex amplitude of every mode in every tap unknown, noise known, no
room. Hum is taken as known. Computed from the full Fisher matrix in the frequency domain, bins up to 400 Hz
above the band (a mode's bound there does not hang on what lies above that), independently of the package's
own fit. Where a contact sensor stands beside the microphone, the bound is the microphone's.
"""

import numpy as np

ABOVE = 400.0  # Hz of bins above the band


def frequency_bounds(scene, which):
    """Standard deviation bound (Hz) of |s| / 2 pi for the modes of the given indices."""
    rate, length = scene.case.rate, scene.body.length
    n = int(length * rate)
    highest = min(scene.body.band[1] + ABOVE, 0.45 * rate)
    bins = np.arange(int(20.0 * length), int(highest * length) + 1) * (rate / n)
    kept = np.flatnonzero(scene.frequency < highest + 100.0)
    level, lowest, slope = scene.noise_psd
    noise = n * level * np.maximum(bins, lowest) ** -slope
    size = 2.0 * np.pi * scene.frequency[kept]
    alpha = scene.damping[kept] * size
    omega = np.sqrt(size**2 - alpha**2)
    covariance = pole_covariance(
        alpha, omega, scene.amplitudes[:, kept], bins=bins, noise=noise, n=n, rate=rate
    )
    out = []
    for i in which:
        k = int(np.flatnonzero(kept == i)[0])
        direction = np.array([alpha[k], omega[k]]) / size[k] / (2.0 * np.pi)
        out.append(float(np.sqrt(direction @ covariance[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] @ direction)))
    return np.array(out)


def pole_covariance(alpha, omega, amplitudes, *, bins, noise, n, rate):
    """Bound of the covariance of (alpha_1, omega_1, alpha_2, ...), 1/s and rad/s.

    Parameters
    ----------
    alpha, omega : array (n_modes,)   of the sine c e^{(-alpha + i omega) t}, real part
    amplitudes : array (n_taps, n_modes), complex   c in every tap at its first sample
    bins : array (n_bins,), Hz   of the DFT, and `noise` (n_bins,) the power of the noise in it
    n : int   samples of a record
    rate : float, Hz
    """
    weight = 1.0 / np.sqrt(noise)
    value, slope = _transforms(-alpha + 1j * omega, bins, n, rate)
    mirror, mirror_slope = _transforms(-alpha - 1j * omega, bins, n, rate)
    design = _real(np.stack([value + mirror, 1j * (value - mirror)], axis=2), weight)
    basis = np.linalg.qr(design / np.linalg.norm(design, axis=0))[0]
    slopes = _real(np.stack([slope + mirror_slope, 1j * (slope - mirror_slope)], axis=2), weight)
    slopes -= basis @ (basis.T @ slopes)
    gram = slopes.T @ slopes
    fisher = np.zeros((2 * alpha.size, 2 * alpha.size))
    for row in amplitudes:
        turn = np.zeros((2 * alpha.size, 2 * alpha.size))  # columns: by alpha, by omega; rows: Re, Im of c ds
        for m, c in enumerate(row):
            turn[2 * m : 2 * m + 2, 2 * m] = (-c).real, (-c).imag
            turn[2 * m : 2 * m + 2, 2 * m + 1] = (1j * c).real, (1j * c).imag
        fisher += 2.0 * turn.T @ gram @ turn / 4.0
    # A real sine is (c e^{st} + c* e^{s*t}) / 2, hence the quarter; a complex bin of variance v counts 2 / v.
    scale = np.sqrt(np.diag(fisher))
    return np.linalg.inv(fisher / np.outer(scale, scale)) / np.outer(scale, scale)


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
