"""Settings of a shop, and where its folder lies."""

import os
from dataclasses import dataclass
from pathlib import Path

from resonance.jobs.assign import Assignments, apply_fields

VARIABLE = "RESONANCE_SHOP"


@dataclass(frozen=True)
class Settings:
    """What holds for all jobs of a shop unless a job says otherwise.

    Parameters
    ----------
    heading : str   printed at the head of reports, e.g. the workshop's name
    maker : str   the maker's name
    address : str   under the heading; lines are parted by ';'
    pitch_a4 : float, Hz   (ISO 16: 440 Hz)
    family : one of `resonance.sets.instrument.FAMILIES`   of a new job
    mains : float, Hz   frequency of the mains, for hum: 50, or 60 in the Americas
    device : str   the input that is recorded from; '' takes the system's own choice
    """

    heading: str = ""
    maker: str = ""
    pitch_a4: float = 440.0
    family: str = "violin"
    mains: float = 50.0
    device: str = ""
    address: str = ""


def apply_settings(settings: Settings, assignments: Assignments) -> Settings:
    """Give the settings with entries changed, as typed: ``pitch_a4=442``; all of them or none.

    Raises
    ------
    AssignError   naming the key or the value, and what would be right
    """
    return apply_fields(settings, assignments)


def shop_folder(explicit: str | os.PathLike[str] | None = None) -> Path:
    """Give the shop's folder: the one named, else $RESONANCE_SHOP, else the platform's place for data."""
    named = explicit or os.environ.get(VARIABLE)
    if named:
        return Path(named).expanduser()
    import platformdirs

    return Path(platformdirs.user_data_dir("resonance", appauthor=False)) / "shop"
