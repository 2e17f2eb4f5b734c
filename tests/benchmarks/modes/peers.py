"""The same taps through four usual methods, so that a figure stands beside each of ours.

All get the free decays themselves, cut where they are truly free (2 ms after the blow's end, which a user
would see in the waveform), of the taps that the package kept.

* FFT peaks: averaged power spectrum of the windowed decays, `scipy.signal.find_peaks`, parabola through the
  logarithm of three bins, half-power width (less the window's own). Interval: Student's t over the peaks of
  the single taps.
* LSCF: sdypy-EMA, spectra of the decays as frequency responses, common denominator, poles that are stable
  over the orders. Interval: 1.96 standard deviations over the orders at which a pole was stable.
* SSI-cov: pyOMA-2, the decays thinned to a low rate, poles that are stable over the orders. Interval as LSCF.
* vector fitting: vectorfit.py, poles common to the taps' spectra. Interval: Student's t over fits to single
  taps that start from the common poles.

An exponential window is taken off the damping exactly. A pole counts as a mode when it lies in the band with
a damping that a user who knows the piece would believe and, for the FFT and vector fitting, is loud enough. A
method that raises one of `FAILURES` has found nothing, and is counted as failed.

Tuned by tune.py on tuning seeds 0 to 2 (FFT) and 0 to 1 (the others): 20, 30, 40 dB and 30 dB with strings.
The figure is the named modes' RMS error, a miss counting 2 Hz, with 0.05 Hz for every false mode a set.
Not every combination was tried; one setting was varied about the best of the others.

* FFT peaks: window 0, 2, 4 nepers; prominence 1, 3, 6 dB; floor -36, -24 dB. Chosen 2; 6; -36: 0.92 Hz. (A
  prominence of 1 dB finds .98 of the modes in place of .88, among 60 false ones a set.)
* LSCF: order 45, 60, 90, 120, 150; window 0, 3, 5; nearness .002, .005, of damping .1, .2; seen in .3, .5 of
  the orders. Chosen 150; 5; .005; .2; .3: 0.05 Hz. (Order 60 without a window: 0.5 to 0.6 Hz.)
* SSI-cov: taps as channels, so with one reference, or one after another; block rows 60, 100, 140, 180; order
  40, 60, 80; window 0, 3. Chosen channels; 140; 80; 3: 0.17 Hz. (60 rows, order 40, no window: 0.87 Hz.)
* vector fitting: pairs 30, 40, 50, 60, 75; window 0, 2, 4; weight none or 1 / root of the power. Chosen 60;
  4; none: 0.08 Hz. (30 pairs without a window: 0.50 Hz.)
"""

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import scipy
import vectorfit

HIGHEST_DAMPING = 0.08
SINGLE_STEPS = 2  # relocations of the common poles for a single tap
FAILURES = (np.linalg.LinAlgError, ValueError, IndexError, ZeroDivisionError, FloatingPointError)


@dataclass(frozen=True)
class Reading:
    """One mode as a method gives it; half widths of 95 % intervals, NaN where it has none."""

    frequency: float
    damping: float
    half: float = float("nan")
    damping_half: float = float("nan")


@dataclass(frozen=True)
class Settings:
    """Settings of a method; each uses some of them."""

    window: float = 0.0  # nepers of the exponential window at the end of the decay
    length: float = 1.0  # share of the decay used
    prominence_db: float = 6.0
    floor_db: float = -36.0  # below the loudest
    order: int = 60
    nearness: float = 0.002
    damping_nearness: float = 0.1
    seen: float = 0.5
    rate: float = 4.0  # of thinned decays, over the band's end
    rows: int = 80
    steps: int = 12
    weighting: str = "none"
    options: dict = field(default_factory=dict)


def segments(scene):
    """Free decays of all kept taps and channels, (n, n_samples), and their sample rate."""
    rate = scene.case.rate
    n = int(scene.body.length * rate)
    cut, at = [], 0
    for index, take in enumerate(scene.takes):
        kept = [tap.onset for tap in scene.taps if tap.take == index and tap.kept]
        count = scene.case.n_taps // scene.case.places + (index < scene.case.n_taps % scene.case.places)
        for free in scene.free_from[at : at + count]:
            if any(abs(onset - free) < 0.05 for onset in kept):
                first = int(np.ceil(free * rate))
                piece = take.recording.samples[first : first + n]
                cut += [c - c.mean() for c in piece.T if c.size == n]
        at += count
    return (np.stack(cut) if cut else np.zeros((0, n))), rate


def read(name, scene, settings=None):
    """Readings of a method, and whether it failed."""
    decays, rate = segments(scene)
    try:
        return METHODS[name](decays, rate, scene.body, settings or CHOSEN[name]), False
    except FAILURES:
        return [], True


def believed(frequency, damping, body):
    """Which poles a user who knows the piece takes for modes."""
    inside = (frequency > body.band[0]) & (frequency < body.band[1])
    return inside & (damping > body.lowest_damping) & (damping < HIGHEST_DAMPING)


