"""Sound files: what goes out comes back, and what is broken says so in one line.

Truth: quantisation steps of the formats (2 / 2**bits of full scale), the bytes written by libsndfile and
FFmpeg, hashlib over the file.
"""

import hashlib
import os
import struct
import sys
import tempfile
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from resonance.errors import SoundFileError
from resonance.reasons import Reason
from resonance.sound import phone
from resonance.sound.files import proposed_time, read_recording, take_channel, write_recording
from resonance.sound.recording import Recording

# Largest error of one sample after a round trip: half a step for integers, single precision for FLOAT.
STEPS = {
    ("WAV", "PCM_U8"): 2.0**-7,
    ("WAV", "PCM_16"): 2.0**-15,
    ("WAV", "PCM_24"): 2.0**-23,
    ("WAV", "PCM_32"): 2.0**-31,
    ("WAV", "FLOAT"): 2.0**-24,
    ("WAV", "DOUBLE"): 1e-15,
    ("RF64", "PCM_24"): 2.0**-23,
    ("FLAC", "PCM_S8"): 2.0**-7,
    ("FLAC", "PCM_16"): 2.0**-15,
    ("FLAC", "PCM_24"): 2.0**-23,
    ("AIFF", "PCM_S8"): 2.0**-7,
    ("AIFF", "PCM_16"): 2.0**-15,
    ("AIFF", "PCM_24"): 2.0**-23,
    ("AIFF", "DOUBLE"): 1e-15,
    ("CAF", "PCM_24"): 2.0**-23,
}
RATES = (2_000, 8_000, 44_100, 48_000, 96_000, 192_000, 384_000)


def noise(n: int = 4800, channels: int = 1, seed: int = 0) -> np.ndarray:
    return 0.2 * np.clip(np.random.default_rng(seed).standard_normal((n, channels)), -4, 4)


def saved(folder: Path, name: str, samples: np.ndarray, rate: int = 48_000, **options: str) -> Path:
    path = folder / name
    soundfile.write(path, samples, rate, **options)
    return path


def one_line(error: pytest.ExceptionInfo[SoundFileError]) -> str:
    text = str(error.value)
    assert text
    assert "\n" not in text
    assert len(text) < 200
    return text


def error_of(path: Path) -> str:
    with pytest.raises(SoundFileError) as error:
        read_recording(path)
    return one_line(error)


@settings(max_examples=60, deadline=None)
@given(
    kind=st.sampled_from(sorted(STEPS)),
    rate=st.sampled_from(RATES),
    channels=st.integers(1, 8),
    n=st.integers(1, 3000),
    seed=st.integers(0, 2**31),
)
def test_every_format_comes_back_as_it_was(kind, rate, channels, n, seed):
    if kind == ("AIFF", "PCM_S8"):
        n += n % 2  # libsndfile gives the pad byte of an odd chunk as one more sample
    samples = noise(n, channels, seed)
    samples[0] = 0.25  # never silent
    samples[-1] -= 0.125
    with tempfile.TemporaryDirectory() as folder:
        path = saved(Path(folder), "a.bin", samples, rate, format=kind[0], subtype=kind[1])
        if n == 1:
            assert "offset" in error_of(path)
            return
        recording = read_recording(path)
        assert recording.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert recording.samples.shape == (n, channels)
    assert recording.samples.dtype == np.float64
    assert recording.sample_rate == rate
    assert recording.started is None
    assert recording.source == "a.bin"
    assert np.abs(recording.samples - samples).max() <= STEPS[kind]


def test_many_channels(tmp_path):
    samples = noise(200, 32)
    assert read_recording(saved(tmp_path, "a.wav", samples)).samples.shape == (200, 32)


