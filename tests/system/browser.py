"""A real Chromium for the pages: where it is, how it is started, and a bench for it to look at."""

import os
import re
import shutil
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

PACKAGES = "chromium"
FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
SIZES = {"laptop": {"width": 1280, "height": 900}, "tablet": {"width": 820, "height": 1180}}


def chromium():
    """Path of a Chromium that is installed; '' where there is none."""
    return shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome") or ""


def missing():
    """Say what is missing for a browser; '' when all is there."""
    try:
        import playwright.sync_api  # noqa: F401
    except ImportError:
        return "playwright missing; pip install playwright"
    return "" if chromium() else f"no Chromium; apt install {PACKAGES}"


@contextmanager
def browser():
    """Start a Chromium with an empty folder of its own."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        started = play.chromium.launch(executable_path=chromium(), args=list(FLAGS))
        try:
            yield started
        finally:
            started.close()


@contextmanager
def opened(started, size="laptop", *, touch=False, dark=False, errors=True):
    """Open a page of a size; an error on its console fails the test at the end, unless told not to."""
    context = started.new_context(
        viewport=SIZES[size],
        has_touch=touch,
        color_scheme="dark" if dark else "light",
        reduced_motion="reduce",
    )
    page = context.new_page()
    wrong = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda said: wrong.append(said.text) if said.type == "error" else None)
    page.set_default_timeout(20_000)
    try:
        yield page
    finally:
        context.close()
    assert not (errors and wrong), wrong


class Running(NamedTuple):
    """A bench that runs."""

    address: str
    pid: int


@contextmanager
def bench(shop_folder, *, environment=None, words=()):
    """Start `resonance bench`; give it with its `address` and `pid`."""
    process = subprocess.Popen(
        [sys.executable, "-m", "resonance.cli.main", "--shop", str(shop_folder), "bench", "--no-browser",
         "--port", "0", *words],
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2]), **(environment or {})},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
    )  # fmt: skip
    try:
        said = ""
        for line in process.stdout:
            said += line
            if found := re.search(r"on this computer:\s+(\S+)", said):
                yield Running(found[1].rstrip("/"), process.pid)
                break
        else:
            raise AssertionError(said + process.stderr.read())
    finally:
        process.terminate()
        try:
            process.wait(timeout=10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        process.stdout.close()
        process.stderr.close()
