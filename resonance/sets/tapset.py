"""A tap set: the takes of one sitting with one setup, and what was found in them."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from math import nan

from resonance.modes.mode import Mode, StringReading
from resonance.reasons import Reason
from resonance.sets.setup import Setup
from resonance.sound.recording import Take
from resonance.spectra.bands import BandLevel
from resonance.taps.tap import Tap

REPEAT_KINDS = ("untouched", "put back", "slackened and retuned")
CHECKS = ("seams", "post", "bridge upright", "at pitch")


@dataclass(frozen=True)
class Climate:
    """Air at the bench; None when not noted."""

    temperature_c: float | None = None
    humidity_percent: float | None = None
    hours_in_room: float | None = None


@dataclass(frozen=True)
class Conditions:
    """How the set was taken.

    Parameters
    ----------
    holding : str   'cradle', 'neck in hand', 'lap', 'endpin' or other words
    string_damping : str   e.g. 'felt strip and after-lengths', 'none'
    tapper, microphone, remark : str
    checks : mapping of `CHECKS` to True, False or None (not checked)
    mass_g : float, g   weight of the instrument or plate
    """

    holding: str = ""
    string_damping: str = ""
    tapper: str = ""
    microphone: str = ""
    checks: Mapping[str, bool | None] = field(default_factory=dict)
    mass_g: float = nan
    remark: str = ""


@dataclass(frozen=True)
class Analysis:
    """How the modes of a set were obtained.

    Parameters
    ----------
    method : int   number of the estimator; sets of different numbers are never compared
    program : str   version of resonance
    made : aware datetime or None   set by the store, not by the numerics
    settings : mapping   every setting that could change a number
    libraries : mapping of str to str   versions of numpy, scipy, soundfile
    record : float, s   length of decay used from each tap
    band : (float, float), Hz   where modes were looked for
    reach : float, Hz   above this the blows excited too little to call a mode absent
    misfit : float   share of the decay the modes do not explain (amplitude ratio)
    noise_db : float, dB   median over the band of signal over noise
    fitted : tuple of (frequency in Hz, damping ratio)   all that the decays were fitted with: what the modes
        of this set are followed by in another (`resonance.modes.follow`)
    """

    method: int = 0
    program: str = ""
    made: datetime | None = None
    settings: Mapping[str, float | str | bool | None] = field(default_factory=dict)
    libraries: Mapping[str, str] = field(default_factory=dict)
    record: float = nan
    band: tuple[float, float] = (nan, nan)
    reach: float = nan
    misfit: float = nan
    noise_db: float = nan
    fitted: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, eq=False)
class TapSet:
    """The takes of one sitting with one setup, and what was found in them.

    Parameters
    ----------
    id : str
    taken : aware datetime or None
    modes : tuple of Mode
    takes : tuple of Take   recordings may be empty of samples where only the record was read
    taps : tuple of Tap   refused ones included
    bands : tuple of BandLevel   levels of bands up to 5 kHz
    setup, climate, conditions : as noted by the maker
    repeat_of : str or None   id of the set this one repeats
    repeat_kind : one of `REPEAT_KINDS` or ''
    after : tuple of str   ids of the adjustments made before this set
    analysis : Analysis
    reasons : tuple of Reason   set-wide: why there are no modes, what limits them all
    strings : tuple of StringReading   open strings that rang along, with their pitch
    """

    id: str
    taken: datetime | None
    modes: tuple[Mode, ...]
    takes: tuple[Take, ...] = ()
    taps: tuple[Tap, ...] = ()
    bands: tuple[BandLevel, ...] = ()
    setup: Setup = field(default_factory=Setup)
    climate: Climate = field(default_factory=Climate)
    conditions: Conditions = field(default_factory=Conditions)
    repeat_of: str | None = None
    repeat_kind: str = ""
    after: tuple[str, ...] = ()
    analysis: Analysis = field(default_factory=Analysis)
    reasons: tuple[Reason, ...] = ()
    strings: tuple[StringReading, ...] = ()
