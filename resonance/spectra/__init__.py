"""Spectra: bins, bands, windows."""
