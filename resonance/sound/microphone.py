"""The microphone: what inputs there are, and blocks of sound from one; short sounds out of the loudspeaker.

The only module that knows PortAudio.

Reading blocks and waits; an unplugged device is an exception, never silence. Every way it can fail becomes
one line that says what to do.
"""

import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any

import numpy as np

from resonance.errors import MicrophoneError
from resonance.sound.recording import FloatArray

USUAL_RATE = 48_000.0  # Hz
BLOCK = 1024  # samples read at a time: 21 ms
LATENCY = 0.06  # s that the system may hold back before sound is lost
LATE = 0.1  # s after it was asked for in which a sound must begin
BAD_RATE, UNAVAILABLE = -9997, -9985  # PortAudio's paInvalidSampleRate, paDeviceUnavailable
LIBRARY = "the sound library PortAudio is missing; on Debian and Ubuntu: sudo apt install libportaudio2"
NONE = "no microphone is there; plug one in, and see in the system's sound settings that it is on"


@dataclass(frozen=True)
class Microphone:
    """One input of this computer.

    Parameters
    ----------
    index : int   PortAudio's number of it
    name : str
    n_channels : int   as the system tells; a sound server tells anything
    sample_rate : float, Hz   the one it says it prefers
    chosen : bool   whether the system would take this one by itself
    system : str   which part of the system gives it, e.g. 'ALSA'
    """

    index: int
    name: str
    n_channels: int = 1
    sample_rate: float = USUAL_RATE
    chosen: bool = False
    system: str = ""


class Stream:
    """An open microphone: `read` blocks until sound is there. Use `open_microphone`."""

    def __init__(self, stream: Any, microphone: Microphone) -> None:
        self._stream, self.microphone = stream, microphone
        self.sample_rate = float(stream.samplerate)
        self.n_channels = int(stream.channels)
        self.latency = float(stream.latency)

    def read(self, frames: int = BLOCK) -> tuple[FloatArray, bool]:
        """Give the next block (n, n_channels), full scale 1, and whether sound before it was lost.

        Raises
        ------
        MicrophoneError   when the device is gone
        """
        import sounddevice

        try:
            block, lost = self._stream.read(frames)
        except (sounddevice.PortAudioError, OSError, ValueError) as error:
            raise MicrophoneError(
                f"the microphone {self.microphone.name} is gone ({_why(error)}); plug it in and start again: "
                "what was recorded is kept"
            ) from error
        return np.asarray(block, dtype=np.float64), bool(lost)


def microphones() -> tuple[Microphone, ...]:
    """Give the inputs there are now, the system's own choice first.

    Raises
    ------
    MicrophoneError   when PortAudio is missing
    """
    sd = _library()
    with suppress(sd.PortAudioError):  # the list is kept from the start on unless it is asked for anew
        sd._terminate()
        sd._initialize()
    default = _default(sd)
    hosts = sd.query_hostapis()
    found = [
        Microphone(
            index,
            " ".join(str(device["name"]).split()),
            int(device["max_input_channels"]),
            float(device["default_samplerate"]),
            chosen=index == default,
            system=str(hosts[int(device["hostapi"])]["name"]),
        )
        for index, device in enumerate(sd.query_devices())
        if int(device["max_input_channels"]) > 0
    ]
    return tuple(sorted(found, key=lambda each: (not each.chosen, each.index)))


def find_microphone(name: str = "") -> Microphone:
    """Give the input of a name, or a part of it; the system's own choice for ''.

    Raises
    ------
    MicrophoneError   when there is none at all, or none or several of that name; says which there are
    """
    there = microphones()
    if not there:
        raise MicrophoneError(NONE)
    if not name:
        return there[0]
    exact = [each for each in there if each.name == name]
    part = [each for each in there if name.casefold() in each.name.casefold()]
    found = exact or part
    if not found:
        raise MicrophoneError(f"no microphone is called '{name}'; there are: {_names(there)}")
    if len({each.name for each in found}) > 1:
        raise MicrophoneError(f"several microphones are called '{name}': {_names(found)}; give more of it")
    return found[0]


