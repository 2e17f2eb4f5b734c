"""What is not the body: string partials and mains hum.

On a strung instrument a resonance with a damping ratio under 0.4 % is a string or hum, not a body mode:
strings have 0.03-0.05 % (Lampis and others 2025, Proc. Mtgs. Acoust. 58, 035013, quoted), body modes 0.7 %
and more (Bissinger 2008, from memory). This does not hold for free plates and bars, whose damping can be
as low.

A first look goes by the notes the strings are meant to have (`kind_of`); once the strings themselves are
read (`resonance.modes.tuning`), their partials go by that (`with_read_strings`): a flat string is a string
still, and a narrow line beside a partial of a string that was read is none.
"""

from collections.abc import Sequence
from dataclasses import replace
from math import isfinite, nan

import numpy as np

from resonance.modes.mode import Mode, StringReading
from resonance.modes.ranges import OPEN_STRINGS
from resonance.modes.tuning import partial_of
from resonance.units import note_frequency

BODY_DAMPING = 0.004
HUM_WITHIN = 0.4  # Hz, plus 0.1 % of the frequency: mains wander
STRING_CENTS = 45.0  # a string not read may be this far off its note
MAINS = (50.0, 60.0)
SURELY_FALLS = 0.25  # uncertainty of ln damping below which a decay is one, and no hum


def assumed_strings(family: str, *, pitch_a4: float = 440.0) -> tuple[float, ...]:
    """Open strings of the family in Hz, equal temperament."""
    return tuple(note_frequency(name, pitch_a4=pitch_a4) for name in OPEN_STRINGS.get(family, ()))


def off_mains(frequency: float) -> float:
    """Distance in Hz from the nearest harmonic of 50 or 60 Hz."""
    return min(abs(frequency - mains * max(1, round(frequency / mains))) for mains in MAINS)


def is_hum(frequency: float, decay_rate: float, duration: float, *, log_damping_u: float = nan) -> bool:
    """Whether a resonance is a mains line: on a harmonic of 50 or 60 Hz and not dying away in the record.

    Parameters
    ----------
    frequency : float, Hz
    decay_rate : float, 1/s
    duration : float, s   length of the decay used
    log_damping_u : float   standard uncertainty of ln damping; a decay known well is no hum (an E string
        tuned pure lies on 660 Hz)
    """
    on_line = off_mains(frequency) < HUM_WITHIN + 0.001 * frequency
    fall = decay_rate * duration
    return on_line and fall < 1.0 and not (fall > 0.2 and log_damping_u < SURELY_FALLS)


def is_string(frequency: float, open_strings: Sequence[float]) -> bool:
    """Whether a frequency lies on a partial of one of the open strings (Hz), stiffness allowed for."""
    if not (isfinite(frequency) and frequency > 0.0):
        return False
    for string in open_strings:
        number = max(1, round(frequency / string))
        interval = 1200.0 * np.log2(frequency / (number * string))
        if -STRING_CENTS < interval < STRING_CENTS + 0.02 * number**2 and number <= 24:
            return True
    return False


def kind_of(
    frequency: float,
    damping: float,
    *,
    duration: float,
    strung: bool,
    open_strings: Sequence[float],
    log_damping_u: float = nan,
) -> str:
    """'hum', 'string', 'body' or 'unsure' from frequency (Hz), damping ratio and length of the decay (s)."""
    rate = 2.0 * np.pi * frequency * damping
    if is_hum(frequency, rate, duration, log_damping_u=log_damping_u if strung else nan):
        return "hum"
    if not strung or damping >= BODY_DAMPING:
        return "body"
    return "string" if is_string(frequency, open_strings) else "unsure"


def with_read_strings(mode: Mode, readings: Sequence[StringReading], open_strings: Sequence[float]) -> Mode:
    """Call a narrow line a string by the strings that were read, and by its note for those that were not.

    Parameters
    ----------
    mode : Mode   of kind 'string' or 'unsure' as `kind_of` gives it: narrow; others come back as they are
    readings : sequence of StringReading
    open_strings : sequence of float, Hz
    """
    if mode.kind not in ("string", "unsure"):
        return mode
    if any(partial_of(mode.frequency, reading) for reading in readings):
        return replace(mode, kind="string")
    read = {reading.nominal for reading in readings}
    silent = [string for string in open_strings if string not in read]
    return replace(mode, kind="string" if is_string(mode.frequency, silent) else "unsure")
