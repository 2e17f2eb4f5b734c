"""Hills under a bowed slide held against the modes of a tap set."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, nan

from resonance.modes.mode import Mode
from resonance.spectra.slide import Hill, SlideCurve
from resonance.units import cents

REACH_CENTS = 150.0  # further apart they are no pair


@dataclass(frozen=True)
class SlideMatch:
    """One hill, and the tap reading nearest to it.

    Parameters
    ----------
    hill : Hill
    mode, mode_u : float, Hz   NaN where no body or air mode lies within a tone and a half
    label : str or None
    apart, apart_u : float, Hz   hill less mode
    agrees : bool   within two standard uncertainties
    """

    hill: Hill
    mode: float = nan
    mode_u: float = nan
    label: str | None = None
    apart: float = nan
    apart_u: float = nan
    agrees: bool = False


def match_hills(curve: SlideCurve, modes: Sequence[Mode]) -> tuple[SlideMatch, ...]:
    """Give each hill its nearest body or air mode, by rising frequency."""
    body = [mode for mode in modes if mode.kind in ("body", "air")]
    found = []
    for hill in curve.hills:
        near = min(body, key=lambda mode: abs(mode.frequency - hill.frequency), default=None)
        if near is None or abs(float(cents(hill.frequency, near.frequency))) > REACH_CENTS:
            found.append(SlideMatch(hill))
            continue
        apart, u = hill.frequency - near.frequency, hypot(hill.frequency_u, near.frequency_u)
        agrees = abs(apart) <= 2.0 * u
        found.append(SlideMatch(hill, near.frequency, near.frequency_u, near.label, apart, u, agrees))
    return tuple(found)
