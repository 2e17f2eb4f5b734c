"""Vibrato and wolf of one note: slow waves of its pitch and of its partials' strength.

A vibrato moves all partials up and down together, in cents; what the body then makes of their strength
swings at the same rate and its multiples. A wolf beats in strength: string and body take turns, odd partials
split in pairs while even ones stay single (Firth 1974, STL-QPSR 15(4), 42), at about 5 Hz (Centrih 2011,
seminar, Ljubljana). So a beat counts as a wolf's only where no vibrato of the even partials, which a wolf
leaves alone, explains it.
"""

from dataclasses import dataclass
from math import nan, sqrt

import numpy as np

from resonance.sound.recording import ComplexArray, FloatArray
from resonance.spectra.partials import Track, turned

STEP = 0.02  # s between values of a slow wave
VIBRATO = (3.0, 9.0)  # Hz
LEAST_CENTS = 6.0  # width at which a vibrato is told
VIBRATO_BAND = 1.35  # a hand's rate wanders by so much up and down
VIBRATO_SHARE = 0.4  # of the pitch's slow changes that it explains
WOLF = (2.5, 13.0)  # Hz
LEAST_DEPTH = 0.14
WOLF_SHARE = 0.4  # of the strength's slow changes that the beat explains
OVER_VIBRATO = 0.8  # depth of a wolf over what the vibrato makes of the strength
NEAR = (
    0.9  # Hz, so near to a vibrato's rate, or to twice or three times it, a beat is taken for the vibrato's
)
LEAST_BEATS = 3.0  # in the note, to be told
SEVERITIES = (0.14, 0.3, 0.6)  # depth from which severity is 1, 2, 3 (our own scale)


@dataclass(frozen=True)
class Vibrato:
    """Vibrato: rate, Hz; width from lowest to highest, cents; each with its standard uncertainty."""

    rate: float
    rate_u: float = nan
    width_cents: float = nan
    width_u_cents: float = nan


@dataclass(frozen=True)
class Wolf:
    """Beating in strength that no vibrato explains.

    Parameters
    ----------
    rate, rate_u : float, Hz   beats a second
    depth, depth_u : float   (most - least) / (most + least) of the amplitude, 0 to 1
    odd_depth, even_depth : float   of odd and of even partials alone; NaN where there are none
    split : bool   odd partials beat, even ones do not: the pattern of a wolf (else: all, or cannot tell)
    severity : int   0 to 3 by depth (`SEVERITIES`)
    """

    rate: float
    rate_u: float = nan
    depth: float = nan
    depth_u: float = nan
    odd_depth: float = nan
    even_depth: float = nan
    split: bool = False
    severity: int = 0


@dataclass(frozen=True)
class Wave:
    """One slow wave by least squares: rate, amplitude, their uncertainties, and its share of all change."""

    rate: float
    rate_u: float
    amplitude: float
    amplitude_u: float
    share: float


def slow_wave(
    values: FloatArray, step: float, limits: tuple[float, float], *, besides: tuple[float, ...] = ()
) -> Wave | None:
    """Strongest sine in evenly spaced values, a curved trend taken off; None where they are too few.

    Parameters
    ----------
    values : array (n,)
    step : float, s
    limits : (float, float), Hz
    besides : rates left out, `NEAR` on either side
    """
    n, duration = values.size, values.size * step
    if n < 12:
        return None
    lowest = max(limits[0], LEAST_BEATS / duration)
    rates = np.arange(lowest, min(limits[1], 0.4 / step), 0.125 / duration)
    rates = rates[np.all([np.abs(rates - each) > NEAR for each in besides], axis=0)] if besides else rates
    if not rates.size:
        return None
    time = (np.arange(n) - 0.5 * (n - 1)) * step
    trend = np.linalg.qr(np.vander(time / duration, 3))[0]
    left = values - trend @ (trend.T @ values)
    waves = np.exp(2j * np.pi * np.outer(rates, time))
    amplitudes = 2.0 * np.abs(waves @ left) / n
    k = int(np.argmax(amplitudes))
    rate = _between(rates, amplitudes, k)
    base = np.column_stack([np.cos(2 * np.pi * rate * time), np.sin(2 * np.pi * rate * time)])
    base = base - trend @ (trend.T @ base)
    coefficients = np.linalg.lstsq(base, left, rcond=None)[0]
    amplitude = float(np.hypot(*coefficients))
    rest = left - base @ coefficients
    sd = sqrt(float(np.sum(rest**2)) / max(1, n - 6))
    amplitude_u = sd * sqrt(2.0 / n)
    rate_u = sqrt(6.0) / (np.pi * duration) * amplitude_u / max(amplitude, 1e-30)
    return Wave(
        rate, rate_u, amplitude, amplitude_u, 1.0 - float(np.sum(rest**2) / max(np.sum(left**2), 1e-30))
    )


