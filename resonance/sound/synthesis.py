"""Made-up tap sound with known truth: for tests, trials and the demo. Never mixed with measured sound.

Conventions. A mode is a pole s = 2 pi f (-zeta + i sqrt(1 - zeta^2)), so that its `frequency` is |s|/2pi
and its `damping` -Re s/|s| exactly. A blow is a half-sine pulse of unit area times its strength; the sound
is the convolution of that pulse with A e^{-alpha t} sin(w_d t + phase), in closed form, so an onset need
not fall on a sample. Randomness only through `rng`.

Not modelled: the contact click, the microphone's own response, motion of the source.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil, isfinite, log, nan, pi

import numpy as np
import scipy

from resonance.sound.recording import ComplexArray, FloatArray, Recording

FORGOTTEN = log(10.0**7.5)  # a decay is dropped once it is 150 dB down
SNR_BAND = (200.0, 1000.0)  # Hz, where the signal-to-noise ratio is defined
SNR_SPAN = 0.25  # s of decay behind it


@dataclass(frozen=True)
class BodyMode:
    """One resonance: frequency (Hz), damping ratio, amplitude for a unit impulse, phase (rad)."""

    frequency: float
    damping: float
    amplitude: float = 1.0
    phase: float = 0.0
    name: str = ""

    @property
    def pole(self) -> complex:
        """The pole s, 1/s."""
        return 2.0 * pi * self.frequency * complex(-self.damping, (1.0 - self.damping**2) ** 0.5)


@dataclass(frozen=True)
class Blow:
    """One tap.

    Parameters
    ----------
    onset : float, s   where the pulse begins
    strength : float   1 is an ordinary tap
    width : float, s   of the half-sine pulse: 0.3 ms a hard tip, 4 ms the flesh of a finger
    again_after : float, s   NaN, or when a second hit follows (a bounce)
    again_ratio : float   strength of the second hit over the first
    """

    onset: float
    strength: float = 1.0
    width: float = 0.0008
    again_after: float = nan
    again_ratio: float = 0.0


@dataclass(frozen=True)
class Bump:
    """A slow handling noise: a swell of `duration` s about a low `frequency` (Hz), peak re full scale."""

    at: float
    peak: float = 0.05
    duration: float = 0.25
    frequency: float = 25.0


@dataclass(frozen=True)
class Hum:
    """Mains hum: frequency (Hz), and the amplitude of each harmonic re full scale, from the first on."""

    frequency: float = 50.0
    amplitudes: tuple[float, ...] = (0.0005, 0.0003, 0.0002)


def pulse_spectrum(pole: complex | ComplexArray, width: float) -> ComplexArray:
    """Laplace transform at s of the half-sine pulse of unit area on 0 <= t <= width.

    (a^2/2)(1 + e^{-s w})/(s^2 + a^2) with a = pi/w: what the blow gives each mode.
    """
    s, a = np.asarray(pole, dtype=complex), pi / width
    return np.asarray(0.5 * a * a * (1.0 + np.exp(-s * width)) / (s * s + a * a))


def ring(
    mode: BodyMode, *, width: float, sample_rate: float, n_samples: int, lead: float = 0.0
) -> FloatArray:
    """Answer of one mode to one unit blow, sampled exactly.

    Parameters
    ----------
    mode : BodyMode
    width : float, s   of the blow
    sample_rate : float, Hz
    n_samples : int   most samples to give; a decay 150 dB down ends earlier
    lead : float, s   time from the onset of the blow to the first sample, at least 0

    Returns
    -------
    array (n,), n <= n_samples
    """
    s, a, dt = mode.pole, pi / width, 1.0 / sample_rate
    residue = -1j * mode.amplitude * np.exp(1j * mode.phase)
    n = min(n_samples, ceil((FORGOTTEN / -s.real + width) * sample_rate) + 1)
    start = residue * complex(pulse_spectrum(s, width)) * np.exp(s * lead)
    sound = (start * _powers(np.exp(s * dt), n)).real
    inside = lead + dt * np.arange(min(n, ceil(width * sample_rate)))
    inside = inside[inside < width]
    driven = a * np.exp(s * inside) - s * np.sin(a * inside) - a * np.cos(a * inside)
    sound[: len(inside)] = (residue * 0.5 * a * driven / (s * s + a * a)).real
    return np.asarray(sound)


def _powers(base: complex, n: int) -> ComplexArray:
    """base**0 ... base**(n-1), by blocks: two short exponentials and one product."""
    block = 512
    fine = base ** np.arange(block)
    coarse = (base**block) ** np.arange(ceil(n / block))
    return np.asarray((coarse[:, None] * fine[None, :]).ravel()[:n])


def taps(
    modes: Sequence[BodyMode],
    blows: Sequence[Blow],
    *,
    sample_rate: float,
    n_samples: int,
    scatter: float = 0.0,
    rng: np.random.Generator | None = None,
) -> FloatArray:
    """Dry sound of all blows, each mode added up, second hits included.

    Parameters
    ----------
    scatter : float, Hz   standard deviation of each mode's frequency from tap to tap (needs `rng`)

    Returns
    -------
    array (n_samples,)
    """
    if scatter > 0.0 and rng is None:
        raise ValueError("scatter from tap to tap is random; pass rng")
    sound = np.zeros(n_samples)
    for blow in blows:
        heard = list(modes)
        if scatter > 0.0 and rng is not None:
            moves = rng.normal(0.0, scatter, len(heard))
            heard = [replace(m, frequency=m.frequency + d) for m, d in zip(heard, moves, strict=True)]
        for onset, strength in _hits(blow):
            first = max(0, ceil(onset * sample_rate - 1e-9))
            lead = max(0.0, first / sample_rate - onset)
            for mode in heard:
                part = ring(
                    mode, width=blow.width, sample_rate=sample_rate, n_samples=n_samples - first, lead=lead
                )
                sound[first : first + len(part)] += strength * part
    return sound


def _hits(blow: Blow) -> list[tuple[float, float]]:
    """(onset, strength) of a blow and of its bounce."""
    hits = [(blow.onset, blow.strength)]
    if isfinite(blow.again_after) and blow.again_ratio > 0.0:
        hits.append((blow.onset + blow.again_after, blow.strength * blow.again_ratio))
    return hits


def even_blows(
    count: int,
    *,
    rng: np.random.Generator,
    first: float = 0.6,
    spacing: float = 1.0,
    width: float = 0.0008,
    strength_spread_db: float = 1.5,
    width_spread: float = 0.06,
    timing_spread: float = 0.03,
) -> list[Blow]:
    """Taps of a steady hand: onsets about `spacing` s apart, strength and width a little uneven.

    The spreads are standard deviations: dB, share of the width, s. Common practice, no source.
    """
    onsets = first + spacing * np.arange(count) + np.clip(rng.normal(0, timing_spread, count), -0.1, 0.1)
    strengths = 10.0 ** (rng.normal(0, strength_spread_db, count) / 20.0)
    widths = width * np.exp(rng.normal(0, width_spread, count))
    return [Blow(float(t), float(a), float(w)) for t, a, w in zip(onsets, strengths, widths, strict=True)]


def string_partials(
    frequency: float,
    *,
    damping: float = 4e-4,
    count: int = 10,
    inharmonicity: float = 1e-5,
    amplitude: float = 0.01,
    name: str = "",
) -> list[BodyMode]:
    """Partials of an open string that was left to ring.

    f_n = n f sqrt(1 + B n^2) (stiff string, Fletcher 1964, from memory), amplitude falling as 1/n. The
    default damping lies within the 2.8e-4 to 5e-4 measured on a cello G (Lampis, Chatziioannou and
    Scavone 2025, Proc. Mtgs. Acoust. 58, 035013, Fig. 1).
    """
    numbers = np.arange(1, count + 1)
    stretched = numbers * frequency * np.sqrt(1.0 + inharmonicity * numbers**2)
    return [
        BodyMode(float(f), damping, amplitude / int(n), name=f"{name} {n}".strip())
        for n, f in zip(numbers, stretched, strict=True)
    ]


def room_response(
    *,
    rng: np.random.Generator,
    sample_rate: float,
    decay_time: float,
    direct_to_room_db: float,
    first_reflection: float = 0.003,
) -> FloatArray:
    """Impulse response of a room at one microphone place: the direct sound, then decaying noise.

    Parameters
    ----------
    decay_time : float, s   for the tail to fall by 60 dB
    direct_to_room_db : float, dB   energy of the direct sound over that of the tail, exact
    first_reflection : float, s   where the tail begins

    Returns
    -------
    array (n,), first sample 1. The same generator state gives the same place again. An exponentially
    decaying noise is the usual picture above a room's lowest resonances; it has no separate room modes.
    """
    n = ceil(1.2 * decay_time * sample_rate)
    t = np.arange(n) / sample_rate
    tail = rng.standard_normal(n) * np.exp(-log(1000.0) / decay_time * t)
    tail[: max(1, round(first_reflection * sample_rate))] = 0.0
    tail *= 10.0 ** (-direct_to_room_db / 20.0) / np.sqrt(np.sum(tail**2))
    tail[0] = 1.0
    return np.asarray(tail)


def coloured_noise(
    n_samples: int, *, rng: np.random.Generator, sample_rate: float, slope: float = 1.0, lowest: float = 20.0
) -> FloatArray:
    """Noise of power 1/f**slope above `lowest` Hz (flat below), rms about 1; array (n_samples,)."""
    spectrum = np.fft.rfft(rng.standard_normal(n_samples))
    f = np.maximum(np.fft.rfftfreq(n_samples, 1.0 / sample_rate), lowest)
    shape = f ** (-0.5 * slope)
    return np.asarray(np.fft.irfft(spectrum * shape / np.sqrt(np.mean(shape**2)), n_samples))


def band_power(sound: FloatArray, sample_rate: float, band: tuple[float, float] = SNR_BAND) -> float:
    """Mean square of a piece of sound within a band, by Parseval; array (n_samples,) in."""
    spectrum = np.fft.rfft(sound)
    f = np.fft.rfftfreq(len(sound), 1.0 / sample_rate)
    inside = (f >= band[0]) & (f <= band[1])
    return float(2.0 * np.sum(np.abs(spectrum[inside]) ** 2) / len(sound) ** 2)


def noise_gain(
    sound: FloatArray, noise: FloatArray, onsets: Sequence[float], *, sample_rate: float, snr_db: float
) -> float:
    """Factor for `noise` that gives `snr_db`: 200-1000 Hz, median over the taps' first 0.25 s."""
    span = round(SNR_SPAN * sample_rate)
    pieces = [sound[round(t * sample_rate) :][:span] for t in onsets]
    power = float(np.median([band_power(p, sample_rate) for p in pieces if len(p) == span]))
    return float(np.sqrt(power / band_power(noise, sample_rate) / 10.0 ** (snr_db / 10.0)))


