"""The microphone's faults with a made-up PortAudio: what that raises was seen on a Debian 12.

Each becomes one line that says what to do. The real one is in tests/system.
"""

import sys
from types import SimpleNamespace

import numpy as np
import pytest

from resonance.errors import MicrophoneError
from resonance.sound import microphone as mic
from resonance.sound.microphone import (
    Loudspeaker,
    find_microphone,
    microphones,
    open_loudspeaker,
    open_microphone,
)


class PortAudioError(Exception):
    """As sounddevice raises it: a text, then PortAudio's number."""


class Stream:
    """An input or output that does as it is told."""

    samplerate, channels, latency = 44_100.0, 1, 0.06

    def __init__(self, **options):
        self.options, self.ended = options, []

    def start(self):
        pass

    def abort(self):
        self.ended.append("abort")

    def close(self):
        self.ended.append("close")

    def read(self, frames):
        return np.zeros((frames, 1), np.float32), False


DEVICES = [
    {"name": "HDA  Intel\nhw:0", "max_input_channels": 2, "default_samplerate": 44_100.0, "hostapi": 0},
    {"name": "HDMI", "max_input_channels": 0, "default_samplerate": 48_000.0, "hostapi": 0},
    {"name": "USB mic", "max_input_channels": 1, "default_samplerate": 48_000.0, "hostapi": 0},
    {"name": "USB mic stereo", "max_input_channels": 2, "default_samplerate": 48_000.0, "hostapi": 0},
]


@pytest.fixture
def portaudio(monkeypatch):
    """A made-up sounddevice; its parts may be replaced."""

    def query(kind=None):
        return {"index": 2} if kind else DEVICES

    fake = SimpleNamespace(
        PortAudioError=PortAudioError,
        InputStream=Stream,
        OutputStream=Stream,
        query_devices=query,
        query_hostapis=lambda: [{"name": "ALSA"}],
        _terminate=lambda: None,
        _initialize=lambda: None,
    )
    monkeypatch.setitem(sys.modules, "sounddevice", fake)
    return fake


def failing(*arguments):
    def fail(*_, **__):
        raise arguments[0] if isinstance(arguments[0], Exception) else PortAudioError(*arguments)

    return fail


def test_inputs_are_listed_the_systems_choice_first_in_plain_names(portaudio):
    found = microphones()
    assert [each.name for each in found] == ["USB mic", "HDA Intel hw:0", "USB mic stereo"]
    assert [each.chosen for each in found] == [True, False, False]
    assert found[1].sample_rate == 44_100.0
    assert find_microphone().name == "USB mic"


@pytest.mark.parametrize(
    ("said", "name"), [("usb mic", "USB mic"), ("intel", "HDA Intel hw:0"), ("USB mic", "USB mic")]
)
def test_a_part_of_a_name_will_do(portaudio, said, name):
    portaudio.query_devices = lambda kind=None: {"index": 2} if kind else DEVICES[:3]
    assert find_microphone(said).name == name


def test_a_name_that_fits_several_or_none_says_which_there_are(portaudio):
    with pytest.raises(
        MicrophoneError, match="several microphones are called 'usb': USB mic, USB mic stereo"
    ):
        find_microphone("usb")
    with pytest.raises(
        MicrophoneError, match="no microphone is called 'ribbon'; there are: USB mic, HDA Intel"
    ):
        find_microphone("ribbon")


def test_no_input_at_all(portaudio):
    portaudio.query_devices = lambda kind=None: (
        failing("Error querying device -1")() if kind else DEVICES[1:2]
    )
    assert microphones() == ()
    with pytest.raises(MicrophoneError, match="no microphone is there; plug one in"):
        find_microphone()


def test_without_portaudio_the_package_is_named(monkeypatch):
    monkeypatch.setitem(sys.modules, "sounddevice", None)  # import raises, as where the library is missing
    with pytest.raises(MicrophoneError, match="sudo apt install libportaudio2"):
        microphones()


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (("Invalid sample rate", -9997), "USB mic does not record at 96000 Hz; add --rate 48000"),
        (("Device unavailable", -9985), "USB mic is in use by another program"),
        (
            ("Unanticipated host error: Device or resource busy", -9999),
            "USB mic is in use by another program",
        ),
        (("Illegal combination of I/O devices", -9993), "USB mic cannot be opened .Illegal combination"),
    ],
)
def test_what_cannot_be_opened_says_what_to_do(portaudio, error, said):
    portaudio.InputStream = failing(*error)
    with pytest.raises(MicrophoneError, match=said), open_microphone(find_microphone(), sample_rate=96e3):
        pass


def test_the_rate_really_given_and_lost_sound_are_told(portaudio):
    class Late(Stream):
        def read(self, frames):
            return np.full((frames, 1), 0.5, np.float32), True

    portaudio.InputStream = Late
    with open_microphone(find_microphone(), sample_rate=48e3) as stream:
        block, lost = stream.read(100)
        assert stream.sample_rate == 44_100.0
        assert block.dtype == np.float64
        assert block.shape == (100, 1)
        assert lost is True
    assert stream._stream.ended == ["abort", "close"]


def test_a_microphone_pulled_out_while_it_is_read(portaudio):
    class Pulled(Stream):
        read = staticmethod(failing("Unanticipated host error", -9999))

    portaudio.InputStream = Pulled
    with (
        open_microphone(find_microphone()) as stream,
        pytest.raises(MicrophoneError, match="USB mic is gone"),
    ):
        stream.read()


def filled(loudspeaker, frames):
    out = np.full((frames, 1), 9.0, np.float32)
    loudspeaker.fill(out, frames)
    return out[:, 0].tolist()


def test_a_sound_is_played_once_and_silence_around_it():
    loudspeaker = Loudspeaker()
    assert filled(loudspeaker, 2) == [0.0, 0.0]
    loudspeaker.play(np.array([0.25, 0.5, 0.75]))
    assert filled(loudspeaker, 2) == [0.25, 0.5]
    assert filled(loudspeaker, 2) == [0.75, 0.0]
    assert filled(loudspeaker, 2) == [0.0, 0.0]


def test_a_sound_that_would_come_late_is_left_out(monkeypatch):
    now = 100.0
    monkeypatch.setattr(mic, "time", SimpleNamespace(monotonic=lambda: now))
    loudspeaker = Loudspeaker()
    loudspeaker.play(np.full(4, 0.5))
    now += 2.0 * mic.LATE
    assert filled(loudspeaker, 4) == [0.0] * 4
    loudspeaker.play(np.full(4, 0.5))
    assert filled(loudspeaker, 2) == [0.5] * 2
    now += 2.0 * mic.LATE  # it has begun: it goes on
    assert filled(loudspeaker, 4) == [0.5, 0.5, 0.0, 0.0]


def test_without_an_output_nothing_is_heard_and_nothing_stops(portaudio):
    portaudio.OutputStream = failing("Error querying device -1")
    with open_loudspeaker() as loudspeaker:
        loudspeaker.play(np.ones(3))
