"""Codes with values: why a tap is refused, why a number is missing, what limits a verdict.

Codes are ASCII and stored; the words a maker reads live in `resonance.report.words`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Reason:
    """One reason: a stored code and the values that go with it.

    Parameters
    ----------
    code : str   lower-case ASCII words joined by underscores, e.g. ``'one_tap'``
    values : mapping of str to float, str or bool; bare numbers are Hz, s or dimensionless
    """

    code: str
    values: Mapping[str, float | str | bool] = field(default_factory=dict)


@dataclass(frozen=True)
class Fault:
    """One fault of a tap, e.g. ``Fault('double_hit', {'delay': 0.04})``; the same shape as a `Reason`."""

    code: str
    values: Mapping[str, float | str | bool] = field(default_factory=dict)
