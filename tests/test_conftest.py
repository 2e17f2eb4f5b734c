"""The guard against skips is itself tried, in a run of its own."""

import os
import subprocess
import sys
from pathlib import Path

SKIPPING = {
    "call": "def test_it():\n    pytest.skip('the registry is out of reach')\n",
    "mark": "@pytest.mark.skip(reason='the registry is out of reach')\ndef test_it(): pass\n",
    "module": "pytest.skip('the registry is out of reach', allow_module_level=True)\n",
    "expected": "@pytest.mark.xfail(reason='the registry is out of reach')\ndef test_it(): assert False\n",
}


def run_pytest(folder, *, ci):
    """Run one passing test and one of each way to skip, with our conftest beside them."""
    (folder / "conftest.py").write_text((Path(__file__).parent / "conftest.py").read_text("utf-8"), "utf-8")
    (folder / "pytest.ini").write_text("[pytest]\n", "utf-8")
    (folder / "test_pass.py").write_text("def test_it(): pass\n", "utf-8")
    for name, source in SKIPPING.items():
        (folder / f"test_{name}.py").write_text(f"import pytest\n{source}", "utf-8")
    environment = {name: value for name, value in os.environ.items() if name != "CI"}
    if ci:
        environment["CI"] = "true"
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "--continue-on-collection-errors"]
    return subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, timeout=60)


def test_a_skip_fails_on_the_build_machine_and_says_why(tmp_path):
    result = run_pytest(tmp_path, ci=True)
    assert result.returncode != 0
    assert "1 passed" in result.stdout
    assert "skipped in" not in result.stdout
    lines = result.stdout.replace("Skipped: ", "").splitlines()
    for name in SKIPPING:
        said = [
            line for line in lines if f"test_{name}.py" in line and "allows no skip: the registry" in line
        ]
        assert said, name


def test_a_skip_is_allowed_elsewhere(tmp_path):
    result = run_pytest(tmp_path, ci=False)
    assert result.returncode == 0
    assert "1 passed, 3 skipped, 1 xfailed" in result.stdout


def test_this_run_is_guarded(request):
    assert request.config.pluginmanager.hasplugin(str(Path(__file__).parent / "conftest.py"))
