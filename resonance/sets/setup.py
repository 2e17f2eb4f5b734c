"""How the instrument stands: post, bridge, strings, tail, fittings; and the dated changes of it.

All measures are optional; NaN or '' means not noted. Post position: mm behind the treble bridge foot
(`behind_mm`, larger is away from the bridge) and mm in from its outer edge (`inward_mm`, larger is
towards the centre joint).
"""

from dataclasses import dataclass, field
from datetime import datetime
from math import nan

STAGES = ("white", "bar in", "closed", "varnished", "strung", "reopened")
PARTS = ("soundpost", "bridge", "strings", "tail", "fitting", "body", "other")
ENDS = ("top", "bottom", "both")
FARTHEST_MM = 3.0  # farther than a post is moved at a time (common practice, no source): a slip


@dataclass(frozen=True)
class Post:
    """The soundpost.

    Parameters
    ----------
    behind_mm : float   back of the treble bridge foot to the near side of the post
    inward_mm : float   outer edge of that foot to the outer side of the post
    position_u_mm : float   standard uncertainty of both, as read through the f-hole
    length_mm, diameter_mm : float
    fit : str   how the ends meet the plates
    side : 'treble' (usual) or 'bass' (left-handed instruments)
    """

    behind_mm: float = nan
    inward_mm: float = nan
    position_u_mm: float = 0.2
    length_mm: float = nan
    diameter_mm: float = nan
    fit: str = ""
    side: str = "treble"


@dataclass(frozen=True)
class Bridge:
    """The bridge: height at the centre, mass, lean of the top from square (+ towards the fingerboard)."""

    height_mm: float = nan
    mass_g: float = nan
    lean_mm: float = nan
    note: str = ""


@dataclass(frozen=True)
class String:
    """One string: name such as 'A4', when fitted, gauge as noted, tension in newtons."""

    name: str
    fitted: datetime | None = None
    gauge_note: str = ""
    tension_n: float = nan


@dataclass(frozen=True)
class Tail:
    """Tailpiece and its cord; afterlength is bridge to tailpiece."""

    tailpiece_mass_g: float = nan
    cord_material: str = ""
    cord_length_mm: float = nan
    afterlength_mm: float = nan
    fine_tuners: int | None = None


@dataclass(frozen=True)
class Fittings:
    """Chin rest, mute parked on the strings, wolf suppressor."""

    chin_rest_type: str = ""
    chin_rest_place: str = ""
    mute_parked: bool | None = None
    suppressor_string: str = ""
    suppressor_mm: float = nan
    suppressor_g: float = nan


@dataclass(frozen=True)
class Setup:
    """Post, bridge, strings and fittings as they are; every field optional."""

    post: Post = field(default_factory=Post)
    bridge: Bridge = field(default_factory=Bridge)
    strings: tuple[String, ...] = ()
    tail: Tail = field(default_factory=Tail)
    fittings: Fittings = field(default_factory=Fittings)
    projection_mm: float = nan
    string_height_mm: float = nan
    pitch_a4: float = nan
    stage: str = ""


@dataclass(frozen=True)
class Adjustment:
    """One dated change of setup.

    Parameters
    ----------
    id : str
    made : aware datetime
    part : one of `PARTS`
    along_mm : float   + away from the bridge, displacement of the post relative to the bridge
    across_mm : float   + towards the centre joint
    end : one of `ENDS` or ''   which end of the post was moved
    new_chapter : bool   a new post, a full string change or an opened body: nothing is fitted across it
    note : str   in the maker's words
    """

    id: str
    made: datetime | None = None
    part: str = "other"
    along_mm: float = nan
    across_mm: float = nan
    end: str = ""
    new_chapter: bool = False
    note: str = ""
