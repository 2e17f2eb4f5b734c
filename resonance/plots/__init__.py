"""Plots: results in, matplotlib axes out; nothing computed."""