@pytest.mark.parametrize(
    ("suffix", "subtype", "name"),
    [("mp3", None, "mp3"), ("ogg", "VORBIS", "vorbis"), ("ogg", "OPUS", "opus"), ("wav", "ULAW", "ulaw")],
)
def test_lossy_sources_are_named(tmp_path, suffix, subtype, name):
    t = np.arange(24_000) / 48_000
    samples = 0.5 * np.sin(2 * np.pi * 440 * t) * np.exp(-6 * t)
    recording = read_recording(saved(tmp_path, f"a.{suffix}", samples, subtype=subtype))
    assert Reason("lossy", {"format": name}) in recording.warnings
    assert recording.samples.shape[1] == 1
    spectrum = np.abs(np.fft.rfft(recording.samples[:, 0]))
    assert np.argmax(spectrum) * 48_000 / len(recording.samples) == pytest.approx(440, abs=2.5)


def test_lossless_sources_carry_no_warning(tmp_path):
    for suffix in ("wav", "flac", "aiff"):
        assert read_recording(saved(tmp_path, f"a.{suffix}", noise())).warnings == ()


def phone_file(path: Path, codec: str, layout: str = "mono") -> Path:
    """Write a second of 440 Hz through FFmpeg."""
    av = pytest.importorskip("av")
    t = np.arange(48_000) / 48_000
    wave = np.tile(0.5 * np.sin(2 * np.pi * 440 * t), (2 if layout == "stereo" else 1, 1)).astype(np.float32)
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=48_000)
        stream.layout = layout
        frame = av.AudioFrame.from_ndarray(wave, format="fltp", layout=layout)
        frame.sample_rate = 48_000
        resampler = av.AudioResampler(format=stream.format, layout=layout, rate=48_000)
        fifo = av.AudioFifo()
        for part in resampler.resample(frame):
            part.pts = None
            fifo.write(part)
        while (part := fifo.read(1024, partial=True)) is not None:
            for packet in stream.encode(part):
                container.mux(packet)
        for packet in stream.encode(None):
            container.mux(packet)
    return path


@pytest.mark.parametrize(
    ("name", "codec", "layout", "lossy", "within"),
    [
        ("a.m4a", "aac", "mono", "aac", 0.05),
        ("a.mp4", "aac", "stereo", "aac", 0.05),
        ("a.3gp", "aac", "mono", "aac", 0.05),
        ("a.mov", "pcm_s16le", "stereo", "", 2.0**-15),
        ("b.m4a", "alac", "mono", "", 2.0**-15),
    ],
)
def test_phone_recordings(tmp_path, name, codec, layout, lossy, within):
    recording = read_recording(phone_file(tmp_path / name, codec, layout))
    assert recording.sample_rate == 48_000
    assert recording.n_channels == (2 if layout == "stereo" else 1)
    assert recording.duration == pytest.approx(1.0, abs=0.05)
    assert [r.values["format"] for r in recording.warnings] == ([lossy] if lossy else [])
    middle = recording.samples[20_000:28_000]
    assert np.abs(middle).max() == pytest.approx(0.5, abs=within)


def test_without_the_extra_the_error_names_it(tmp_path, monkeypatch):
    path = phone_file(tmp_path / "a.m4a", "aac")
    monkeypatch.setitem(sys.modules, "av", None)
    assert "pip install 'resonance-bench[phone]'" in error_of(path)


def test_phone_recording_cut_short(tmp_path):
    path = phone_file(tmp_path / "a.m4a", "aac")
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    assert "cut short" in error_of(path)


def test_video_without_sound(tmp_path):
    av = pytest.importorskip("av")
    path = tmp_path / "a.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("mpeg4", rate=25)
        stream.width, stream.height, stream.pix_fmt = 64, 64, "yuv420p"
        frame = av.VideoFrame.from_ndarray(np.zeros((64, 64, 3), dtype=np.uint8), format="rgb24")
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    assert "no sound track" in error_of(path)


def test_integer_frames_of_phones_are_scaled_to_full_scale():
    planar = phone._as_float(np.array([[-32768, 16384]], dtype=np.int16), 1, planar=True)
    packed = phone._as_float(np.array([[0, 255, 128, 64]], dtype=np.uint8), 2, planar=False)
    assert planar.tolist() == [[-1.0], [0.5]]
    assert packed.tolist() == [[-1.0, 127 / 128], [0.0, -0.5]]