def _between(grid: FloatArray, height: FloatArray, k: int) -> float:
    if not 0 < k < grid.size - 1:
        return float(grid[k])
    bend = height[k - 1] - 2.0 * height[k] + height[k + 1]
    shift = 0.5 * (height[k - 1] - height[k + 1]) / bend if bend < 0.0 else 0.0
    return float(grid[k] + np.clip(shift, -0.5, 0.5) * (grid[1] - grid[0]))


def find_vibrato(track: Track, *, even_only: bool = False) -> Vibrato | None:
    """Vibrato of a note, by all partials or by the even ones alone; None where there is none to tell."""
    cents, step = pitch_wave(track, even_only=even_only)
    wave = slow_wave(cents, step, VIBRATO)
    if wave is None:
        return None
    rms, share = band_part(cents, step, wave.rate / VIBRATO_BAND, wave.rate * VIBRATO_BAND)
    width = (
        2.0 * sqrt(2.0) * rms / (hann_response(wave.rate, track.window) * float(np.sinc(wave.rate * step)))
    )
    if width < LEAST_CENTS or share < VIBRATO_SHARE:
        return None
    swings = max(2.0, wave.rate * cents.size * step)
    apart = max(0.0, 1.0 - wave.share / max(share, 1e-9))  # how far the hand is from one steady rate
    width_u = width * sqrt((1.0 - share) / share / swings + 0.5 * apart / swings)
    return Vibrato(wave.rate, max(wave.rate_u, 0.3 * sqrt(apart / swings) * wave.rate), width, width_u)


def band_part(values: FloatArray, step: float, low: float, high: float) -> tuple[float, float]:
    """Root mean square of what changes at rates between two limits (Hz), and its share of all change."""
    n = values.size
    trend = np.linalg.qr(np.vander(np.linspace(-1.0, 1.0, n), 3))[0]
    left = values - trend @ (trend.T @ values)
    power = np.abs(np.fft.rfft(left)) ** 2
    grid = np.fft.rfftfreq(n, step)
    inside = (grid >= low - 0.5 / (n * step)) & (grid <= high + 0.5 / (n * step))
    return sqrt(2.0 * float(power[inside].sum())) / n, float(power[inside].sum() / max(power.sum(), 1e-30))


