"""Made-up bowed notes whose pitch, vibrato and beating are known; written apart from the package."""

import numpy as np


def body_gain(frequency, rng):
    """Random resonances, a few decibels to fifteen, as a body makes of a partial's strength."""
    centres = 200.0 * 2.0 ** np.sort(rng.uniform(0.0, 5.0, 25))
    strengths = rng.uniform(0.2, 2.0, 25) * rng.choice([-1.0, 1.0], 25)
    answer = np.full(np.shape(frequency), 0.5 + 0.0j)
    for centre, strength in zip(centres, strengths, strict=True):
        answer = answer + strength / (1.0 + 40j * (frequency / centre - centre / frequency))
    return np.abs(answer)


def steady_note(pitch, *, rng, duration=2.5, rate=24000.0, snr_db=35.0, n_partials=12, body=True,
                vibrato_rate=0.0, width_cents=0.0, irregular=0.0, beat_rate=0.0, depth=0.0,
                pattern="odd", jitter_cents=1.5, tremor_db=0.6):  # fmt: skip
    """One note, partials falling as 1/n through a made-up body.

    vibrato_rate, width_cents : Hz; cents from lowest to highest, its rate and width wandering by `irregular`
    beat_rate, depth : Hz; (most - least) / (most + least). 'odd': odd partials split in pairs as Firth found;
        'all': the whole sound swells; 'first': the first partial alone splits
    jitter_cents, tremor_db : slow wander of the bow's pitch and strength below 20 Hz, as standard deviations
    """
    n = int(duration * rate)
    time = np.arange(n) / rate
    cents = jitter_cents * slow_noise(n, rate, rng)
    if vibrato_rate:
        swing = vibrato_rate * (1.0 + irregular * slow_noise(n, rate, rng, below=1.5))
        width = width_cents * (1.0 + irregular * slow_noise(n, rate, rng, below=1.5))
        cents = cents + 0.5 * width * np.sin(2 * np.pi * np.cumsum(swing) / rate + rng.uniform(0, 2 * np.pi))
    frequency = pitch * 2.0 ** (cents / 1200.0)
    turns = np.cumsum(frequency) / rate
    beat_phase = rng.uniform(0, 2 * np.pi)
    gain_rng = np.random.default_rng(rng.integers(1 << 31))
    sound = np.zeros(n)
    coarse = frequency[::48]
    for k in range(1, n_partials + 1):
        if k * pitch > 0.45 * rate:
            break
        seed = gain_rng.bit_generator.state
        gain = np.interp(time, time[::48], body_gain(k * coarse, gain_rng)) if body else 1.0
        gain_rng.bit_generator.state = seed
        carrier = np.exp(1j * (2 * np.pi * k * turns + rng.uniform(0, 2 * np.pi)))
        sound += np.real(gain / k * carrier * beating(k, time, beat_rate, depth, pattern, beat_phase))
    sound *= 10.0 ** (tremor_db * slow_noise(n, rate, rng) / 20.0)
    noise = rng.standard_normal(n)
    return sound + np.std(sound) * 10.0 ** (-snr_db / 20.0) * noise


def beating(k, time, beat_rate, depth, pattern, phase):
    """Complex strength of a partial: a pair (1, depth) beside each other, or a swell of that depth."""
    if not beat_rate or not depth:
        return 1.0
    angle = 2 * np.pi * beat_rate * time + phase
    if pattern == "all":
        return 1.0 + depth * np.cos(angle)
    if k % 2 == 0 or (pattern == "first" and k > 1):
        return 1.0
    return 1.0 + depth * np.exp(1j * angle)


def slow_noise(n, rate, rng, *, below=20.0):
    """Noise of standard deviation 1 below a frequency, falling as 1/f in amplitude above 1 Hz."""
    grid = np.fft.rfftfreq(n, 1.0 / rate)
    shape = np.where((grid > 0.0) & (grid < below), 1.0 / np.maximum(grid, 1.0), 0.0)
    values = np.fft.irfft(shape * (rng.standard_normal(grid.size) + 1j * rng.standard_normal(grid.size)), n)
    return values / values.std()
