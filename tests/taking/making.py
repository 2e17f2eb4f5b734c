"""Made-up sound for the recorder: taps with faults of known kind, talk, hammering next door.

Modes of one violin as published second-hand (Woodhouse, Euphonics 5.3, Fig. 5), those above 700 Hz ours, so
that a blow's reach shows. Talk is a pulse train through formant resonances (vowels of Peterson & Barney 1952,
from memory) with bursts and hisses between. Hammering is a wall's few low, well damped modes.
"""

from itertools import pairwise

import numpy as np
import scipy.signal

from resonance.sound.synthesis import Blow, BodyMode, coloured_noise, even_blows, string_partials, taps

RATE = 48_000.0
VIOLIN = (
    BodyMode(272.0, 0.025, 0.8, name="A0"),
    BodyMode(407.0, 0.011, 0.5, 1.0, name="CBR"),
    BodyMode(462.0, 0.013, 1.0, 2.0, name="B1-"),
    BodyMode(551.0, 0.012, 1.0, 0.5, name="B1+"),
    BodyMode(690.0, 0.012, 0.6, 3.0),
    BodyMode(880.0, 0.013, 0.5, 1.4),
    BodyMode(1105.0, 0.015, 0.5, 2.2),
    BodyMode(1490.0, 0.015, 0.5, 0.3),
    BodyMode(1910.0, 0.018, 0.6, 1.7),
    BodyMode(2480.0, 0.02, 0.7, 0.9),
    BodyMode(3150.0, 0.02, 0.4, 2.9),
)
PEAK = 0.25
VOWELS = ((730, 1090, 2440), (270, 2290, 3010), (300, 870, 2240), (530, 1840, 2480), (570, 840, 2410))


def quiet(seconds, *, rng, level_dbfs=-66.0):
    """Room noise, 1/f above 20 Hz, rms at a level; array (n,)."""
    n = round(seconds * RATE)
    return 10.0 ** (level_dbfs / 20.0) * coloured_noise(n, rng=rng, sample_rate=RATE)


def ringing(blows, seconds, *, modes=VIOLIN, peak=PEAK):
    """Dry sound of blows; a blow of strength 1 and ordinary width peaks at `peak`; array (n,)."""
    n = round(seconds * RATE)
    one = taps(modes, [Blow(0.01)], sample_rate=RATE, n_samples=round(0.2 * RATE))
    sound = taps(modes, list(blows), sample_rate=RATE, n_samples=n)
    return sound * (peak / np.max(np.abs(one)))


def good_taps(count, *, rng, first=1.0, spacing=1.2):
    """Blows of a steady hand."""
    return even_blows(count, rng=rng, first=first, spacing=spacing)


def taken(blows, seconds, *, rng, **options):
    """Taps in a quiet room, clipped at full scale; array (n, 1)."""
    return np.clip(ringing(blows, seconds, **options) + quiet(seconds, rng=rng), -1.0, 1.0)[:, None]


def rung_strings():
    """Partials of two open strings left undamped, loud."""
    strings = [*string_partials(440.0, amplitude=0.3), *string_partials(293.66, amplitude=0.3)]
    return [*VIOLIN, *strings]


def talk(seconds, *, rng, peak=0.1):
    """Somebody talking at the bench; array (n,)."""
    n = round(seconds * RATE)
    sound = np.zeros(n)
    at = 0.3
    while at < seconds - 1.0:
        for _ in range(rng.integers(2, 9)):
            syllable = _syllable(rng)
            first = round(at * RATE)
            piece = syllable[: n - first]
            sound[first : first + len(piece)] += piece
            at += len(syllable) / RATE
            if at > seconds - 1.0:
                break
        at += rng.uniform(0.15, 0.9)
    return sound * (peak / np.max(np.abs(sound)))


