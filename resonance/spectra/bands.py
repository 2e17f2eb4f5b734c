"""Levels of frequency bands."""

from dataclasses import dataclass
from math import nan


@dataclass(frozen=True)
class BandLevel:
    """Level of one band at one tap place and microphone place.

    Parameters
    ----------
    low, high : float, Hz   band edges
    tap_place, microphone_place : str
    db : float, dB   energy of the taps' decay in the band relative to the sum over the set's bands
    db_u : float, dB   standard uncertainty from tap to tap
    """

    low: float
    high: float = nan
    tap_place: str = ""
    microphone_place: str = ""
    db: float = nan
    db_u: float = nan
