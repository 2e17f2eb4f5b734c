"""Tap sets with known modes, for measuring the estimator: hand, strings, hum, room, bad taps.

All of it is invented but within what the field knows: about 29 modes to 3 kHz, half-sine blows of
0.3 to 4 ms, frequencies that fall a little with the strength of the blow (the truth is that of a usual
one), place and strength of the blow varying, 1/f noise, mains hum. Frequencies, dampings and amplitudes
differ from seed to seed. The signal-to-noise ratio is that of 200 to 1000 Hz over the first 0.25 s.
"""

from dataclasses import dataclass, replace

import numpy as np
import scipy

from resonance.sound import synthesis
from resonance.sound.recording import Recording, Take
from resonance.taps.find import find_taps
from resonance.taps.tap import Tap

# frequency Hz, Q, amplitude
BODY = (
    (170, 35, 0.25), (230, 40, 0.25), (275, 17, 1.0), (345, 45, 0.3), (400, 50, 0.8), (450, 45, 1.0),
    (470, 25, 0.25), (540, 50, 1.2), (595, 45, 0.5), (640, 40, 0.4), (690, 40, 0.5), (760, 45, 0.6),
    (810, 45, 0.5), (870, 45, 0.4), (930, 40, 0.5), (990, 40, 0.5), (1060, 45, 0.6), (1130, 50, 0.5),
    (1190, 45, 0.4), (1260, 45, 0.5), (1340, 45, 0.5), (1450, 45, 0.5), (1600, 40, 0.6), (1800, 40, 0.7),
    (2050, 35, 0.8), (2300, 30, 1.0), (2450, 25, 1.0), (2600, 25, 1.0), (2900, 30, 0.6),
)  # fmt: skip
NAMED = {"A0": 275, "CBR": 400, "B1-": 450, "B1+": 540}
OPEN_STRINGS = (196.0, 293.66, 440.3, 659.3)
LEVEL_DEPENDENCE = 5e-6  # relative fall of frequency when a blow is twice as strong as usual
SPACING = 1.0  # s between taps
FIRST = 0.6  # s


@dataclass(frozen=True)
class Case:
    """What a cell of the table is measured on."""

    name: str
    snr_db: float = 30.0
    n_taps: int = 8
    rate: float = 48000.0
    drift: float = 0.0  # Hz at 450 Hz, standard deviation from tap to tap, all modes together
    strings: bool = False
    pair: tuple[float, float] = ()  # these two in place of the 400 Hz mode
    under_a_string: bool = False  # the 470 Hz mode goes to 440 Hz, Q 40
    width: tuple[float, float] = (0.0003, 0.0012)  # s, of the blow
    room: tuple[float, float] | None = None  # decay time s, direct over reverberant dB
    places: int = 1  # microphone places, the taps shared out among them
    contact: bool = False  # a contact channel beside the microphone
    bad: str = ""  # 'double', 'clipped' (by 6 dB), 'handling': the third tap is so
    found: bool = False  # taps come from the detector, not from the truth


@dataclass(frozen=True)
class Scene:
    """One tap set with its truth."""

    case: Case
    takes: list[Take]
    taps: list[Tap]
    frequency: np.ndarray  # (n_modes,) |s| / 2 pi, body modes first
    damping: np.ndarray
    n_body: int
    named: dict[str, int]  # index of each named mode
    amplitudes: np.ndarray  # (n_taps, n_modes) complex, 2 ms after each blow's end
    noise_psd: tuple[float, float]  # gain squared over mean shape, lowest frequency of the slope


def body_of(case, rng):
    """Modes of one instrument: (frequency, damping, amplitude) arrays and the named indices."""
    table = np.array(BODY, float)
    if case.pair:
        i = int(np.flatnonzero(table[:, 0] == NAMED["CBR"])[0])
        table[i] = (case.pair[0], 50, 0.8)
        table = np.insert(table, i + 1, (case.pair[1], 50, 0.7), axis=0)
    if case.under_a_string:
        table[table[:, 0] == 470] = (440, 40, 0.5)
    table = table[np.argsort(table[:, 0])]
    centres = {**NAMED, **({"CBR": case.pair[0], "CBR'": case.pair[1]} if case.pair else {})}
    centres |= {"under A": 440} if case.under_a_string else {}
    named = {name: int(np.argmin(np.abs(table[:, 0] - f))) for name, f in centres.items()}
    moved = table[:, 0] * (1.0 + rng.uniform(-0.02, 0.02))  # all together, so that pairs stay pairs
    if case.under_a_string:
        moved = table[:, 0]
    moved = moved + rng.uniform(-0.5, 0.5, len(table))
    damping = 0.5 / (table[:, 1] * rng.uniform(0.85, 1.15, len(table)))
    amplitude = table[:, 2] * rng.uniform(0.7, 1.3, len(table)) * rng.choice([-1.0, 1.0], len(table))
    return moved, damping, amplitude, named


def string_lines(rng):
    """Partials of four open strings left to ring, up to 2 kHz."""
    lines = []
    for pitch in OPEN_STRINGS:
        detuned = pitch * 2.0 ** (rng.normal(0.0, 5.0) / 1200.0)
        for mode in synthesis.string_partials(detuned, damping=3.5e-4, amplitude=0.25, count=24):
            if mode.frequency < 2000.0:
                lines.append((mode.frequency, mode.damping, mode.amplitude))
    return np.array(lines).T