def pitch_wave(track: Track, *, even_only: bool = False) -> tuple[FloatArray, float]:
    """Pitch about its mean in cents, evenly spaced; values and step (s). Empty where nothing is heard."""
    turns = track.turns
    if even_only:
        number = np.arange(1, len(track.partials) + 1)
        weights = np.where(number % 2 == 0, track.weights, 0.0)
        if weights.sum() <= 0.0:
            return np.zeros(0), STEP
        for k in np.flatnonzero(weights):
            turns = turns + weights[k] / weights.sum() * turned(track.partials[k]) / number[k]
    size = max(1, round(STEP / track.step))
    whole = turns[: (turns.size - 1) // size * size + 1 : size]
    pitch = np.diff(whole) / (size * track.step)
    mean = float(np.mean(pitch)) if pitch.size else 1.0
    return np.asarray(1731.2 * (pitch / mean - 1.0)), size * track.step


def hann_response(rate: float, window: float) -> float:
    """What a Hann window of a length (s) leaves of a wave of a rate (Hz): sinc(x) / (1 - x^2)."""
    x = rate * window
    return float(np.sinc(x) / (1.0 - x * x)) if abs(x - 1.0) > 1e-6 else 0.5


def find_wolf(track: Track) -> Wolf | None:
    """Beating of a note in strength; None where there is none, or where a vibrato explains it."""
    vibrato = find_vibrato(track, even_only=True) or (find_vibrato(track) if _no_even(track) else None)
    multiples = tuple(vibrato.rate * k for k in (1, 2, 3)) if vibrato else ()
    odd, even, first = (_strength(track, which) for which in ("odd", "even", "first"))
    waves = [_beat(values, track, multiples) for values in (odd, first)]
    found = [wave for wave in waves if wave is not None and wave.share > WOLF_SHARE]
    if not found or not odd.size:
        return None
    wave = max(found, key=lambda each: each.amplitude)
    swing = _depth_at(odd, track, multiples)
    if wave.amplitude < LEAST_DEPTH or (vibrato and wave.amplitude < OVER_VIBRATO * swing):
        return None
    odd_depth, even_depth = (_depth_at(values, track, (wave.rate,)) for values in (odd, even))
    split = bool(even_depth < 0.5 * wave.amplitude)
    strength = odd if wave is waves[0] else first
    alone = (min(1.0, wave.amplitude), wave.amplitude_u)
    depth, depth_u = _pair_depth(strength, track, wave) if split else alone
    return Wolf(wave.rate, wave.rate_u, depth, depth_u, odd_depth, even_depth, split, severity_of(depth))


def severity_of(depth: float) -> int:
    """Severity 0 to 3 of a beat by its depth."""
    return int(sum(depth >= least for least in SEVERITIES))


def _no_even(track: Track) -> bool:
    return not float(np.sum(track.weights[1::2])) > 0.0


def _strength(track: Track, which: str) -> FloatArray:
    """Amplitude of odd or even partials together, or of the first alone, every `STEP`, mean 1; or empty."""
    chosen: ComplexArray = {"odd": track.partials[::2], "even": track.partials[1::2]}.get(
        which, track.partials[:1]
    )
    noise = {"odd": track.noise[::2], "even": track.noise[1::2]}.get(which, track.noise[:1])
    if not len(chosen):
        return np.zeros(0)
    power = np.sum(np.abs(chosen) ** 2, axis=0)
    size = max(1, round(STEP / track.step))
    n = power.size // size
    slow = power[: n * size].reshape(n, size).mean(axis=1) - noise.sum()
    if float(np.mean(slow)) < 10.0 * float(noise.sum()):
        return np.zeros(0)
    amplitude = np.sqrt(np.maximum(slow, 0.0))
    return np.asarray(amplitude / np.mean(amplitude))


def _step(track: Track) -> float:
    return max(1, round(STEP / track.step)) * track.step


def _left_of(rate: float, track: Track) -> float:
    """What the window and the means over `STEP` leave of a beat."""
    return hann_response(rate, track.window) * float(np.sinc(rate * _step(track)))


def _beat(values: FloatArray, track: Track, besides: tuple[float, ...]) -> Wave | None:
    """Strongest beat of a strength with its depth for amplitude; its share holds twice its rate as well."""
    wave = slow_wave(values, _step(track), WOLF, besides=besides)
    if wave is None:
        return None
    damped = _left_of(wave.rate, track)
    _, share = _explained(values, _step(track), (wave.rate, 2.0 * wave.rate, 3.0 * wave.rate))
    return Wave(wave.rate, wave.rate_u, wave.amplitude / damped, wave.amplitude_u / damped, share)


def _pair_depth(values: FloatArray, track: Track, wave: Wave) -> tuple[float, float]:
    """Depth r of a pair of lines of strengths 1 and r, and its standard uncertainty.

    Its power is 1 + r^2 + 2 r cos, a single wave: q = 2 r / (1 + r^2) of its mean.
    """
    time = np.arange(values.size) * _step(track)
    angle = 2.0 * np.pi * wave.rate * time
    base = np.column_stack([np.ones_like(time), time - time.mean(), np.cos(angle), np.sin(angle)])
    mean, _, *swing = np.linalg.lstsq(base, values**2, rcond=None)[0]
    q = float(np.hypot(*swing) / mean) / _left_of(wave.rate, track)
    q = min(max(q, 1e-6), 1.0)
    r = (1.0 - sqrt(1.0 - q * q)) / q
    steep = 2.0 * (1.0 - r * r) / (1.0 + r * r) ** 2
    return r, 2.0 * wave.amplitude_u / max(steep, 0.2)


def _depth_at(values: FloatArray, track: Track, rates: tuple[float, ...]) -> float:
    """Half the swing that waves at given rates make of a strength of mean 1; NaN where there is none."""
    if not values.size:
        return nan
    if not rates:
        return 0.0
    wave, _ = _explained(values, _step(track), rates)
    return 0.5 * float(np.ptp(wave)) / _left_of(rates[0], track)


def _explained(values: FloatArray, step: float, rates: tuple[float, ...]) -> tuple[FloatArray, float]:
    """Waves at given rates by least squares, and their share of all change about a curved trend."""
    n = values.size
    time = (np.arange(n) - 0.5 * (n - 1)) * step
    trend = np.linalg.qr(np.vander(time / (n * step), 3))[0]
    left = values - trend @ (trend.T @ values)
    kept = [rate for rate in rates if rate < 0.45 / step]
    base = np.column_stack([f(2 * np.pi * rate * time) for rate in kept for f in (np.cos, np.sin)])
    base = base - trend @ (trend.T @ base)
    wave = base @ np.linalg.lstsq(base, left, rcond=None)[0]
    return wave, 1.0 - float(np.sum((left - wave) ** 2) / max(np.sum(left**2), 1e-30))
