"""The built wheel, away from the checkout: what is in it, and that it works on a machine with nothing else.

The README's demo line is run word for word in a copy of the checkout; then the wheel itself goes over it.
"""

import json
import os
import re
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
LEFT_OUT = (
    ".git", ".venv", "build", "dist", "*.egg-info", "__pycache__", ".*_cache", ".hypothesis",
    "resonance-demo*",
)  # fmt: skip

pytestmark = pytest.mark.slow


def run(command, *, cwd, env=None, timeout=900):
    """Run a command; on failure show what it said."""
    shell = isinstance(command, str)
    result = subprocess.run(
        command, cwd=cwd, env=env, shell=shell, stdin=subprocess.DEVNULL, capture_output=True, text=True,
        encoding="utf-8", timeout=timeout,
    )  # fmt: skip
    assert result.returncode == 0, f"{command}\n{result.stdout[-3000:]}\n{result.stderr[-3000:]}"
    return result


@pytest.fixture(scope="module")
def checkout(tmp_path_factory):
    """A copy of the checkout without what git does not hold."""
    folder = tmp_path_factory.mktemp("fresh") / "resonance"
    shutil.copytree(ROOT, folder, ignore=shutil.ignore_patterns(*LEFT_OUT))
    return folder


@pytest.fixture(scope="module")
def wheel(checkout, tmp_path_factory):
    out = tmp_path_factory.mktemp("dist")
    run([sys.executable, "-m", "build", "--wheel", "--outdir", str(out), str(checkout)], cwd=out)
    (built,) = out.glob("*.whl")
    return built


@pytest.fixture(scope="module")
def environment(tmp_path_factory):
    """What a user's shell has, with a data folder of its own and nothing that leads back here."""
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "VIRTUAL_ENV", "RESONANCE"))}
    return kept | {"XDG_DATA_HOME": str(tmp_path_factory.mktemp("data")), "PYTHONDONTWRITEBYTECODE": "1"}


@pytest.fixture(scope="module")
def demo(checkout, environment):
    """What the README's demo line says, run in a fresh copy."""
    lines = re.findall(
        r"^ *(python3 -m venv .*resonance demo.*)$", (ROOT / "README.md").read_text("utf-8"), re.M
    )
    assert len(lines) == 1
    return run(lines[0], cwd=checkout, env=environment)


@pytest.fixture(scope="module")
def resonance(checkout, demo, wheel, environment, tmp_path_factory):
    """The command of the wheel, to be run in an empty folder."""
    folder = tmp_path_factory.mktemp("elsewhere")
    scripts = checkout / ".venv" / ("Scripts" if os.name == "nt" else "bin")
    run(
        [scripts / "python", "-m", "pip", "install", "-q", "--force-reinstall", "--no-deps", wheel],
        cwd=folder,
    )
    return lambda *words: run([scripts / "resonance", *map(str, words)], cwd=folder, env=environment)


def test_wheel_holds_every_file_of_the_package(wheel):
    inside = {name for name in zipfile.ZipFile(wheel).namelist() if name.startswith("resonance/")}
    wanted = {
        path.relative_to(ROOT).as_posix()
        for path in (ROOT / "resonance").rglob("*")
        if path.is_file() and path.suffix != ".pyc"
    }
    assert inside == wanted
    assert "resonance/py.typed" in inside
    assert any(name.startswith("resonance/report/templates/") for name in inside)


def test_wheel_says_what_it_is(wheel):
    archive = zipfile.ZipFile(wheel)
    (name,) = (name for name in archive.namelist() if name.endswith(".dist-info/METADATA"))
    metadata = archive.read(name).decode("utf-8")
    assert "\nName: resonance-bench\n" in metadata
    assert "\nLicense-Expression: BSD-3-Clause\n" in metadata
    assert "\nRequires-Python: >=3.11\n" in metadata
    assert {"phone", "dev"} == set(re.findall(r"^Provides-Extra: (\w+)$", metadata, re.M))
    assert any(name.endswith(".dist-info/licenses/LICENSE") for name in archive.namelist())


def test_readme_demo_line_runs_on_a_fresh_machine(demo, checkout):
    assert "B1" in demo.stdout
    assert "invented" in demo.stdout.lower()
    page = (checkout / "resonance-demo" / "report.html").read_text("utf-8")
    assert page.lstrip().lower().startswith("<!doctype html>")
    assert page.count("<svg") > 1


def test_help_and_version(resonance):
    assert "resonance compare" in resonance("--help").stdout
    assert resonance("--version").stdout.startswith("resonance ")


def test_modes_of_a_demo_recording(resonance, checkout):
    sound = sorted((checkout / "recordings_demo").glob("*.flac"))[0]
    found = json.loads(resonance("modes", sound, "--family", "viola", "--json").stdout)
    assert found["modes"]
    assert all(mode["frequency"] > 0 for mode in found["modes"])


def test_report_of_the_demo_job(resonance, demo, checkout, tmp_path):
    shop = checkout / "resonance-demo" / "shop"
    (job,) = json.loads(resonance("job", "list", "--json", "--shop", shop).stdout)["jobs"]
    out = tmp_path / "report.html"
    resonance("report", job["id"], "--out", out, "--shop", shop)
    page = out.read_text("utf-8")
    assert page.lstrip().lower().startswith("<!doctype html>")
    assert "<svg" in page


def test_before_and_after_with_a_shop_of_ones_own(resonance, checkout):
    sounds = checkout / "recordings_demo"
    resonance("job", "new", "my-viola", "--family", "viola")
    resonance("add", "my-viola", sounds / "before.flac")
    resonance("adjust", "my-viola", "--part", "soundpost", "--along", "0.5")
    resonance("add", "my-viola", sounds / "after.flac")
    shifts = json.loads(resonance("compare", "my-viola", "--json").stdout)["shifts"]
    assert len([shift for shift in shifts if shift["before"] and shift["after"]]) > 3
