"""Numbers as a maker reads them: rounded to their uncertainty, with the unit, a true minus and a ±.

A ± is always half the width of a 95 % interval. It is shown with one or two digits by the rule of the
Particle Data Group (Review of Particle Physics, introduction; from memory): leading digits 10 to 35 keep two
digits, 36 and up keep one, 95 and up become 10. The value ends at the same place. A number that is not
known says so; an uncertainty that is not known is never shown as 0.
"""

import re
from math import ceil, floor, isfinite, log10, nan

UNKNOWN = "not known"
FINEST = 3  # decimals shown at most
NO_BREAK = "\N{NO-BREAK SPACE}"
_LOOSE = re.compile(r"(?<=\d) (?=(?:[±→]|Hz|cents?|dB|%|mm|ms|s|°C|g|N|to \d)(?:\W|$))|(?<=[±→]) (?=\d)")


def decimals_of(half_width: float, *, otherwise: int = 1) -> int:
    """Give the decimals that a half width calls for (negative: tens, hundreds); `otherwise` if not known."""
    if not isfinite(half_width) or half_width <= 0.0:
        return otherwise
    exponent = floor(log10(half_width))
    leading = round(half_width / 10.0 ** (exponent - 1))
    return min(FINEST, 1 - exponent if leading <= 35 else -exponent)


def number(value: float, decimals: int = 1, *, signed: bool = False) -> str:
    """Write a number with so many decimals and a true minus sign; 'not known' when it is not finite.

    Negative decimals round to tens or hundreds. `signed` puts a plus before a positive number.
    """
    if not isfinite(value):
        return UNKNOWN
    rounded = round(value, decimals)
    text = f"{abs(rounded):.{max(0, decimals)}f}"
    if rounded == 0.0:
        return text
    return f"−{text}" if rounded < 0.0 else f"+{text}" if signed else text


def measured(
    value: float, half_width: float = nan, unit: str = "", *, decimals: int = 1, signed: bool = False
) -> str:
    """Write a value with its half width and unit, e.g. ``461.8 ± 0.6 Hz``.

    Parameters
    ----------
    value, half_width : float
    unit : str   put behind, '' for none
    decimals : int   used when the half width is not known
    signed : bool   write a plus before a positive value

    Returns
    -------
    str : 'not known' when the value is not finite; ``461.8 Hz, ± not known`` when its uncertainty is not
    """
    if not isfinite(value):
        return UNKNOWN
    places = decimals_of(half_width, otherwise=decimals)
    shown = number(value, places, signed=signed)
    if not isfinite(half_width) or half_width <= 0.0:
        return f"{with_unit(shown, unit)}, ± {UNKNOWN}"
    return with_unit(f"{shown} ± {half_width_text(half_width)}", unit)


def half_width_text(half_width: float) -> str:
    """Write a half width by the rule of this module; one too fine to show is rounded up, never to 0."""
    if not isfinite(half_width) or half_width <= 0.0:
        return UNKNOWN
    places = decimals_of(half_width)
    finest = 10.0**-FINEST
    return number(max(half_width, finest), places)


def limit(value: float, unit: str = "") -> str:
    """Write a limit such as a least detectable shift, rounded up to two digits."""
    if not isfinite(value) or value <= 0.0:
        return UNKNOWN
    places = min(FINEST, 1 - floor(log10(value)))
    step = 10.0**-places
    return with_unit(number(ceil(value / step - 1e-9) * step, places), unit)


def with_unit(text: str, unit: str) -> str:
    """Put a unit behind a number, with a space between."""
    return f"{text} {unit}" if unit else text


def plain(value: float, unit: str = "", *, digits: int = 4) -> str:
    """Write a number as noted by the maker: at most so many significant digits, no needless zeros."""
    if not isfinite(value):
        return UNKNOWN
    places = max(0, digits - 1 - floor(log10(abs(value)))) if value else 0
    text = number(value, min(FINEST, places))
    return with_unit(text.rstrip("0").rstrip(".") if "." in text else text, unit)


def about_cents(value: float) -> str:
    """Write an interval in whole cents without its sign, e.g. ``7 cents``."""
    if not isfinite(value):
        return f"cents {UNKNOWN}"
    whole = round(abs(value))
    if whole == 0:
        return "under 1 cent"
    return "1 cent" if whole == 1 else f"{whole} cents"


def tied(text: str) -> str:
    """Keep each number together with its ±, its arrow and its unit by no-break spaces."""
    return _LOOSE.sub(NO_BREAK, text)
