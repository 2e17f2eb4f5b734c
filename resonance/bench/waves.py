"""Taps to see and to hear: one tap cut out of its take as a small drawing, and as a sound file."""

import io
import wave

import numpy as np

from resonance.sound.recording import FloatArray
from resonance.taps.tap import Tap

BEFORE, SEEN = 0.05, 0.8  # s before the onset, and in all, that are drawn
LEAD, HEARD = 0.15, 2.0  # s, likewise, that are played
FADE = 0.01  # s
PLAYED_PEAK = 0.5
COLUMNS, HEIGHT = 240, 48


def tap_path(sound: FloatArray, sample_rate: float, tap: Tap) -> str:
    """Give the outline of a tap as an SVG path, `COLUMNS` wide and `HEIGHT` high.

    Parameters
    ----------
    sound : array (n,)   of its take
    """
    piece = cut_sound(sound, sample_rate, tap.onset - BEFORE, SEEN)
    peak = float(np.max(np.abs(piece), initial=0.0)) or 1.0
    middle, half = HEIGHT / 2.0, HEIGHT / 2.0 - 1.0
    shown = np.sign(piece) * np.sqrt(np.abs(piece) / peak)  # what fades is seen for longer
    columns = np.array_split(shown, COLUMNS)
    tops = [f"{k},{middle - half * float(np.max(c, initial=0.0)):.1f}" for k, c in enumerate(columns)]
    lows = [f"{k},{middle - half * float(np.min(c, initial=0.0)):.1f}" for k, c in enumerate(columns)]
    return f"M{' L'.join(tops)} L{' L'.join(reversed(lows))}Z"


def tap_wav(sound: FloatArray, sample_rate: float, tap: Tap) -> bytes:
    """Give a tap as a WAV file of 16 bit, as loud as every other."""
    return wav_of(faded(cut_sound(sound, sample_rate, tap.onset - LEAD, HEARD), sample_rate), sample_rate)


def faded(sound: FloatArray, sample_rate: float) -> FloatArray:
    """Give a sound (n,) that begins and ends in silence."""
    fade = min(len(sound) // 2, max(1, round(FADE * sample_rate)))
    shape = np.ones(len(sound))
    shape[:fade], shape[len(sound) - fade :] = np.linspace(0.0, 1.0, fade), np.linspace(1.0, 0.0, fade)
    return np.asarray(sound * shape)


def wav_of(sound: FloatArray, sample_rate: float, *, peak: float = PLAYED_PEAK) -> bytes:
    """Give a sound (n,) as a WAV file of 16 bit, its largest sample at `peak`."""
    largest = float(np.max(np.abs(sound), initial=0.0)) or 1.0
    steps = np.round(sound * (peak / largest) * 32767.0).astype("<i2")
    file = io.BytesIO()
    with wave.open(file, "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(round(sample_rate))
        out.writeframes(steps.tobytes())
    return file.getvalue()


def cut_sound(sound: FloatArray, sample_rate: float, start: float, seconds: float) -> FloatArray:
    """Give so many seconds from a time on; silence where the sound has none."""
    n, first = round(seconds * sample_rate), round(start * sample_rate)
    piece = np.zeros(n)
    inside = sound[max(0, first) : max(0, first + n)]
    at = max(0, -first)
    piece[at : at + len(inside)] = inside
    return piece
