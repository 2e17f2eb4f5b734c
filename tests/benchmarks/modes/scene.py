"""Tap sets with known modes, for measuring the estimator: hand, strings, hum, room, bad taps.

The bodies stand in instruments.py. Half-sine blows of 0.3 to 4 ms, frequencies that fall a little with the
strength of the blow (the truth is that of a usual one), place and strength of the blow varying, 1/f noise
(white for plates, whose accelerometer has no room noise), mains hum. Frequencies, dampings and amplitudes
differ from seed to seed. The signal-to-noise ratio is that of 200 to 1000 Hz over the first 0.25 s.

One seed is one instrument in one room; its sessions are tap sets of it taken one after another. A microphone
place hears the same room in every session. Wherever a case has neither, all this draws nothing from there.
"""

from dataclasses import dataclass, replace

import numpy as np
import scipy
from instruments import BODIES, VIOLIN_STRINGS, draw

from resonance.sound import synthesis
from resonance.sound.recording import Recording, Take
from resonance.taps.find import find_taps
from resonance.taps.tap import Tap

OPEN_STRINGS = VIOLIN_STRINGS
FIRST = 0.6  # s
AFTER_BLOW = 0.002  # s after a blow's end, from where a decay counts as free


@dataclass(frozen=True)
class Case:
    """What a cell of the table is measured on."""

    name: str
    body: str = "violin"
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
    contact: bool = False  # a contact channel beside the microphone, which hears no room
    bad: str = ""  # 'double', 'clipped' (by 6 dB), 'handling': the third tap is so
    found: bool = False  # taps come from the detector, not from the truth
    slope: float = 1.0  # of the noise, power as 1/f**slope


@dataclass(frozen=True)
class Session:
    """One of several tap sets of an instrument: what differs from the first."""

    number: int = 0
    first_place: int = 0  # number of its first microphone place
    shift: float = 0.0  # Hz, of the modes named in `moved`
    moved: tuple[str, ...] = ()


FIRST_SESSION = Session()


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
    free_from: np.ndarray  # (n_taps,) s in its take, where each decay is free: 2 ms after the blow's end
    noise_psd: tuple[float, float, float]  # level, lowest frequency of the slope, slope

    @property
    def body(self):
        """The kind of instrument."""
        return BODIES[self.case.body]


def string_lines(rng):
    """Partials of four open strings left to ring, up to 2 kHz."""
    lines = []
    for pitch in OPEN_STRINGS:
        detuned = pitch * 2.0 ** (rng.normal(0.0, 5.0) / 1200.0)
        for mode in synthesis.string_partials(detuned, damping=3.5e-4, amplitude=0.25, count=24):
            if mode.frequency < 2000.0:
                lines.append((mode.frequency, mode.damping, mode.amplitude))
    return np.array(lines).T


