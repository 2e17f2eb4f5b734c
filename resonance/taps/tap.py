"""One blow in a recording, with what is wrong with it."""

from dataclasses import dataclass
from math import nan

from resonance.reasons import Fault


@dataclass(frozen=True)
class Tap:
    """A tap found in a recording; a refused one stays, with its faults.

    Parameters
    ----------
    onset : float, s from the start of the recording
    take : int   index of the take it was found in
    end : float, s   where its usable decay ends (next tap, end of file)
    peak_dbfs : float, dB re full scale
    snr_db : float, dB   decay (first 0.25 s, 200-1000 Hz) against the quiet before
    reach : float, Hz   where the blow stops exciting; NaN when not seen
    kept : bool   whether the analysis uses it
    faults : tuple of Fault
    judged_by : 'program' or 'maker'
    """

    onset: float
    take: int = 0
    end: float = nan
    peak_dbfs: float = nan
    snr_db: float = nan
    reach: float = nan
    kept: bool = True
    faults: tuple[Fault, ...] = ()
    judged_by: str = "program"


@dataclass(frozen=True)
class TapLimits:
    """What counts as a tap, and when a tap is refused.

    The finder's numbers (rise, range, dead time, growth) come from trials on forty-nine real taps of
    plates, knocks and bars; the others are common practice, no source, set so that made-up taps of a steady
    hand pass.

    Parameters
    ----------
    rise_db, range_db, dead_time, growth_db, growth_time : dB, dB, s, dB, s   see `resonance.taps.find`
    shortest : float, s   of recording that must be left after the onset
    clip_level, clip_run : re full scale, samples   see `resonance.taps.vet.flat_runs`
    lowest_snr_db : float, dB
    double_hit_within, double_hit_db : s, dB re the first blow
    unlike : float   see `resonance.taps.alike`
    overlap_within : float, s   the next tap comes no sooner: six time constants of a body mode are 0.17 s
    dull_below : float, Hz   a blow that reaches no higher cannot show the upper main body note
    dull_beside_others : float, Hz   nor is one sharp that reaches no higher and half as high as the rest
    dull_refused_below : float, Hz   refused at that, if the rest reach 1.75 times as high
    """

    rise_db: float = 9.0
    range_db: float = 27.0
    dead_time: float = 0.050
    growth_db: float = 1.0
    growth_time: float = 0.300
    shortest: float = 0.100
    clip_level: float = 0.999
    clip_run: int = 3
    lowest_snr_db: float = 10.0
    double_hit_within: float = 0.120
    double_hit_db: float = -20.0
    unlike: float = 4.0
    overlap_within: float = 0.200
    dull_below: float = 600.0
    dull_beside_others: float = 1000.0
    dull_refused_below: float = 400.0
