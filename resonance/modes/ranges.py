"""Where to look, by family and piece: search band and the longest useful decay.

Bands follow the usual ranges of the named modes (see `resonance.modes.names`) with room on either side;
common practice, no source.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Search:
    """Search band (Hz), longest and shortest decay used from a tap (s)."""

    band: tuple[float, float]
    longest: float
    shortest: float = 0.1


WHOLE = {
    "violin": Search((60.0, 1200.0), 0.6),
    "viola": Search((60.0, 1100.0), 0.6),
    "cello": Search((45.0, 800.0), 0.9),
    "bass": Search((30.0, 500.0), 1.2),
    "other": Search((40.0, 4000.0), 3.0),
}
PLATE = {
    "violin": Search((50.0, 900.0), 2.0),
    "viola": Search((40.0, 800.0), 2.0),
    "cello": Search((25.0, 500.0), 2.0),
    "bass": Search((15.0, 350.0), 2.5),
    "other": Search((30.0, 1500.0), 3.0),
}
OPEN_STRINGS = {
    "violin": ("G3", "D4", "A4", "E5"),
    "viola": ("C3", "G3", "D4", "A4"),
    "cello": ("C2", "G2", "D3", "A3"),
    "bass": ("E1", "A1", "D2", "G2"),
    "other": (),
}


def search_of(family: str, piece: str = "whole") -> Search:
    """Where to look; an unknown family counts as 'other'."""
    table = WHOLE if piece == "whole" else PLATE
    return table.get(family, table["other"])