def make(case, seed, session=FIRST_SESSION):
    """Make the tap set of a case, a seed and a session."""
    rng = np.random.default_rng([seed, 20])
    frequency, damping, amplitude, named = draw(
        case.body, rng, pair=case.pair, under_a_string=case.under_a_string
    )
    for name in session.moved:
        frequency[named[name]] += session.shift
    n_body = frequency.size
    if case.strings:
        lines = string_lines(rng)
        frequency, damping, amplitude = (
            np.concatenate(pair) for pair in zip((frequency, damping, amplitude), lines, strict=True)
        )
    hands = np.random.default_rng([seed, 21, session.number])
    per_place = [case.n_taps // case.places + (p < case.n_taps % case.places) for p in range(case.places)]
    takes, taps, heard, free_from = [], [], [], []
    for index, count in enumerate(per_place):
        place = _place(case, seed, session.first_place + index, n_body, frequency.size)
        take, found, amplitudes, free, psd = _take(
            case, hands, (frequency, damping, amplitude), n_body, count, place
        )
        takes.append(take)
        taps += [replace(tap, take=index) for tap in found]
        heard.append(amplitudes)
        free_from.append(free)
    return Scene(
        case, takes, taps, frequency, damping, n_body, named,
        np.concatenate(heard), np.concatenate(free_from), psd,
    )  # fmt: skip


@dataclass(frozen=True)
class _Place:
    """A microphone place: its name, how it and the contact sensor hear each mode, its room's response."""

    name: str
    microphone: np.ndarray
    contact: np.ndarray
    response: np.ndarray | None


def _place(case, seed, number, n_body, n_modes):
    rng = np.random.default_rng([seed, 22, number])
    microphone = np.ones(n_modes)
    if number:  # another place hears the body's modes otherwise
        microphone[:n_body] = np.exp(rng.normal(0.0, 0.5, n_body)) * rng.choice([-1.0, 1.0], n_body)
    contact = np.exp(rng.normal(0.0, 0.5, n_modes)) * rng.choice([-1.0, 1.0], n_modes)
    response = None
    if case.room:
        response = synthesis.room_response(
            rng=rng, sample_rate=case.rate, decay_time=case.room[0], direct_to_room_db=case.room[1]
        )
    return _Place(f"place {number + 1}", microphone, contact, response)


def _blows(case, rng, count):
    """Onsets (s), strengths and widths (s) of the blows of a take."""
    spacing = BODIES[case.body].spacing
    onsets = FIRST + spacing * np.arange(count) + np.clip(rng.normal(0.0, 0.03, count), -0.1, 0.1)
    strengths = 10.0 ** (rng.normal(0.0, 2.0, count) / 20.0)
    if case.bad == "clipped":
        strengths[2] = 2.2 * np.max(strengths)
    return onsets, strengths, rng.uniform(*case.width, count)


def _take(case, rng, modes, n_body, count, place):
    """One recording at one place, its taps, amplitudes and free starts, and the noise's level."""
    rate = case.rate
    onsets, strengths, widths = _blows(case, rng, count)
    n = int((FIRST + BODIES[case.body].spacing * count + 0.2) * rate)
    sound, contact, amplitudes = _struck(case, rng, modes, n_body, (onsets, strengths, widths), n, place)
    if place.response is not None:
        sound = scipy.signal.oaconvolve(sound, place.response)[:n]
    channels, psd = [], (1.0, 20.0, case.slope)
    for dry in (sound, contact) if case.contact else (sound,):
        noise = synthesis.coloured_noise(n, rng=rng, sample_rate=rate, slope=case.slope)
        gain = synthesis.noise_gain(dry, noise, list(onsets), sample_rate=rate, snr_db=case.snr_db)
        shape = np.maximum(np.fft.rfftfreq(n, 1.0 / rate), 20.0) ** -case.slope
        psd = (gain**2 / float(np.mean(shape)), 20.0, case.slope) if dry is sound else psd
        level = gain * float(np.sqrt(np.mean(noise**2)))
        hum = synthesis.Hum(50.0, tuple(level * a for a in (1.0, 0.5, 0.5, 0.1, 0.2, 0.05, 0.1)))
        channels.append(dry + gain * noise + synthesis.hum_sound(hum, rng=rng, sample_rate=rate, n_samples=n))
    samples = np.stack(channels, axis=1)
    _spoil(case, samples, onsets, rate)
    scale = 2.0 / np.max(np.abs(samples)) if case.bad == "clipped" else 0.8 / np.max(np.abs(samples))
    samples = np.clip(scale * samples, -1.0, 1.0)
    roles = ("sound", "contact") if case.contact else ()
    take = Take(Recording(samples, rate), tap_place="bridge", microphone_place=place.name, channels=roles)
    if case.found or case.bad:
        found = find_taps(take.recording)
    else:
        ends = np.append(onsets[1:] - 0.01, n / rate)
        found = [Tap(float(t), end=float(e)) for t, e in zip(onsets, ends, strict=True)]
    free = onsets + widths + AFTER_BLOW
    return take, found, amplitudes * scale, free, (psd[0] * scale**2, *psd[1:])


def _struck(case, rng, modes, n_body, blows, n, place):
    """Dry sound at the microphone and the contact sensor, and each mode's amplitude where decays are free.

    What still rings from the blows before is part of an amplitude.
    """
    rate, (frequency, damping, amplitude) = case.rate, modes
    onsets, strengths, widths = blows
    sound, contact = np.zeros(n), np.zeros(n)
    amplitudes = np.zeros((onsets.size, frequency.size), complex)
    free = onsets + widths + AFTER_BLOW
    for k in range(onsets.size):
        hand = np.exp(rng.normal(0.0, 0.15, frequency.size)) * strengths[k]
        moved = frequency.copy()
        moved[:n_body] *= 1.0 + case.drift * rng.standard_normal() / 450.0
        moved[:n_body] *= 1.0 - BODIES[case.body].level_dependence * (strengths[k] - 1.0)
        first = int(np.ceil(onsets[k] * rate))
        lead = first / rate - onsets[k]
        size = amplitude * hand * place.microphone
        for m in range(frequency.size):
            mode = synthesis.BodyMode(float(moved[m]), float(damping[m]), float(size[m]))
            part = synthesis.ring(
                mode, width=float(widths[k]), sample_rate=rate, n_samples=n - first, lead=lead
            )
            sound[first : first + part.size] += part
            if case.contact:
                contact[first : first + part.size] += part * place.contact[m]
            start = -1j * size[m] * complex(synthesis.pulse_spectrum(mode.pole, float(widths[k])))
            amplitudes[k:, m] += start * np.exp(mode.pole * (free[k:] - onsets[k]))
    return sound, contact, amplitudes


def _spoil(case, samples, onsets, rate):
    """Give the third tap a second blow, or lay a handling noise over it."""
    if case.bad == "double":
        first, second = int(onsets[2] * rate), int((onsets[2] + 0.004) * rate)
        echo = 0.5 * samples[first : first + int(0.8 * rate)].copy()
        samples[second : second + len(echo)] += echo
    if case.bad == "handling":
        bump = synthesis.Bump(at=float(onsets[2] + 0.1), peak=float(0.3 * np.max(np.abs(samples))))
        samples += synthesis.bump_sound(bump, sample_rate=rate, n_samples=len(samples))[:, None]