def _t_half(values):
    """Half width of the mean by Student's t over single taps."""
    k = len(values)
    if k < 2:
        return float("nan")
    return float(scipy.stats.t.ppf(0.975, k - 1) * np.std(values, ddof=1) / np.sqrt(k))


def _windowed(decays, rate, settings):
    """Decays cut to a share of their length under the exponential window; the window's rate in 1/s."""
    n = int(decays.shape[1] * settings.length)
    alpha = settings.window * rate / n
    return decays[:, :n] * np.exp(-alpha * np.arange(n) / rate), alpha


# ---- averaged FFT


def fft_peaks(decays, rate, body, settings):
    """Peaks of the averaged spectrum."""
    cut, alpha = _windowed(decays, rate, settings)
    if not len(cut):
        return []
    padded = 1 << int(np.ceil(np.log2(4 * cut.shape[1])))
    single = np.abs(np.fft.rfft(cut, padded)) ** 2
    grid = np.fft.rfftfreq(padded, 1.0 / rate)
    inside = (grid > body.band[0] - 20.0) & (grid < body.band[1] + 20.0)
    single, grid = single[:, inside], grid[inside]
    level = 10.0 * np.log10(np.mean(single / single.max(axis=1, keepdims=True), axis=0))
    tops, _ = scipy.signal.find_peaks(level, prominence=settings.prominence_db)
    peaks = [(top, *_peak(grid, level, top, alpha)) for top in tops]
    peaks = [peak for peak in peaks if believed(*peak[1:], body)]
    loudest = max((level[top] for top, _, _ in peaks), default=0.0)
    out = []
    for top, frequency, damping in peaks:
        if level[top] < loudest + settings.floor_db:
            continue
        reach = max(2, int(0.5 * damping * frequency / (grid[1] - grid[0])))
        alone = [_nearest_peak(grid, 10.0 * np.log10(row + 1e-300), top, reach, alpha) for row in single]
        halves = [_t_half(column) for column in zip(*alone, strict=True)]
        out.append(Reading(frequency, damping, *halves))
    return out


def _nearest_peak(grid, level, top, reach, alpha):
    low = max(1, top - reach)
    return _peak(grid, level, low + int(np.argmax(level[low : top + reach + 1])), alpha)


def _peak(grid, level, top, alpha):
    """Frequency by a parabola through three bins, damping by the half-power width."""
    top = int(np.clip(top, 1, level.size - 2))
    left, middle, right = level[top - 1 : top + 2]
    bend = left - 2.0 * middle + right
    offset = 0.5 * (left - right) / bend if bend < 0.0 else 0.0
    frequency = grid[top] + offset * (grid[1] - grid[0])
    half = middle - 0.25 * (left - right) * offset - 10.0 * np.log10(2.0)
    edges = []
    for side in (-1, 1):
        at = top
        while 0 < at < level.size - 1 and level[at] > half:
            at += side
        slope = level[at] - level[at - side]
        part = (half - level[at - side]) / slope if slope else 0.0
        edges.append(grid[at - side] + part * (grid[at] - grid[at - side]))
    width = edges[1] - edges[0] - alpha / np.pi
    return float(frequency), float(max(width, 0.0) / 2.0 / frequency)


# ---- stabilisation over orders, for LSCF and SSI


def stable_poles(by_order, body, settings, shift=0.0):
    """Poles that stay put from one model order to the next, in a share of the orders.

    Parameters
    ----------
    by_order : list of (frequencies, dampings), one pair of arrays a model order
    shift : float, 1/s   decay rate of the window, to be taken off
    """
    inside = []
    for frequency, damping in by_order:
        size = 2.0 * np.pi * frequency
        pole = size * (-damping + 1j * np.sqrt(np.maximum(1.0 - damping**2, 0.0))) + shift
        frequency, damping = np.abs(pole) / 2.0 / np.pi, -pole.real / np.maximum(np.abs(pole), 1e-12)
        kept = np.isfinite(frequency) & believed(frequency, damping, body)
        inside.append(np.column_stack([frequency[kept], damping[kept]]))
    stable = []
    for order, (before, here) in enumerate(pairwise(inside)):
        for pole in here if len(before) else ():
            change = np.abs(before / pole - 1.0)
            if np.any((change[:, 0] < settings.nearness) & (change[:, 1] < settings.damping_nearness)):
                stable.append((*pole, order))
    out = []
    for group in _groups(np.array(sorted(stable)).reshape(-1, 3), settings.nearness):
        if np.unique(group[:, 2]).size >= settings.seen * (len(by_order) - 1):
            frequency, damping = np.median(group[:, :2], axis=0)
            halves = 1.96 * np.std(group[:, :2], axis=0, ddof=1)
            out.append(Reading(float(frequency), float(damping), *map(float, halves)))
    return out


def _groups(poles, nearness):
    """Runs of neighbouring poles with no gap wider than `nearness`."""
    if not len(poles):
        return []
    return np.split(poles, np.flatnonzero(np.diff(poles[:, 0]) > nearness * poles[1:, 0]) + 1)


# ---- sdypy-EMA


