"""Sound files in and out: the only module of the numerics that opens files.

wav, flac, aiff, ogg, mp3 and what else libsndfile knows go through soundfile; m4a and video through PyAV
(`resonance.sound.phone`). Samples come back as ``(n_samples, n_channels)`` float64 at full scale 1,
never resampled. `started` stays None: the date of a file is no date of a recording, see `proposed_time`.

Warnings on `Recording.warnings`
--------------------------------
lossy : format (e.g. 'mp3', 'vorbis', 'aac'): levels and damping may not hold
gain_controlled, noise_gated : see `resonance.sound.doctoring`
"""

import hashlib
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from io import BufferedReader
from pathlib import Path
from typing import Any

import numpy as np

from resonance.errors import SoundFileError
from resonance.reasons import Reason
from resonance.sound.containers import missing_bytes
from resonance.sound.doctoring import signs_of_doctoring
from resonance.sound.phone import looks_like_phone, read_phone
from resonance.sound.recording import FloatArray, Recording

LOWEST_RATE, HIGHEST_RATE = 2_000.0, 384_000.0  # Hz
LONGEST = 2**28  # values (2 GiB of float64): 93 minutes of one channel at 48 kHz
BOMB_FROM, BOMB = 2**23, 30  # values; values a byte of file: no packed sound of a room comes near
BLOCK = 2**20  # values decoded at a time, so that a lying header allocates nothing
FLAC_CHANNELS = 8  # most that the format holds
_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "DPCM_8": 8, "DPCM_16": 16}
_LOSSLESS = ("PCM_", "DPCM_", "DWVW_", "ALAC_", "FLOAT", "DOUBLE")
_LOSSY_NAMES = {"MPEG_LAYER_I": "mp1", "MPEG_LAYER_II": "mp2", "MPEG_LAYER_III": "mp3"}


def read_recording(path: str | os.PathLike[str]) -> Recording:
    """Read a sound file whole.

    Parameters
    ----------
    path : path of a wav, flac, aiff, ogg, mp3, m4a, mp4, mov, 3gp ... file

    Returns
    -------
    Recording   with `source` the file's name and `sha256` the hash of its bytes

    Raises
    ------
    SoundFileError   one plain line: missing, not audio, empty, cut short, not-a-number inside, all zero,
        DC only, sample rate outside 2 to 384 kHz, or too long to hold
    """
    name = Path(path).name
    with _opened(path, name) as file:
        size = file.seek(0, os.SEEK_END)
        if size == 0:
            raise SoundFileError(f"{name} is empty (0 bytes); copy it again from the recorder")
        file.seek(0)
        digest = hashlib.file_digest(file, "sha256").hexdigest()
        file.seek(0)
        if looks_like_phone(file.read(16)):
            longest = min(LONGEST, max(BOMB_FROM, BOMB * size))
            samples, rate, lossy = read_phone(os.fspath(path), name, longest=longest)
            resolution = 0.0
        else:
            samples, rate, lossy, resolution = _read_soundfile(file, name, size)
    _check_rate(rate, name)
    _check_samples(samples, rate, name)
    warnings = signs_of_doctoring(samples, rate, resolution=resolution)
    if lossy:
        warnings = (Reason("lossy", {"format": lossy}), *warnings)
    return Recording(samples, rate, source=name, sha256=digest, warnings=warnings)


def take_channel(recording: Recording, channel: int) -> FloatArray:
    """One channel of a recording, array (n_samples,), counted from 0.

    Raises
    ------
    SoundFileError   where there is no such channel, or it holds nothing; says which channels there are
    """
    name, count = recording.source or "the recording", recording.n_channels
    if not 0 <= channel < count:
        there = "one channel: 0" if count == 1 else f"{count} channels: 0 to {count - 1}"
        raise SoundFileError(f"{name} has no channel {channel}; it has {there}")
    samples = recording.samples[:, channel]
    if len(samples) and np.ptp(samples) == 0.0:
        alive = [str(k) for k in range(count) if np.ptp(recording.samples[:, k]) > 0.0]
        hint = f"; there is sound in channel {' and '.join(alive)}" if alive else ""
        raise SoundFileError(f"channel {channel} of {name} holds no sound{hint}")
    return samples


