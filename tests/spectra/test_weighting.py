"""Frequency weightings against the printed table of the standard."""

import numpy as np
import pytest

from resonance.spectra.weighting import weighting_db, weighting_power

# IEC 61672-1:2013 Table 3, 10 Hz to 20 kHz (read in a public data file that quotes it, not in the standard)
A = [
    -70.4, -63.4, -56.7, -50.5, -44.7, -39.4, -34.6, -30.2, -26.2, -22.5, -19.1, -16.1, -13.4, -10.9, -8.6,
    -6.6, -4.8, -3.2, -1.9, -0.8, 0.0, 0.6, 1.0, 1.2, 1.3, 1.2, 1.0, 0.5, -0.1, -1.1, -2.5, -4.3, -6.6, -9.3,
]  # fmt: skip
C = [
    -14.3, -11.2, -8.5, -6.2, -4.4, -3.0, -2.0, -1.3, -0.8, -0.5, -0.3, -0.2, -0.1, 0.0, 0.0, 0.0, 0.0, 0.0,
    0.0, 0.0, 0.0, 0.0, -0.1, -0.2, -0.3, -0.5, -0.8, -1.3, -2.0, -3.0, -4.4, -6.2, -8.5, -11.2,
]  # fmt: skip
EXACT = 1000.0 * 10.0 ** (np.arange(-20, 14) / 10.0)  # the exact frequencies behind the nominal ones


@pytest.mark.parametrize(("weighting", "table"), [("A", A), ("C", C), ("Z", [0.0] * 34)])
def test_table_3_at_the_exact_frequencies(weighting, table):
    # 0.051 dB: the table is rounded to 0.1 dB, and one entry lies 0.0501 dB from the closed form
    assert np.max(np.abs(weighting_db(EXACT, weighting) - table)) <= 0.051


def test_power_is_the_gain_squared_and_nothing_passes_at_zero():
    assert weighting_power([1000.0, 100.0], "A") == pytest.approx([1.0, 10**-1.91], rel=0.02)
    assert weighting_power([0.0], "C") == 0.0


def test_another_weighting_is_refused():
    with pytest.raises(ValueError, match="one of A, C, Z"):
        weighting_db(100.0, "B")
