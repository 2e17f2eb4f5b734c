"""Taps: finding the blows in a recording and vetting them."""