def proposed_time(path: str | os.PathLike[str]) -> datetime | None:
    """When the file was last written, aware, None if missing: a proposal to the maker, never a fact."""
    with suppress(OSError, OverflowError, ValueError):
        return datetime.fromtimestamp(os.stat(path).st_mtime).astimezone()
    return None


def write_recording(recording: Recording, path: str | os.PathLike[str]) -> str:
    """Write a recording as FLAC 24-bit (``.flac``) or WAV 32-bit float (``.wav``).

    The file appears whole or not at all: it is written under a temporary name beside its place, flushed
    to the disk and renamed.

    Returns
    -------
    str   sha256 of the bytes of the file

    Raises
    ------
    SoundFileError   more than 8 channels or beyond full scale for FLAC, NaN inside, nothing to write,
        or a folder that cannot be written to
    ValueError   a suffix other than .flac and .wav, a sample rate that is not a whole number of Hz
    """
    target = Path(path)
    suffix = target.suffix.lower()
    if suffix not in (".flac", ".wav"):
        raise ValueError(f"'{target.name}' must end in .flac or .wav")
    if recording.sample_rate != int(recording.sample_rate):
        raise ValueError(
            f"sample rate {recording.sample_rate} Hz is not a whole number; sound files need one"
        )
    _check_writable(recording, target.name, flac=suffix == ".flac")
    try:
        return _write_whole(recording, target, suffix)
    except OSError as error:
        raise SoundFileError(f"{target.name} cannot be written: {error.strerror or error}") from error


def flac_writer() -> str:
    """Name the library that writes our FLAC: another may pack the same sound in other bytes."""
    import soundfile

    return f"libsndfile-{soundfile.__libsndfile_version__}"


@contextmanager
def _opened(path: str | os.PathLike[str], name: str) -> Iterator[BufferedReader]:
    """Open for reading; what fails becomes one plain line."""
    try:
        with open(path, "rb") as file:
            yield file
    except FileNotFoundError:
        raise SoundFileError(f"there is no file {os.fspath(path)}; check the name and the folder") from None
    except IsADirectoryError:
        raise SoundFileError(f"{name} is a folder; name the sound files in it") from None
    except OSError as error:
        raise SoundFileError(f"{name} cannot be read: {error.strerror or error}") from error


def _read_soundfile(file: BufferedReader, name: str, size: int) -> tuple[FloatArray, float, str, float]:
    """Samples, rate, lossy format ('' if lossless) and resolution of what libsndfile reads."""
    import soundfile

    if missing_bytes(file, size):
        raise SoundFileError(f"{name} is cut short: the end of the sound is missing; copy it again")
    file.seek(0)
    try:
        with soundfile.SoundFile(_Nameless(file)) as sound:
            samples = _read_blocks(sound, name, size)
            rate, subtype = float(sound.samplerate), str(sound.subtype)
    except (
        soundfile.SoundFileRuntimeError,
        ValueError,
        TypeError,
        OverflowError,
        MemoryError,
        OSError,
    ) as error:
        raise SoundFileError(_unreadable(name, str(error))) from error
    lossy = "" if subtype.startswith(_LOSSLESS) else _LOSSY_NAMES.get(subtype, subtype.lower())
    bits = _BITS.get(subtype, 0)
    return samples, rate, lossy, 2.0 ** (1 - bits) if bits else 0.0