def test_missing_folder_and_empty(tmp_path):
    assert "there is no file" in error_of(tmp_path / "nothing.wav")
    assert "folder" in error_of(tmp_path)
    (tmp_path / "empty.wav").write_bytes(b"")
    assert "empty" in error_of(tmp_path / "empty.wav")


@pytest.mark.parametrize("data", [b"hello, bench" * 50, b"%PDF-1.7" + bytes(500), bytes(4000), b"R"])
def test_not_audio(tmp_path, data):
    (tmp_path / "a.wav").write_bytes(data)
    assert "not a sound file" in error_of(tmp_path / "a.wav")


def test_a_raw_suffix_is_judged_by_content(tmp_path):
    (tmp_path / "a.raw").write_bytes(b"hello, bench" * 50)
    assert "not a sound file" in error_of(tmp_path / "a.raw")


@pytest.mark.parametrize("suffix", ["wav", "aiff"])
def test_no_samples(tmp_path, suffix):
    path = saved(tmp_path, f"a.{suffix}", np.zeros((0, 1)))
    assert "0 samples" in error_of(path)


def test_not_numbers(tmp_path):
    for value in (np.nan, np.inf, -np.inf):
        samples = noise()
        samples[2400] = value
        path = saved(tmp_path, "a.wav", samples, subtype="FLOAT")
        text = error_of(path)
        assert "NaN or infinity" in text
        assert "0.050 s" in text


def test_all_zero_and_offset_only(tmp_path):
    assert "every sample is zero" in error_of(saved(tmp_path, "a.wav", np.zeros((4800, 2))))
    assert "constant offset" in error_of(saved(tmp_path, "b.wav", np.full((4800, 1), 0.25)))
    one_alive = np.zeros((4800, 2))
    one_alive[:, 1] = noise()[:, 0]
    assert read_recording(saved(tmp_path, "c.wav", one_alive)).n_channels == 2


@pytest.mark.parametrize("rate", [1_000, 1_999, 384_001, 500_000])
def test_sample_rate_out_of_range(tmp_path, rate):
    assert f"{rate} Hz" in error_of(saved(tmp_path, "a.wav", noise(), rate))


CONTAINERS = [
    ("wav", "PCM_16"),
    ("wav", "FLOAT"),
    ("flac", "PCM_24"),
    ("aiff", "PCM_24"),
    ("caf", "PCM_16"),
    ("ogg", "VORBIS"),
    ("ogg", "OPUS"),
    ("mp3", None),
]


@pytest.mark.parametrize(("suffix", "subtype"), CONTAINERS)
@pytest.mark.parametrize("share", [0.3, 0.6, 0.9])
def test_cut_short(tmp_path, suffix, subtype, share):
    path = saved(tmp_path, f"a.{suffix}", noise(48_000), subtype=subtype)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share) + 1])
    assert "cut short" in error_of(path)


def test_rf64_cut_short(tmp_path):
    path = saved(tmp_path, "a.wav", noise(48_000), format="RF64", subtype="PCM_16")
    data = path.read_bytes()
    path.write_bytes(data[:-100])
    assert "cut short" in error_of(path)


def test_a_streamed_wav_of_unknown_length_is_read(tmp_path):
    path = saved(tmp_path, "a.wav", noise(), subtype="PCM_16")
    data = bytearray(path.read_bytes())
    at = data.index(b"data")
    data[at + 4 : at + 8] = struct.pack("<I", 0xFFFFFFFF)
    path.write_bytes(data)
    assert len(read_recording(path).samples) == 4800


