"""Lint, format and types, so that the one test command says it all."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
CHECKS = {
    "lint": ["ruff", "check", "."],
    "format": ["ruff", "format", "--check", "."],
    "types": ["mypy"],
}


@pytest.mark.slow
@pytest.mark.parametrize("check", CHECKS)
def test_style(check):
    result = subprocess.run(
        [sys.executable, "-m", *CHECKS[check]], cwd=ROOT, capture_output=True, text=True, timeout=600
    )
    assert result.returncode == 0, f"{' '.join(CHECKS[check])}\n{result.stdout}{result.stderr}"