def _syllable(rng):
    """A burst or a hiss or neither, then a vowel that swells and falls."""
    parts = []
    start = rng.integers(3)
    if start == 0:
        burst = rng.standard_normal(round(rng.uniform(0.005, 0.02) * RATE))
        parts.append(0.25 * rng.uniform(0.2, 1.0) * burst * np.exp(-np.linspace(0.0, 4.0, len(burst))))
        parts.append(np.zeros(round(rng.uniform(0.005, 0.04) * RATE)))
    elif start == 1:
        hiss = rng.standard_normal(round(rng.uniform(0.05, 0.15) * RATE))
        parts.append(0.1 * hiss * np.hanning(len(hiss)))
    n = round(rng.uniform(0.08, 0.28) * RATE)
    pitch = rng.uniform(95.0, 180.0) * (1.0 + np.linspace(0.05, -0.1, n))
    phase = np.cumsum(pitch) / RATE
    pulses = np.diff(np.floor(phase), prepend=0.0)
    voice = scipy.signal.lfilter([1.0], [1.0, -0.97], pulses)
    for formant, width in zip(VOWELS[rng.integers(len(VOWELS))], (80.0, 100.0, 140.0), strict=True):
        radius = np.exp(-np.pi * width / RATE)
        voice = scipy.signal.lfilter(
            [1.0 - radius], [1.0, -2.0 * radius * np.cos(2.0 * np.pi * formant / RATE), radius**2], voice
        )
    rise, fall = rng.uniform(0.01, 0.05), rng.uniform(0.03, 0.08)
    times = np.arange(n) / RATE
    shape = np.minimum(1.0, times / rise) * np.minimum(1.0, (times[-1] - times) / fall)
    parts.append(voice / np.max(np.abs(voice)) * shape * rng.uniform(0.4, 1.0))
    return np.concatenate(parts)


def hammering(seconds, *, rng, peak=0.02):
    """Blows on a wall next door, one to two a second, in bouts; array (n,)."""
    wall = [BodyMode(f, z, 1.0, p) for f, z, p in zip(
        (62.0, 97.0, 143.0, 188.0, 236.0, 305.0), (0.05, 0.05, 0.04, 0.05, 0.06, 0.06), range(6), strict=True
    )]  # fmt: skip
    times = np.cumsum(rng.uniform(0.5, 1.1, round(2 * seconds)))
    times = times[(times < seconds - 1.0) & (times % 30.0 < 20.0)]
    blows = [Blow(float(t), float(rng.uniform(0.4, 1.0)), 0.002) for t in times]
    sound = taps(wall, blows, sample_rate=RATE, n_samples=round(seconds * RATE))
    return sound * (peak / np.max(np.abs(sound)))


def pieces(sound, size=1024):
    """Blocks of a sound (n, n_channels)."""
    edges = [*range(0, len(sound), size), len(sound)]
    return [sound[a:b] for a, b in pairwise(edges)]


def ten_good_and_six_faulty(*, rng):
    """Sound (n, 1) of sixteen taps, and of each (onset, code of its fault or '').

    In time: good taps 1.8 s apart; among them a bounce 40 ms later, one clipped, one too soft for the room,
    one with the flesh of a thumb, one whose next blow comes 150 ms later, one into ringing strings.
    """
    seconds = 33.0
    onsets = 1.5 + 1.8 * np.arange(16) + rng.uniform(-0.05, 0.05, 16)
    codes = ["", "", "", "double_hit", "", "clipped", "", "too_quiet", "", "dull", "", "overlaps_next", "",
             "", "", "still_ringing"]  # fmt: skip
    sound = np.zeros(round(seconds * RATE))
    strings = string_partials(440.0)
    for onset, code in zip(onsets, codes, strict=True):
        strength = float(10.0 ** (rng.normal(0.0, 1.0) / 20.0))
        width = float(0.0008 * np.exp(rng.normal(0.0, 0.05)))
        blow = Blow(float(onset), strength, width)
        if code == "double_hit":
            blow = Blow(float(onset), strength, width, again_after=0.04, again_ratio=0.4)
        if code == "clipped":
            blow = Blow(float(onset), 7.0, width)
        if code == "too_quiet":
            blow = Blow(float(onset), 0.25, width)
        if code == "dull":
            blow = Blow(float(onset), 12.0, 0.0055)
        if code == "still_ringing":
            sound += ringing([Blow(float(onset) - 0.9, 0.1)], seconds, modes=strings)
        if code == "overlaps_next":
            sound += ringing([Blow(float(onset) + 0.15, 0.9)], seconds)
        sound += ringing([blow], seconds)
    sound += quiet(seconds, rng=rng, level_dbfs=-50.0)
    return np.clip(sound, -1.0, 1.0)[:, None], list(zip(onsets, codes, strict=True))