@pytest.mark.parametrize("suffix", ["wav", "aiff", "flac"])
def test_a_header_that_claims_hours_allocates_nothing(tmp_path, suffix):
    import tracemalloc

    path = saved(tmp_path, f"a.{suffix}", noise(2000), subtype="PCM_16")
    data = bytearray(path.read_bytes())
    if suffix == "flac":  # total samples: 36 bits, from the low half of byte 21 (FLAC format, STREAMINFO)
        data[21] |= 0x0F
        data[22:26] = b"\xff\xff\xff\xff"
    else:
        at = data.index(b"data" if suffix == "wav" else b"SSND")
        data[at + 4 : at + 8] = struct.pack("<I" if suffix == "wav" else ">I", 0x7FFFFFF0)
    path.write_bytes(data)
    tracemalloc.start()
    try:
        assert "cut short" in error_of(path)
        assert tracemalloc.get_traced_memory()[1] < 64e6
    finally:
        tracemalloc.stop()


def bytes_of(suffix: str, subtype: str | None, cache: dict = {}) -> bytes:  # noqa: B006
    if (suffix, subtype) not in cache:
        with tempfile.TemporaryDirectory() as folder:
            path = saved(Path(folder), f"a.{suffix}", noise(6000, 2), subtype=subtype)
            cache[suffix, subtype] = path.read_bytes()
    return cache[suffix, subtype]


