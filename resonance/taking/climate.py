"""The air at the bench from the last line of a logger's file: CSV with commas, semicolons or tabs. Pure."""

import re
from collections.abc import Sequence

from resonance.errors import ResonanceError
from resonance.sets.tapset import Climate

TEMPERATURE = re.compile(r"temp|°\s*[cf]|celsius|fahrenheit", re.I)
HUMIDITY = re.compile(r"hum|\brh\b|feucht|%", re.I)
FAHRENHEIT = re.compile(r"°\s*f|fahrenheit|\(f\)|_f\b", re.I)
COLDEST, WARMEST = -30.0, 60.0  # deg C that a workshop may have


def last_climate(text: str, *, name: str = "the file") -> Climate:
    """Read temperature and humidity from the last line that holds numbers.

    The columns are found by their heads (temperature, humidity, RH ...; degrees Fahrenheit are turned into
    Celsius). A file without heads is not guessed at.

    Raises
    ------
    ResonanceError   when no such column, or no sensible number, is found
    """
    lines = [line for line in text.lstrip("\ufeff").splitlines() if line.strip()]
    sign = next((each for each in ";\t" if lines and each in lines[-1]), ",")  # a comma may be a decimal one
    rows = [[cell.strip().strip('"') for cell in line.split(sign)] for line in lines]
    heads = next((row for row in rows if any(TEMPERATURE.search(cell) for cell in row)), None)
    if heads is None:
        raise ResonanceError(
            f"{name} has no column called temperature; see that its first line names columns"
        )
    warm = _value(rows[-1], heads, TEMPERATURE)
    damp = _value(rows[-1], heads, HUMIDITY)
    if warm is not None and FAHRENHEIT.search(_head(heads, TEMPERATURE)):
        warm = (warm - 32.0) / 1.8
    if warm is None or not COLDEST <= warm <= WARMEST or (damp is not None and not 0.0 < damp <= 100.0):
        raise ResonanceError(f"the last line of {name} holds no sensible temperature and humidity")
    return Climate(round(warm, 2), damp)


def _head(heads: Sequence[str], wanted: re.Pattern[str]) -> str:
    return next((head for head in heads if wanted.search(head)), "")


def _value(row: Sequence[str], heads: Sequence[str], wanted: re.Pattern[str]) -> float | None:
    for cell, head in zip(row, heads, strict=False):
        if wanted.search(head):
            found = re.search(r"-?\d+(?:[.,]\d+)?", cell)
            return float(found.group().replace(",", ".")) if found else None
    return None
