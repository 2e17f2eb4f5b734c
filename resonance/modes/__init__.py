"""Modes: the poles of the body from the taps of one set."""