class _Nameless:
    """A file without its name, so that libsndfile goes by the content and never by the suffix."""

    def __init__(self, file: BufferedReader) -> None:
        self._file = file
        self.read, self.readinto, self.tell = file.read, file.readinto, file.tell

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Seek, or stay where a damaged header asks for a place before the start."""
        with suppress(OSError):
            return self._file.seek(offset, whence)
        return self._file.tell()


def _read_blocks(sound: Any, name: str, size: int) -> FloatArray:
    """Decode block by block; the header's length is checked afterwards, never believed."""
    channels, promised = int(sound.channels), int(sound.frames)
    frames = max(1, BLOCK // channels)
    blocks, read = [], 0
    while True:
        block = sound.read(frames, dtype="float64", always_2d=True)
        if not len(block):
            break
        blocks.append(block)
        read += len(block)
        if read * channels > LONGEST:
            raise SoundFileError(f"{name} is too long; cut it into pieces of one tap set each")
        if read * channels > max(BOMB_FROM, BOMB * size):
            raise SoundFileError(f"{name} unpacks to far more than a recording does; record it again")
    if read < promised:
        raise SoundFileError(
            f"{name} is cut short: {promised} samples promised, {read} there; copy it again from the recorder"
        )
    return _joined(blocks, read, channels)


def _joined(blocks: list[FloatArray], length: int, channels: int) -> FloatArray:
    """Blocks one after another; each is let go once it is copied, so that all is never held twice."""
    samples = np.empty((length, channels))
    place = length
    while blocks:
        block = blocks.pop()
        samples[place - len(block) : place] = block
        place -= len(block)
    return samples


def _unreadable(name: str, why: str) -> str:
    """Words for what libsndfile would not read."""
    damaged = ("malformed", "lost sync", "decoder", "Error in", "psf_fseek", "Internal")
    if any(word in why for word in damaged):
        return f"{name} is damaged or cut short; copy it again from the recorder"
    return f"{name} is not a sound file this program can read; wav, flac, aiff, ogg, mp3 and m4a work"


def _check_rate(rate: float, name: str) -> None:
    """Raise on a sample rate outside what is taken."""
    if not LOWEST_RATE <= rate <= HIGHEST_RATE:
        raise SoundFileError(
            f"{name} has a sample rate of {rate:.0f} Hz; record between 2000 and 384000 Hz, best at 48000 Hz"
        )


def _check_samples(samples: FloatArray, rate: float, name: str) -> None:
    """Raise where there is no sound to analyse."""
    if not samples.size:
        raise SoundFileError(f"{name} holds no sound (0 samples); record it again")
    broken = ~np.isfinite(samples).all(axis=1)
    if broken.any():
        at = float(np.argmax(broken)) / rate
        raise SoundFileError(
            f"{name} holds values that are no numbers (NaN or infinity), first at {at:.3f} s; export it again"
        )
    if not np.ptp(samples, axis=0).any():
        if not samples.any():
            raise SoundFileError(f"{name} is silent, every sample is zero; was the microphone on?")
        raise SoundFileError(f"{name} holds a constant offset, no sound; check the microphone")


def _check_writable(recording: Recording, name: str, *, flac: bool) -> None:
    """Raise on what the format cannot hold without loss."""
    samples = recording.samples
    if samples.ndim != 2 or not samples.size:
        raise SoundFileError(f"{name} not written: there is no sound in it")
    if not np.isfinite(samples).all():
        raise SoundFileError(f"{name} not written: the sound holds values that are no numbers")
    if flac and recording.n_channels > FLAC_CHANNELS:
        raise SoundFileError(
            f"{name} not written: FLAC holds {FLAC_CHANNELS} channels and this has {recording.n_channels}; "
            "write .wav instead, or keep fewer channels"
        )
    peak = float(np.abs(samples).max())
    if flac and peak > 1.0:
        raise SoundFileError(f"{name} not written: peak {peak:.3g} is beyond full scale; write .wav")


def _write_whole(recording: Recording, target: Path, suffix: str) -> str:
    """Write beside the target, flush, rename, flush the folder."""
    import soundfile

    handle, part = tempfile.mkstemp(prefix=f".{target.stem}-", suffix=".part", dir=target.parent)
    os.close(handle)
    kind, subtype = ("FLAC", "PCM_24") if suffix == ".flac" else ("WAV", "FLOAT")
    try:
        try:
            soundfile.write(part, recording.samples, int(recording.sample_rate), format=kind, subtype=subtype)
        except soundfile.SoundFileRuntimeError as error:
            raise OSError(str(error)) from error
        with open(part, "rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
            os.fsync(file.fileno())
        os.chmod(part, 0o644)
        os.replace(part, target)
    except BaseException:
        with suppress(FileNotFoundError):
            os.unlink(part)
        raise
    sync_folder(target.parent)
    return digest


def sync_folder(folder: Path) -> None:
    """Flush a folder's entries to the disk, where the system can (not on Windows)."""
    flag = getattr(os, "O_DIRECTORY", None)
    if flag is None:
        return
    handle = os.open(folder, os.O_RDONLY | flag)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def make_folder(folder: Path) -> None:
    """Make a folder, those above it too, so that a power cut does not take it away again."""
    if folder.is_dir():
        return
    make_folder(folder.parent)
    folder.mkdir(exist_ok=True)
    sync_folder(folder.parent)
