"""A resonance as measured: frequency, damping, levels, each with its uncertainty."""

from dataclasses import dataclass
from math import nan

from resonance.reasons import Reason


@dataclass(frozen=True)
class Level:
    """How strongly a mode rings at one tap place and microphone place.

    Parameters
    ----------
    tap_place, microphone_place : str
    db : float, dB   energy of the mode's decay relative to the sum over the set's modes
    db_u : float, dB   standard uncertainty from tap to tap
    """

    tap_place: str = ""
    microphone_place: str = ""
    db: float = nan
    db_u: float = nan


@dataclass(frozen=True)
class Mode:
    """One resonance in one tap set.

    Parameters
    ----------
    frequency : float, Hz   |s| / 2 pi of the pole s
    damping : float   -Re s / |s|, ratio of critical; NaN where the record cannot show it
    frequency_u, frequency_dof, damping_u, damping_dof : float   standard uncertainty (JCGM 100:2008)
        and its degrees of freedom (G.4), from one random-effects statement over the taps
    model_u : float, Hz   how far the frequency depends on how much of the decay is used: for printed
        values, not for shifts
    peak : float, Hz   nearest maximum of the averaged spectrum, NaN where there is none
    n_taps : int   taps behind the value
    levels : tuple of Level
    snr_db : float, dB   of the mode's line in the averaged spectrum over the noise
    limited_by : 'noise', 'hand', 'room' or 'record'
    kind : 'body', 'air', 'string', 'room', 'hum' or 'unsure'
    label : str or None   a name such as 'B1-'; a guess unless `labelled_by` is 'maker'
    labelled_by : 'program', 'maker' or ''
    track : str or None   identity of the mode through a job
    reasons : tuple of Reason
    damping_model_u : float   as `model_u`, for the damping ratio
    hand : float, Hz   standard deviation of the frequency from tap to tap, noise taken off; NaN with one tap
    """

    frequency: float
    damping: float
    frequency_u: float = nan
    frequency_dof: float = nan
    model_u: float = nan
    peak: float = nan
    damping_u: float = nan
    damping_dof: float = nan
    n_taps: int = 0
    levels: tuple[Level, ...] = ()
    snr_db: float = nan
    limited_by: str = "noise"
    kind: str = "unsure"
    label: str | None = None
    labelled_by: str = ""
    track: str | None = None
    reasons: tuple[Reason, ...] = ()
    damping_model_u: float = nan
    hand: float = nan


@dataclass(frozen=True)
class StringReading:
    """One open string as its partials tell it.

    Parameters
    ----------
    name : str   note it is tuned to, such as 'A4'
    nominal : float, Hz   that note in equal temperament
    pitch : float, Hz   of the first partial
    pitch_u, pitch_dof : float   standard uncertainty (Hz) and its degrees of freedom
    cents_off : float, cents   pitch above the note
    inharmonicity : float   B of f_n = n f_0 sqrt(1 + B n^2), NaN with fewer than three partials
    n_partials : int   lines behind it
    tension_ratio : float   over the tension of the same string at the note, (pitch / nominal)^2
    reasons : tuple of Reason
    """

    name: str
    nominal: float = nan
    pitch: float = nan
    pitch_u: float = nan
    pitch_dof: float = nan
    cents_off: float = nan
    inharmonicity: float = nan
    n_partials: int = 0
    tension_ratio: float = nan
    reasons: tuple[Reason, ...] = ()


@dataclass(frozen=True)
class ModesResult:
    """The modes of one tap set, or the reasons why there are none.

    Parameters
    ----------
    modes : tuple of Mode, by rising frequency
    reasons : tuple of Reason   set-wide: ``'model_misfit'`` when the record was refused, ``'one_tap'``,
        ``'one_microphone_place'``, ...
    band : (float, float), Hz   where modes were looked for
    record : float, s   length of decay used from each tap
    misfit : float   share of the decay the modes do not explain (amplitude ratio)
    reach : float, Hz   above this the blows excited too little to call a mode absent; NaN unknown
    noise_db : float, dB   median over the band of signal over noise
    strings : tuple of StringReading   open strings that rang along
    fitted : tuple of (frequency in Hz, damping ratio)   all that the decays were fitted with, also what is
        told as no mode: strings' partials, hum, the room, what lies in the margins
    """

    modes: tuple[Mode, ...] = ()
    reasons: tuple[Reason, ...] = ()
    band: tuple[float, float] = (nan, nan)
    record: float = nan
    misfit: float = nan
    reach: float = nan
    noise_db: float = nan
    strings: tuple[StringReading, ...] = ()
    fitted: tuple[tuple[float, float], ...] = ()
