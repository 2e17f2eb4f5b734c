"""Vector fitting: common poles of many spectra by relocating a starting guess.

f_k(s) = sum_m c_km / (s - a_m) + d_k + s e_k (Gustavsen and Semlyen 1999, IEEE Trans. Power Delivery 14,
1052): with the poles a_m fixed, sigma(s) f_k(s) = sum_m c_km / (s - a_m) + d_k + s e_k and
sigma(s) = 1 + sum_m c~_m / (s - a_m) are linear in their numbers; the zeros of sigma are the next poles. What
belongs to one spectrum alone is projected out by a QR factorisation of its own (Deschrijver, Mrozowski,
Dhaene and De Zutter 2008, IEEE Microw. Wirel. Compon. Lett. 18, 383). Both from memory. Poles come in complex
pairs; each stands for itself and its conjugate.
"""

import numpy as np


def starting_poles(low, high, count):
    """Pairs spread evenly over a band in Hz, with a damping of a hundredth, as the authors advise."""
    omega = 2.0 * np.pi * np.linspace(low, high, count)
    return -0.01 * omega + 1j * omega


def basis(s, poles):
    """Real-linear columns of each pair, (n_points, 2 n_pairs): over (Re c, Im c)."""
    first, second = 1.0 / (s[:, None] - poles), 1.0 / (s[:, None] - poles.conj())
    return np.stack([first + second, 1j * (first - second)], axis=2).reshape(s.size, -1)


def relocate(s, spectra, poles, weight):
    """One step: the zeros of sigma, unstable ones mirrored.

    Parameters
    ----------
    s : array (n,)   i omega, rad/s
    spectra : array (n_spectra, n)
    poles : array (n_pairs,), rad/s   upper half plane
    weight : array (n,)
    """
    own = _real(_own_columns(s, poles) * weight[:, None])
    shared = np.linalg.qr(own / np.linalg.norm(own, axis=0))[0]
    columns = basis(s, poles) * weight[:, None]
    rows, right = [], []
    for spectrum in spectra:
        system = _real(np.column_stack([-columns * spectrum[:, None], spectrum * weight]))
        system -= shared @ (shared.T @ system)
        triangle = np.linalg.qr(system, mode="r")
        rows.append(triangle[:, :-1])
        right.append(triangle[:, -1])
    stacked = np.concatenate(rows)
    scale = np.linalg.norm(stacked, axis=0) + 1e-300
    sigma = np.linalg.lstsq(stacked / scale, np.concatenate(right), rcond=1e-12)[0] / scale
    return zeros(poles, sigma)


def _own_columns(s, poles):
    """What every spectrum has for itself: its residues, a constant and a slope."""
    return np.concatenate([basis(s, poles), np.ones((s.size, 1)), s[:, None] / np.abs(s[-1])], axis=1)


def _real(rows):
    return np.concatenate([rows.real, rows.imag])


def zeros(poles, sigma):
    """Zeros of 1 + sum of pairs, stable, upper half plane; real ones are dropped.

    Eigenvalues of A - b c', A with blocks [[Re a, Im a], [-Im a, Re a]] and b = (2, 0), as in the paper.
    """
    size = 2 * poles.size
    state, entry = np.zeros((size, size)), np.zeros(size)
    for m, a in enumerate(poles):
        state[2 * m : 2 * m + 2, 2 * m : 2 * m + 2] = [[a.real, a.imag], [-a.imag, a.real]]
        entry[2 * m] = 2.0
    found = np.linalg.eigvals(state - np.outer(entry, sigma))
    upper = found[found.imag > 1e-6 * np.abs(found)]
    return np.sort_complex(-np.abs(upper.real) + 1j * upper.imag)


def residues(s, spectra, poles, weight):
    """Residue of each pair in each spectrum, complex (n_spectra, n_pairs), at the given poles."""
    own = _real(_own_columns(s, poles) * weight[:, None])
    scale = np.linalg.norm(own, axis=0) + 1e-300
    data = _real((spectra * weight).T)
    solved = (np.linalg.lstsq(own / scale, data, rcond=1e-12)[0] / scale[:, None]).T
    return solved[:, : 2 * poles.size : 2] + 1j * solved[:, 1 : 2 * poles.size : 2]


def fit(s, spectra, poles, *, steps, weight):
    """Poles (upper half plane) after a number of relocations."""
    for _ in range(steps):
        if not poles.size:
            break
        poles = relocate(s, spectra, poles, weight)
    return poles
