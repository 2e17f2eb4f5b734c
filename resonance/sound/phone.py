"""Sound tracks of phone recordings and video (m4a, mp4, mov, 3gp, mkv, webm), through PyAV.

PyAV is the optional extra ``phone``; nothing here is loaded before such a file turns up.
"""

from typing import Any

import numpy as np

from resonance.errors import SoundFileError
from resonance.sound.recording import FloatArray

# First bytes of what soundfile does not read: ISO media, Matroska/WebM, ASF, AMR, raw AAC, AVI.
_STARTS = (b"\x1aE\xdf\xa3", b"0&\xb2u", b"#!AMR", b"\xff\xf1", b"\xff\xf9")
_LOSSLESS = ("pcm_", "alac", "flac", "wavpack", "tta")
SHORT_BY = 0.25  # s of promised sound that may be missing: codecs pad and trim at both ends


def looks_like_phone(head: bytes) -> bool:
    """Whether the first 16 bytes of a file are those of a phone recording or a video."""
    return (
        head[4:8] in (b"ftyp", b"moov", b"mdat", b"wide") or head.startswith(_STARTS) or head[8:12] == b"AVI "
    )


def read_phone(path: str, name: str, *, longest: int) -> tuple[FloatArray, float, str]:
    """Sound track of a phone recording or a video.

    Parameters
    ----------
    path : str
    name : str   what to call the file in messages
    longest : int   most values (samples times channels) to take

    Returns
    -------
    samples (n_samples, n_channels) float64, sample rate in Hz, codec name ('' when it loses nothing)

    Raises
    ------
    SoundFileError   PyAV missing, no sound track, damaged, or longer than `longest`
    """
    try:
        import av
    except ImportError:
        raise SoundFileError(
            f"{name} is a phone recording or a video; to read it, run: pip install 'resonance-bench[phone]'"
        ) from None
    try:
        with av.open(path) as container:
            if not container.streams.audio:
                raise SoundFileError(f"{name} has no sound track; record sound, or pick another file")
            return _decode(container, name, longest)
    except (av.FFmpegError, ValueError, OSError, OverflowError, MemoryError, EOFError) as error:
        raise SoundFileError(
            f"{name} cannot be read: damaged, or cut short; copy it from the phone again"
        ) from error


def _decode(container: Any, name: str, longest: int) -> tuple[FloatArray, float, str]:
    """Decode the first sound track whole."""
    stream = container.streams.audio[0]
    blocks: list[FloatArray] = []
    rate, channels, values = 0, 0, 0
    for frame in container.decode(stream):
        if not blocks:
            rate, channels = int(frame.sample_rate), int(frame.layout.nb_channels)
        if (int(frame.sample_rate), int(frame.layout.nb_channels)) != (rate, channels):
            raise SoundFileError(f"{name} changes its sample rate or channels midway; record it again")
        blocks.append(_as_float(frame.to_ndarray(), channels, planar=frame.format.is_planar))
        values += blocks[-1].size
        if values > longest:
            raise SoundFileError(f"{name} is too long; cut it into pieces of one tap set each")
    samples = np.concatenate(blocks) if blocks else np.zeros((0, max(channels, 1)))
    promised = float(stream.duration * stream.time_base) if stream.duration and stream.time_base else 0.0
    if rate and len(samples) / rate < promised - SHORT_BY:
        raise SoundFileError(
            f"{name} is cut short: {promised:.2f} s promised, {len(samples) / rate:.2f} s there"
        )
    codec = str(stream.codec_context.name)
    return samples, float(rate), "" if codec.startswith(_LOSSLESS) else codec


def _as_float(block: np.ndarray[Any, Any], channels: int, *, planar: bool) -> FloatArray:
    """One decoded frame as (n_samples, n_channels) float64 at full scale 1."""
    frames = block.T if planar else block.reshape(-1, channels)
    if frames.dtype.kind == "u":
        return np.asarray((frames.astype(np.float64) - 128.0) / 128.0)
    if frames.dtype.kind == "i":
        return np.asarray(frames / float(-np.iinfo(frames.dtype).min), dtype=np.float64)
    return np.asarray(frames, dtype=np.float64)