def lscf(decays, rate, body, settings):
    """Least-squares complex frequency method over the taps' spectra."""
    from sdypy import EMA

    cut, alpha = _windowed(decays, rate, settings)
    spectra = np.fft.rfft(cut) / rate
    grid = np.fft.rfftfreq(cut.shape[1], 1.0 / rate)
    high = min(body.band[1] + settings.options.get("above", 300.0), 0.45 * rate)
    if settings.weighting == "level":  # every tap as strong as the others
        spectra = spectra / np.sqrt(np.mean(np.abs(spectra) ** 2, axis=1, keepdims=True))
    low = max(10.0, body.band[0] - settings.options.get("below", 30.0))
    model = EMA.Model(spectra, grid, lower=low, upper=high, pol_order_high=settings.order)
    model.get_poles(method="lscf", show_progress=False)
    first = max(4, settings.order // 4)
    by_order = [(np.abs(p) / 2.0 / np.pi, -p.real / np.abs(p)) for p in map(_upper, model.all_poles[first:])]
    return stable_poles(by_order, body, settings, alpha)


def _upper(poles):
    return poles[np.imag(poles) > 0.0]


# ---- pyOMA-2


def ssi_cov(decays, rate, body, settings):
    """Stochastic subspace identification from covariances of the thinned decays."""
    from pyoma2.algorithms import SSI
    from pyoma2.setup import SingleSetup

    cut, alpha = _windowed(decays, rate, settings)
    step = max(1, int(rate / (settings.rate * body.band[1])))
    low = scipy.signal.decimate(cut, step, ftype="fir", axis=1, zero_phase=True) if step > 1 else cut
    low = low[:, 10:-10] / np.sqrt(np.mean(low**2, axis=1, keepdims=True))
    record = low.T if settings.options.get("channels") else low.reshape(-1, 1)
    setup = SingleSetup(record, fs=rate / step)
    hard = {"xi_max": 0.2, "mpc_lim": None, "mpd_lim": None, "CoV_max": None}
    algorithm = SSI(
        name="ssi", method="cov", br=settings.rows, ordmax=2 * settings.order, step=2, hc=hard,
        **({"ref_ind": [0]} if settings.options.get("one_reference") else {}),
    )  # fmt: skip
    setup.add_algorithms(algorithm)
    setup.run_by_name("ssi")
    frequency, damping = algorithm.result.Fn_poles, algorithm.result.Xi_poles
    first = max(4, settings.order // 4)
    by_order = [(frequency[:, k], damping[:, k]) for k in range(first, frequency.shape[1])]
    return stable_poles(by_order, body, settings, alpha)


# ---- vector fitting


def vector_fitting(decays, rate, body, settings):
    """Poles common to the spectra of all taps."""
    cut, alpha = _windowed(decays, rate, settings)
    grid = np.fft.rfftfreq(cut.shape[1], 1.0 / rate)
    low, high = max(15.0, body.band[0] - 40.0), min(body.band[1] + 300.0, 0.45 * rate)
    inside = (grid > low) & (grid < high)
    spectra = np.fft.rfft(cut)[:, inside] / rate
    spectra = spectra / np.sqrt(np.mean(np.abs(spectra) ** 2, axis=1, keepdims=True))
    power = {"none": 0.0, "root": -0.5, "inverse": -1.0}[settings.weighting]
    weight = np.mean(np.abs(spectra) ** 2, axis=0) ** (0.5 * power)
    s = 2j * np.pi * grid[inside]
    start = vectorfit.starting_poles(low, high, settings.order)
    poles = vectorfit.fit(s, spectra, start, steps=settings.steps, weight=weight)
    heights = np.sqrt(np.mean(np.abs(vectorfit.residues(s, spectra, poles, weight)) ** 2, axis=0))
    frequency, damping = _numbers(poles + alpha)
    body_like = believed(frequency, damping, body)
    level = 20.0 * np.log10(heights / -poles.real)
    loud = body_like & (level > np.max(level[body_like], initial=-np.inf) + settings.floor_db)
    alone = [
        _numbers(vectorfit.fit(s, one[None, :], poles, steps=SINGLE_STEPS, weight=weight) + alpha)
        for one in spectra
    ]
    out = []
    for m in np.flatnonzero(loud):
        near = [(f[i], z[i]) for f, z in alone if f.size for i in [np.argmin(np.abs(f - frequency[m]))]]
        halves = [_t_half(column) for column in zip(*near, strict=True)]
        out.append(Reading(float(frequency[m]), float(damping[m]), *halves))
    return out


def _numbers(poles):
    return np.abs(poles) / 2.0 / np.pi, -poles.real / np.abs(poles)


METHODS = {
    "FFT peaks": fft_peaks,
    "LSCF": lscf,
    "SSI-cov": ssi_cov,
    "vector fitting": vector_fitting,
}
CHOSEN = {
    "FFT peaks": Settings(window=2.0, prominence_db=6.0),
    "LSCF": Settings(window=5.0, order=150, nearness=0.005, damping_nearness=0.2, seen=0.3),
    "SSI-cov": Settings(
        window=3.0, rows=140, order=80, nearness=0.005, damping_nearness=0.2, seen=0.3,
        options={"channels": True},
    ),
    "vector fitting": Settings(window=4.0, order=60),
}  # fmt: skip
