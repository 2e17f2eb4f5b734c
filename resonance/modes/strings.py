"""What is not the body: string partials and mains hum.

On a strung instrument a resonance with a damping ratio under 0.4 % is a string or hum, not a body mode:
strings have 0.03-0.05 % (Lampis and others 2025, Proc. Mtgs. Acoust. 58, 035013, quoted), body modes 0.7 %
and more (Bissinger 2008, from memory). This does not hold for free plates and bars, whose damping can be
as low.
"""

from collections.abc import Sequence

import numpy as np

from resonance.modes.ranges import OPEN_STRINGS
from resonance.units import note_frequency

BODY_DAMPING = 0.004
HUM_WITHIN = 0.4  # Hz, plus 0.1 % of the frequency: mains wander
STRING_CENTS = 45.0  # a string may be this far off its note
MAINS = (50.0, 60.0)


def assumed_strings(family: str, *, pitch_a4: float = 440.0) -> tuple[float, ...]:
    """Open strings of the family in Hz, equal temperament."""
    return tuple(note_frequency(name, pitch_a4=pitch_a4) for name in OPEN_STRINGS.get(family, ()))


def is_hum(frequency: float, decay_rate: float, duration: float) -> bool:
    """Whether a resonance is a mains line: on a harmonic of 50 or 60 Hz and not dying away in the record.

    Parameters
    ----------
    frequency : float, Hz
    decay_rate : float, 1/s
    duration : float, s   length of the decay used
    """
    on_line = any(
        abs(frequency - mains * max(1, round(frequency / mains))) < HUM_WITHIN + 0.001 * frequency
        for mains in MAINS
    )
    return on_line and decay_rate * duration < 1.0


def is_string(frequency: float, open_strings: Sequence[float]) -> bool:
    """Whether a frequency lies on a partial of one of the open strings (Hz), stiffness allowed for."""
    for string in open_strings:
        number = max(1, round(frequency / string))
        interval = 1200.0 * np.log2(frequency / (number * string))
        if -STRING_CENTS < interval < STRING_CENTS + 0.02 * number**2 and number <= 24:
            return True
    return False


def kind_of(
    frequency: float, damping: float, *, duration: float, strung: bool, open_strings: Sequence[float]
) -> str:
    """'hum', 'string', 'body' or 'unsure' from frequency (Hz), damping ratio and length of the decay (s)."""
    if is_hum(frequency, 2.0 * np.pi * frequency * damping, duration):
        return "hum"
    if not strung or damping >= BODY_DAMPING:
        return "body"
    return "string" if is_string(frequency, open_strings) else "unsure"