@contextmanager
def open_microphone(
    microphone: Microphone, *, sample_rate: float = USUAL_RATE, n_channels: int = 1
) -> Iterator[Stream]:
    """Open an input for the `with` block.

    Parameters
    ----------
    sample_rate : float, Hz   asked for; `Stream.sample_rate` is the one given

    Raises
    ------
    MicrophoneError   when it is busy, gone, or has no such rate
    """
    sd = _library()
    try:
        stream = sd.InputStream(
            device=microphone.index,
            samplerate=sample_rate,
            channels=n_channels,
            dtype="float32",
            blocksize=BLOCK,
            latency=LATENCY,
        )
        stream.start()
    except (sd.PortAudioError, ValueError) as error:
        raise MicrophoneError(_cannot_open(microphone, sample_rate, error)) from error
    try:
        yield Stream(stream, microphone)
    finally:
        with suppress(sd.PortAudioError):
            stream.abort()
        with suppress(sd.PortAudioError):
            stream.close()


class Loudspeaker:
    """An open output for short sounds; `play` returns at once. Use `open_loudspeaker`."""

    def __init__(self) -> None:
        self._sound = np.zeros(0, dtype=np.float32)
        self._asked: float | None = None  # when the sound was asked for, until it begins

    def play(self, sound: FloatArray) -> None:
        """Play a sound (n,), full scale 1; one that is still playing is broken off.

        Where the computer cannot begin within `LATE` seconds it is left out: a sound that comes late falls
        where nobody expects it.
        """
        self._sound = np.asarray(sound, dtype=np.float32)
        self._asked = time.monotonic()

    def fill(self, out: Any, frames: int) -> None:
        """Give the next samples of an output (frames, 1); called by PortAudio."""
        if self._asked is not None:
            late = time.monotonic() - self._asked > LATE
            self._asked = None
            if late:
                self._sound = self._sound[:0]
        piece, self._sound = self._sound[:frames], self._sound[frames:]
        out[: len(piece), 0] = piece
        out[len(piece) :] = 0.0


@contextmanager
def open_loudspeaker(*, sample_rate: float = USUAL_RATE) -> Iterator[Loudspeaker]:
    """Open the system's output for the `with` block; where there is none, nothing is heard.

    It stays open, so that a sound comes at once: to open one anew for each takes up to half a second on a
    busy computer.
    """
    sd, loudspeaker = _library(), Loudspeaker()

    def fill(out: Any, frames: int, times: Any, status: Any) -> None:
        loudspeaker.fill(out, frames)

    try:
        stream = sd.OutputStream(
            samplerate=sample_rate, channels=1, dtype="float32", latency=LATENCY, callback=fill
        )
        stream.start()
    except (sd.PortAudioError, ValueError, OSError):
        yield loudspeaker
        return
    try:
        yield loudspeaker
    finally:
        with suppress(sd.PortAudioError):
            stream.abort()
        with suppress(sd.PortAudioError):
            stream.close()


def _library() -> Any:
    try:
        import sounddevice
    except (OSError, ImportError) as error:
        raise MicrophoneError(LIBRARY) from error
    return sounddevice


def _default(sd: Any) -> int:
    try:
        return int(sd.query_devices(kind="input")["index"])
    except (sd.PortAudioError, ValueError, KeyError):
        return -1


def _names(found: tuple[Microphone, ...] | list[Microphone]) -> str:
    return ", ".join(dict.fromkeys(each.name for each in found))


def _cannot_open(microphone: Microphone, sample_rate: float, error: Exception) -> str:
    code = error.args[1] if len(error.args) > 1 and isinstance(error.args[1], int) else 0
    if code == BAD_RATE:
        native = f"{microphone.sample_rate:.0f}"
        return f"{microphone.name} does not record at {sample_rate:g} Hz; add --rate {native}"
    if code == UNAVAILABLE or "busy" in str(error).lower():
        return (
            f"{microphone.name} is in use by another program or does not answer; close the other program and "
            "start again"
        )
    return f"{microphone.name} cannot be opened ({_why(error)}); see 'resonance take --devices'"


def _why(error: Exception) -> str:
    text = str(error.args[0]) if error.args else type(error).__name__
    return " ".join(text.split())[:80]
