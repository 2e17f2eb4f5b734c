"""Sound in memory: recordings, and takes made of them.

Samples are always ``(n_samples, n_channels)`` float64 at full scale 1, with the sample rate beside them.
"""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from resonance.reasons import Reason

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True, eq=False)
class Recording:
    """Sound with its sample rate.

    Parameters
    ----------
    samples : array (n_samples, n_channels), float64, full scale 1
    sample_rate : float, Hz
    started : aware datetime or None   when the recording began, where known
    source : str   file name or device the sound came from
    sha256 : str   hash of the file's own bytes, '' when not from a file
    lost_blocks : int   blocks the device dropped while recording
    warnings : tuple of Reason   what the source endangers, e.g. ``Reason('lossy', {'format': 'mp3'})``
    """

    samples: FloatArray
    sample_rate: float
    started: datetime | None = None
    source: str = ""
    sha256: str = ""
    lost_blocks: int = 0
    warnings: tuple[Reason, ...] = ()

    @property
    def n_channels(self) -> int:
        """Number of channels."""
        return int(self.samples.shape[1])

    @property
    def duration(self) -> float:
        """Length in seconds."""
        return float(self.samples.shape[0] / self.sample_rate)


@dataclass(frozen=True, eq=False)
class Take:
    """One recording at one tap place and one microphone place.

    Parameters
    ----------
    recording : Recording
    tap_place, microphone_place : str   as the maker calls them, '' when not noted
    channels : tuple of str   role of each channel: 'sound', 'contact', 'force', 'unused' or 'room' (a clap);
        an empty tuple means every channel is 'sound'
    """

    recording: Recording
    tap_place: str = ""
    microphone_place: str = ""
    channels: tuple[str, ...] = ()

    def role(self, channel: int) -> str:
        """Role of one channel ('sound' unless said)."""
        return self.channels[channel] if channel < len(self.channels) else "sound"


def as_take(item: "Recording | Take") -> Take:
    """Give a take: a bare recording counts as one take, places unnamed."""
    return item if isinstance(item, Take) else Take(item)


def is_clap(take: Take) -> bool:
    """Whether a take holds claps for the room instead of taps."""
    return "room" in take.channels
