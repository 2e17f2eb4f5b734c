"""The instrument on the bench."""

from dataclasses import dataclass
from math import nan

FAMILIES = ("violin", "viola", "cello", "bass", "other")
PIECES = ("whole", "top", "back")


@dataclass(frozen=True)
class Instrument:
    """One instrument, or one of its plates while it is in the white.

    Parameters
    ----------
    name : str   how the maker calls it
    family : one of `FAMILIES`
    piece : one of `PIECES`   the whole instrument or a free plate
    maker, year, owner, notes : str
    body_mm, string_length_mm : float, mm
    """

    name: str
    family: str = "violin"
    piece: str = "whole"
    maker: str = ""
    year: str = ""
    owner: str = ""
    body_mm: float = nan
    string_length_mm: float = nan
    notes: str = ""