def make(case, seed):
    """Make the tap set of a case and a seed."""
    rng = np.random.default_rng([seed, 20])
    frequency, damping, amplitude, named = body_of(case, rng)
    n_body = frequency.size
    if case.strings:
        lines = string_lines(rng)
        frequency, damping, amplitude = (
            np.concatenate(pair) for pair in zip((frequency, damping, amplitude), lines, strict=True)
        )
    per_place = [case.n_taps // case.places + (p < case.n_taps % case.places) for p in range(case.places)]
    takes, taps, heard = [], [], []
    for place, count in enumerate(per_place):
        take, found, amplitudes, psd = _take(case, rng, frequency, damping, amplitude, n_body, count, place)
        takes.append(take)
        taps += [replace(tap, take=place) for tap in found]
        heard.append(amplitudes)
    return Scene(case, takes, taps, frequency, damping, n_body, named, np.concatenate(heard), psd)


def _take(case, rng, frequency, damping, amplitude, n_body, count, place):
    rate = case.rate
    n = int((FIRST + SPACING * count + 0.2) * rate)
    onsets = FIRST + SPACING * np.arange(count) + np.clip(rng.normal(0.0, 0.03, count), -0.1, 0.1)
    strengths = 10.0 ** (rng.normal(0.0, 2.0, count) / 20.0)
    if case.bad == "clipped":
        strengths[2] = 2.2 * np.max(strengths)
    widths = rng.uniform(*case.width, count)
    heard_at_place = np.ones(frequency.size)
    if place:  # another place hears the modes otherwise
        heard_at_place[:n_body] = np.exp(rng.normal(0.0, 0.5, n_body)) * rng.choice([-1.0, 1.0], n_body)
    sound, amplitudes = np.zeros(n), np.zeros((count, frequency.size), complex)
    contact = np.zeros(n)
    contact_gain = np.exp(rng.normal(0.0, 0.5, frequency.size)) * rng.choice([-1.0, 1.0], frequency.size)
    for k in range(count):
        hand = np.exp(rng.normal(0.0, 0.15, frequency.size)) * strengths[k]
        moved = frequency.copy()
        moved[:n_body] *= 1.0 + case.drift * rng.standard_normal() / 450.0
        moved[:n_body] *= 1.0 - LEVEL_DEPENDENCE * (strengths[k] - 1.0)
        first = int(np.ceil(onsets[k] * rate))
        lead = first / rate - onsets[k]
        for m in range(frequency.size):
            size = amplitude[m] * hand[m] * heard_at_place[m]
            mode = synthesis.BodyMode(float(moved[m]), float(damping[m]), float(size))
            part = synthesis.ring(
                mode, width=float(widths[k]), sample_rate=rate, n_samples=n - first, lead=lead
            )
            sound[first : first + part.size] += part
            if case.contact:
                contact[first : first + part.size] += part * contact_gain[m]
            start = -1j * size * complex(synthesis.pulse_spectrum(mode.pole, float(widths[k])))
            amplitudes[k, m] = start * np.exp(mode.pole * (widths[k] + 0.002))
    if case.room:
        response = synthesis.room_response(
            rng=rng, sample_rate=rate, decay_time=case.room[0], direct_to_room_db=case.room[1]
        )
        sound = scipy.signal.oaconvolve(sound, response)[:n]
    channels, psd = [], (1.0, 20.0)
    for dry in (sound, contact) if case.contact else (sound,):
        noise = synthesis.coloured_noise(n, rng=rng, sample_rate=rate)
        gain = synthesis.noise_gain(dry, noise, list(onsets), sample_rate=rate, snr_db=case.snr_db)
        shape = 1.0 / np.maximum(np.fft.rfftfreq(n, 1.0 / rate), 20.0)
        psd = (gain**2 / float(np.mean(shape)), 20.0) if dry is sound else psd
        level = gain * float(np.sqrt(np.mean(noise**2)))
        hum = synthesis.Hum(50.0, tuple(level * a for a in (1.0, 0.5, 0.5, 0.1, 0.2, 0.05, 0.1)))
        channels.append(dry + gain * noise + synthesis.hum_sound(hum, rng=rng, sample_rate=rate, n_samples=n))
    samples = np.stack(channels, axis=1)
    _spoil(case, samples, onsets, rate, rng)
    scale = 2.0 / np.max(np.abs(samples)) if case.bad == "clipped" else 0.8 / np.max(np.abs(samples))
    samples = np.clip(scale * samples, -1.0, 1.0)
    roles = ("sound", "contact") if case.contact else ()
    take = Take(
        Recording(samples, rate), tap_place="bridge", microphone_place=f"place {place + 1}", channels=roles
    )
    if case.found or case.bad:
        found = find_taps(take.recording)
    else:
        ends = np.append(onsets[1:] - 0.01, n / rate)
        found = [Tap(float(t), end=float(e)) for t, e in zip(onsets, ends, strict=True)]
    return take, found, amplitudes * scale, (psd[0] * scale**2, psd[1])


def _spoil(case, samples, onsets, rate, rng):
    """Give the third tap a second blow, or lay a handling noise over it."""
    if case.bad == "double":
        first, second = int(onsets[2] * rate), int((onsets[2] + 0.004) * rate)
        echo = 0.5 * samples[first : first + int(0.8 * rate)].copy()
        samples[second : second + len(echo)] += echo
    if case.bad == "handling":
        bump = synthesis.Bump(at=float(onsets[2] + 0.1), peak=float(0.3 * np.max(np.abs(samples))))
        samples += synthesis.bump_sound(bump, sample_rate=rate, n_samples=len(samples))[:, None]