def read_or_refuse(data: bytes) -> Recording | None:
    """Read bytes as a file: a recording comes out, or a one-line SoundFileError and nothing else."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.bin"
        path.write_bytes(data)
        problem = ""
        try:
            recording = read_recording(path)
        except SoundFileError as error:
            problem = str(error)
            recording = None
    assert "\n" not in problem
    if recording is None:
        assert problem
        return None
    assert recording.samples.ndim == 2
    assert np.isfinite(recording.samples).all()
    return recording


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(kind=st.sampled_from(CONTAINERS), share=st.floats(0, 1, exclude_max=True))
def test_any_truncation_is_a_recording_or_one_plain_line(kind, share):
    whole = bytes_of(*kind)
    recording = read_or_refuse(whole[: int(share * len(whole))])
    if recording is not None:
        assert len(recording.samples) <= 6000 * 1.2  # codecs pad


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    kind=st.sampled_from(CONTAINERS),
    changes=st.lists(st.tuples(st.integers(0, 120), st.integers(0, 255)), min_size=1, max_size=6),
)
def test_any_mutated_header_is_a_recording_or_one_plain_line(kind, changes):
    data = bytearray(bytes_of(*kind))
    for at, value in changes:
        data[at] = value
    read_or_refuse(bytes(data))


@settings(max_examples=60, deadline=None)
@given(
    data=st.binary(max_size=300), start=st.sampled_from([b"", b"RIFF", b"fLaC", b"OggS", b"\0\0\0\x18ftyp"])
)
def test_any_bytes_are_refused_in_one_plain_line(data, start):
    read_or_refuse(start + data)


def test_take_channel_says_which_there_are(tmp_path):
    two = Recording(noise(100, 2), 48_000.0, source="a.wav")
    assert np.array_equal(take_channel(two, 1), two.samples[:, 1])
    for channel in (2, -1):
        with pytest.raises(SoundFileError, match=r"2 channels: 0 to 1"):
            take_channel(two, channel)
    with pytest.raises(SoundFileError, match=r"one channel: 0"):
        take_channel(Recording(noise(100), 48_000.0), 1)
    half = np.column_stack([np.zeros(100), noise(100)[:, 0]])
    with pytest.raises(SoundFileError, match=r"sound in channel 1"):
        take_channel(Recording(half, 48_000.0, source="a.wav"), 0)


def test_proposed_time_is_that_of_the_file(tmp_path):
    path = saved(tmp_path, "a.wav", noise())
    os.utime(path, (1_700_000_000, 1_700_000_000))
    time = proposed_time(path)
    assert time is not None
    assert time.tzinfo is not None
    assert abs(time - datetime.fromtimestamp(1_700_000_000).astimezone()) < timedelta(seconds=1)
    assert read_recording(path).started is None
    assert proposed_time(tmp_path / "nothing.wav") is None


@settings(max_examples=40, deadline=None)
@given(
    suffix=st.sampled_from([".flac", ".wav"]),
    rate=st.sampled_from(RATES),
    channels=st.integers(1, 8),
    n=st.integers(2, 2000),
    seed=st.integers(0, 2**31),
)
def test_written_recordings_come_back(suffix, rate, channels, n, seed):
    samples = noise(n, channels, seed)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"a{suffix}"
        digest = write_recording(Recording(samples, float(rate)), path)
        assert digest == hashlib.sha256(path.read_bytes()).hexdigest()
        back = read_recording(path)
        assert os.listdir(folder) == [path.name]
    assert back.sha256 == digest
    assert back.sample_rate == rate
    assert np.abs(back.samples - samples).max() <= 2.0**-23


def test_flac_is_24_bit_and_the_same_every_time(tmp_path):
    recording = Recording(noise(), 48_000.0)
    first = write_recording(recording, tmp_path / "a.flac")
    assert first == write_recording(recording, tmp_path / "b.flac")
    assert soundfile.info(str(tmp_path / "a.flac")).subtype == "PCM_24"


def test_wav_holds_what_is_beyond_full_scale(tmp_path):
    samples = noise()
    samples[10] = 3.5
    write_recording(Recording(samples, 48_000.0), tmp_path / "a.wav")
    assert read_recording(tmp_path / "a.wav").samples[10, 0] == 3.5
    with pytest.raises(SoundFileError, match="beyond full scale"):
        write_recording(Recording(samples, 48_000.0), tmp_path / "a.flac")


def test_what_cannot_be_written_says_what_to_do(tmp_path):
    nine = Recording(noise(100, 9), 48_000.0)
    with pytest.raises(SoundFileError, match=r"8 channels and this has 9; write \.wav") as error:
        write_recording(nine, tmp_path / "a.flac")
    one_line(error)
    write_recording(nine, tmp_path / "a.wav")
    broken = noise()
    broken[3] = np.nan
    with pytest.raises(SoundFileError, match="no numbers"):
        write_recording(Recording(broken, 48_000.0), tmp_path / "b.flac")
    with pytest.raises(SoundFileError, match="no sound"):
        write_recording(Recording(np.zeros((0, 1)), 48_000.0), tmp_path / "b.flac")
    with pytest.raises(ValueError, match=r"\.flac or \.wav"):
        write_recording(nine, tmp_path / "a.mp3")
    with pytest.raises(ValueError, match="whole"):
        write_recording(Recording(noise(), 44_100.5), tmp_path / "b.flac")
    with pytest.raises(SoundFileError, match="cannot be written"):
        write_recording(nine, tmp_path / "nowhere" / "a.wav")
    assert os.listdir(tmp_path) == ["a.wav"]


def test_a_failed_write_leaves_the_old_file_and_no_litter(tmp_path, monkeypatch):
    path = tmp_path / "a.flac"
    write_recording(Recording(noise(seed=1), 48_000.0), path)
    before = path.read_bytes()

    def full_disk(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full_disk)
    with pytest.raises(SoundFileError, match="No space left"):
        write_recording(Recording(noise(seed=2), 48_000.0), path)
    assert path.read_bytes() == before
    assert os.listdir(tmp_path) == ["a.flac"]


def test_a_file_that_unpacks_to_far_more_than_a_recording_is_refused_early(tmp_path):
    """Half an hour of one value in a few kB: a bomb, or a broken recorder."""
    path = tmp_path / "flat.flac"
    with soundfile.SoundFile(path, "w", 48_000, 1, format="FLAC", subtype="PCM_16") as sound:
        sound.write(np.random.default_rng(1).uniform(-0.1, 0.1, 1000))
        for _ in range(180):
            sound.write(np.full(480_000, 0.25))
    assert path.stat().st_size < 500_000
    with pytest.raises(SoundFileError, match="unpacks to far more than a recording does"):
        read_recording(path)
