"""Tap-tone and resonance analysis for makers of the violin family."""

__version__ = "0.1.0"