def hum_sound(
    hum: Hum, *, rng: np.random.Generator, sample_rate: float, n_samples: int, lead: float = 0.0
) -> FloatArray:
    """Mains hum of random phase; array (n_samples,)."""
    t = lead + np.arange(n_samples) / sample_rate
    sound = np.zeros(n_samples)
    for k, amplitude in enumerate(hum.amplitudes, start=1):
        sound += amplitude * np.sin(2.0 * pi * k * hum.frequency * t + rng.uniform(0.0, 2.0 * pi))
    return sound


def bump_sound(bump: Bump, *, sample_rate: float, n_samples: int) -> FloatArray:
    """Handling noise: a sine within a Hann swell, all of it below 100 Hz; array (n_samples,)."""
    t = np.arange(n_samples) / sample_rate - bump.at
    inside = (t >= 0.0) & (t <= bump.duration)
    swell = np.where(inside, np.sin(pi * t / bump.duration) ** 2, 0.0)
    return np.asarray(bump.peak * swell * np.sin(2.0 * pi * bump.frequency * t))


def tap_recording(
    modes: Sequence[BodyMode],
    blows: Sequence[Blow],
    *,
    rng: np.random.Generator,
    sample_rate: float = 48_000.0,
    duration: float = nan,
    strings: Sequence[BodyMode] = (),
    room: FloatArray | None = None,
    hum: Hum | None = None,
    bumps: Sequence[Bump] = (),
    snr_db: float = 30.0,
    noise_slope: float = 1.0,
    peak: float = 0.3,
    scatter: float = 0.0,
    source: str = "",
) -> Recording:
    """One recording of taps at one place, heard from one microphone place, clipped at full scale.

    Parameters
    ----------
    modes : BodyMode as they show between that tap place and that microphone place (see `seen_from`)
    blows : Blow, at least one
    duration : float, s   one second after the last blow where NaN
    strings : BodyMode of ringing strings; they do not scatter from tap to tap
    room : array   impulse response of the microphone place, from `room_response`; None: no room
    snr_db : float, dB   200-1000 Hz over the first 0.25 s, median over taps; inf for no noise
    noise_slope : float   0 white, 1 as 1/f
    peak : float   median peak of the taps re full scale, before noise
    scatter : float, Hz   of each mode's frequency from tap to tap

    Returns
    -------
    Recording, one channel
    """
    if not isfinite(duration):
        duration = max(blow.onset for blow in blows) + 1.0
    n = round(duration * sample_rate)
    dry = taps(modes, blows, sample_rate=sample_rate, n_samples=n, scatter=scatter, rng=rng)
    if strings:
        dry += taps(strings, blows, sample_rate=sample_rate, n_samples=n)
    sound = dry if room is None else scipy.signal.oaconvolve(dry, room)[:n]
    onsets = [blow.onset for blow in blows]
    sound = sound * (peak / _median_peak(sound, onsets, sample_rate))
    quiet = np.zeros(n)
    if isfinite(snr_db):
        noise = coloured_noise(n, rng=rng, sample_rate=sample_rate, slope=noise_slope)
        quiet += noise_gain(sound, noise, onsets, sample_rate=sample_rate, snr_db=snr_db) * noise
    if hum is not None:
        quiet += hum_sound(hum, rng=rng, sample_rate=sample_rate, n_samples=n)
    for bump in bumps:
        quiet += bump_sound(bump, sample_rate=sample_rate, n_samples=n)
    return Recording(np.clip(sound + quiet, -1.0, 1.0)[:, None], sample_rate, source=source)


def seen_from(modes: Sequence[BodyMode], weights: Sequence[float]) -> list[BodyMode]:
    """Modes as they show from one tap place to one microphone place: amplitudes times signed weights."""
    return [replace(m, amplitude=m.amplitude * float(w)) for m, w in zip(modes, weights, strict=True)]


def _median_peak(sound: FloatArray, onsets: Sequence[float], sample_rate: float) -> float:
    """Median over the taps of the largest sample in the 50 ms after each onset."""
    span = round(0.05 * sample_rate)
    peaks = [np.abs(sound[round(t * sample_rate) :][:span]).max(initial=0.0) for t in onsets]
    return max(float(np.median(peaks)), 1e-300)
