"""A made-up viola over seven weeks, with its truth beside it; for a first look and for tests."""

from resonance.demo.build import build_demo
from resonance.demo.excerpts import write_excerpts

__all__ = ["build_demo", "write_excerpts"]
