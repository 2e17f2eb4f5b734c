"""The guard against skips is itself tried, in a run of its own."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

SKIPPING = {
    "a test that skips": "import pytest\ndef test_it():\n    pytest.skip('the registry is out of reach')\n",
    "a marked test": (
        "import pytest\n@pytest.mark.skip(reason='the registry is out of reach')\ndef test_it(): pass\n"
    ),
    "a whole module": "import pytest\npytest.skip('the registry is out of reach', allow_module_level=True)\n",
    "an expected failure": (
        "import pytest\n@pytest.mark.xfail(reason='the registry is out of reach')\n"
        "def test_it(): assert False\n"
    ),
}


def run_pytest(folder, source, *, ci):
    (folder / "conftest.py").write_text((Path(__file__).parent / "conftest.py").read_text("utf-8"), "utf-8")
    (folder / "test_one.py").write_text(source + "\ndef test_other(): pass\n", "utf-8")
    (folder / "pytest.ini").write_text("[pytest]\n")
    environment = {name: value for name, value in os.environ.items() if name != "CI"}
    if ci:
        environment["CI"] = "true"
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "."]
    return subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, timeout=60)


@pytest.mark.parametrize("kind", SKIPPING)
def test_a_skip_fails_on_the_build_machine_and_says_why(tmp_path, kind):
    result = run_pytest(tmp_path, SKIPPING[kind], ci=True)
    assert result.returncode != 0
    assert "the registry is out of reach" in result.stdout


@pytest.mark.parametrize("kind", SKIPPING)
def test_a_skip_is_allowed_elsewhere(tmp_path, kind):
    assert run_pytest(tmp_path, SKIPPING[kind], ci=False).returncode in (0, 5)
