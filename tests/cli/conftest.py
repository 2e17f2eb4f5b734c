"""Running commands in process, and a made-up violin to run them on: seconds of sound with known modes."""

import io
import json
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass, replace

import numpy as np
import pytest

from resonance.cli.main import main
from resonance.sound.files import write_recording
from resonance.sound.synthesis import BodyMode, even_blows, tap_recording

# Frequencies and damping of one violin as published second-hand (Woodhouse, Euphonics 5.3, Fig. 5; damping
# within Bissinger 2008, from memory); amplitudes are ours.
TRUTH = (
    BodyMode(272.0, 0.025, 0.8, name="A0"),
    BodyMode(407.0, 0.011, 0.5, 1.0, name="CBR"),
    BodyMode(462.0, 0.013, 1.0, 2.0, name="B1-"),
    BodyMode(551.0, 0.012, 1.0, 0.5, name="B1+"),
    BodyMode(690.0, 0.012, 0.6, 3.0),
)
WIDEST = 100


@dataclass(frozen=True)
class Ran:
    """What a command gave back."""

    code: int
    out: str
    err: str

    @property
    def json(self):
        """The one object on stdout."""
        return json.loads(self.out)

    @property
    def text(self):
        """All that was printed, with line breaks taken out: wrapping is not what is tested."""
        return " ".join((self.out + " " + self.err).split())

    def done(self):
        """The command, after it was seen to have done its work within the width of the screen."""
        assert self.code == 0, self.err
        assert "Traceback" not in self.err
        assert max(map(len, self.out.splitlines()), default=0) <= WIDEST
        return self

    def failed(self, code):
        """The error, after it was seen to be one line on stderr with nothing else, and no traceback."""
        assert self.code == code, self.text
        assert self.out == ""
        assert len(self.err.strip().splitlines()) == 1
        assert self.err.startswith("resonance: ")
        assert "Traceback" not in self.err
        return self.err


def run_command(*words):
    """Run a command as the terminal would, without one."""
    out, err = (io.TextIOWrapper(io.BytesIO(), "utf-8", newline="") for _ in range(2))
    with redirect_stdout(out), redirect_stderr(err):
        code = main([str(word) for word in words])
        out.flush()
        err.flush()
    return Ran(code, out.buffer.getvalue().decode("utf-8"), err.buffer.getvalue().decode("utf-8"))


def a_violin(*, raised=0.0):
    """Modes of the made-up violin, both main body notes raised by so many Hz."""
    return [replace(m, frequency=m.frequency + raised * m.name.startswith("B1")) for m in TRUTH]


def record(path, *, raised=0.0, seed=1, count=5):
    """Write a recording of taps on the made-up violin."""
    rng = np.random.default_rng(seed)
    blows = even_blows(count, rng=rng, spacing=0.9)
    write_recording(tap_recording(a_violin(raised=raised), blows, rng=rng, snr_db=35.0), path)
    return path


@pytest.fixture
def command():
    """Run a command in process: ``command('job', 'list')`` gives what it printed and its exit code."""
    return run_command


@pytest.fixture(scope="session")
def sounds(tmp_path_factory):
    """Folder with before.wav, after.wav (main body notes 40 Hz higher) and again.wav (as before)."""
    folder = tmp_path_factory.mktemp("sounds")
    record(folder / "before.wav", seed=1)
    record(folder / "after.wav", seed=2, raised=40.0)
    record(folder / "again.wav", seed=3)
    return folder


@pytest.fixture(autouse=True)
def shop(tmp_path, monkeypatch):
    """A shop of the test's own, as the environment names it."""
    folder = tmp_path / "shop"
    monkeypatch.setenv("RESONANCE_SHOP", str(folder))
    monkeypatch.setenv("COLUMNS", str(WIDEST))
    monkeypatch.delenv("RESONANCE_DEBUG", raising=False)
    return folder


@pytest.fixture(scope="session")
def worked(sounds, tmp_path_factory):
    """A shop with a job 'fiddle': a tap set, an adjustment, a tap set; and what each command printed."""
    folder = tmp_path_factory.mktemp("worked") / "shop"
    where = ("--shop", folder)
    printed = {
        "new": run_command("job", "new", "fiddle", *where),
        "before": run_command("add", "fiddle", sounds / "before.wav", "--temperature", 20, *where),
        "adjust": run_command("adjust", "fiddle", "--part", "soundpost", "--along", -0.5, *where),
        "after": run_command(
            "add", "fiddle", sounds / "after.wav", "--temperature", 26, "--holding", "lap", *where
        ),
    }
    return folder, printed
