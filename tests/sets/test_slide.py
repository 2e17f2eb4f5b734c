"""Hills held against tap readings."""

from math import isnan

import pytest

from resonance.modes.mode import Mode
from resonance.sets.slide import match_hills
from resonance.spectra.slide import Hill, SlideCurve


def test_each_hill_takes_its_nearest_body_mode():
    curve = SlideCurve(hills=(Hill(275.0, 1.5, 12.0), Hill(470.0, 2.0, 9.0), Hill(800.0, 3.0, 5.0)))
    modes = [
        Mode(273.0, 0.02, frequency_u=0.5, kind="air", label="A0"),
        Mode(460.0, 0.01, frequency_u=0.3, kind="body"),
        Mode(801.0, 0.0004, kind="string"),
    ]
    first, second, third = match_hills(curve, modes)
    assert (first.label, first.agrees) == ("A0", True)
    assert first.apart == pytest.approx(2.0)
    assert first.apart_u == pytest.approx((1.5**2 + 0.5**2) ** 0.5)
    assert (second.mode, second.agrees) == (460.0, False)
    assert isnan(third.mode)
