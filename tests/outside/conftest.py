"""Recordings made by others, taken from package registries when the tests run.

Each is pinned by package version and by the SHA-256 of the very file used, and cached in
``$RESONANCE_TEST_CACHE`` (else the user's cache folder), so that a registry is asked once. Where it
cannot be asked the test skips and says why; on the build machine a skip fails (tests/conftest.py).

* npm ``tonejs-instrument-xylophone-wav`` 1.1.1, samples CC BY 3.0. Its README says: trimmed,
  levelled, "some pitch-correction where necessary".
* Debian ``sonic-pi-samples`` (3.2.2 when this was written), samples CC0.
"""

import hashlib
import os
import shutil
import subprocess
import tarfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import platformdirs
import pytest
import scipy


@dataclass(frozen=True)
class Sample:
    """One file of a package, with its hash."""

    registry: str
    package: str
    member: str
    sha256: str


SAMPLES = {
    "xylophone C5": Sample(
        "npm",
        "tonejs-instrument-xylophone-wav@1.1.1",
        "package/C5.wav",
        "b778cc2def9dd8dc406206e7eecdf43531528db221d9ee0743b0df4e7511610e",
    ),
    "xylophone C6": Sample(
        "npm",
        "tonejs-instrument-xylophone-wav@1.1.1",
        "package/C6.wav",
        "04695b856401266e5e86f52cc3f5ddde1cb89ce0eb81ee2e50fae000683e7569",
    ),
    "tabla": Sample(
        "debian",
        "sonic-pi-samples",
        "usr/share/sonic-pi/samples/tabla_tun1.flac",
        "b86e20c4654a07c01524547b75600a73c19cb1ce826f5709e4f348e752246651",
    ),
}


def digest(content):
    return hashlib.sha256(content).hexdigest()


def cache_folder():
    named = os.environ.get("RESONANCE_TEST_CACHE")
    return Path(named) if named else Path(platformdirs.user_cache_dir("resonance-tests"))


def run_client(command, folder):
    """Run a registry's own client in `folder`, or skip the test with what the client said."""
    if shutil.which(command[0]) is None:
        pytest.skip(f"{command[0]} is not installed, so its registry is out of reach")
    try:
        result = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=180)
    except subprocess.TimeoutExpired:
        pytest.skip(f"{' '.join(command)}: no answer within 180 s")
    if result.returncode != 0:
        pytest.skip(f"{' '.join(command)}: {result.stderr.strip()[-300:]}")


def bytes_from_npm(sample, folder):
    run_client(["npm", "pack", "--silent", sample.package], folder)
    with tarfile.open(next(folder.glob("*.tgz"))) as archive:
        return archive.extractfile(sample.member).read()


def bytes_from_debian(sample, folder):
    run_client(["apt-get", "download", "-qq", sample.package], folder)
    run_client(["dpkg-deb", "-x", next(folder.glob("*.deb")).name, "."], folder)
    return (folder / sample.member).read_bytes()


def fetch(sample, folder):
    """Give the path of a sample in the cache, asking its registry where the cache has none."""
    kept = cache_folder() / f"{sample.sha256[:16]}-{Path(sample.member).name}"
    if not (kept.is_file() and digest(kept.read_bytes()) == sample.sha256):
        found = {"npm": bytes_from_npm, "debian": bytes_from_debian}[sample.registry](sample, folder)
        assert digest(found) == sample.sha256, f"{sample.package} now holds another {sample.member}"
        kept.parent.mkdir(parents=True, exist_ok=True)
        part = kept.with_suffix(f".{os.getpid()}")
        part.write_bytes(found)
        part.replace(kept)
    return kept


@pytest.fixture(scope="session")
def sample(tmp_path_factory):
    """Fetch a recording by its name in `SAMPLES`."""
    return lambda name: fetch(SAMPLES[name], tmp_path_factory.mktemp("registry"))


def strike(modes, *, onsets, sample_rate, duration, snr_db, seed, pulse=0.001):
    """Taps on a body whose modes are known: the closed form, written apart from the package.

    Each mode answers an impulse with ``A exp(-zeta w t) sin(w sqrt(1 - zeta^2) t)``, w = 2 pi f; the blow
    is a half sine of `pulse` seconds; white noise lies under it all.

    Parameters
    ----------
    modes : sequence of (frequency, damping, amplitude)   the amplitude may be negative
    onsets : sequence of float, s   from each of them one blow, some harder than others
    duration : float, s
    snr_db : float   power of the first 0.25 s of the blows over that of the noise

    Returns
    -------
    array (n_samples, 1)
    """
    rng = np.random.default_rng(seed)
    time = np.arange(round(duration * sample_rate)) / sample_rate
    answer = np.zeros_like(time)
    for frequency, damping, amplitude in modes:
        w = 2 * np.pi * frequency
        answer += amplitude * np.exp(-damping * w * time) * np.sin(w * np.sqrt(1 - damping**2) * time)
    blows = np.zeros_like(time)
    n = round(pulse * sample_rate)
    for onset in onsets:
        start = round(onset * sample_rate)
        blows[start : start + n] += rng.uniform(0.7, 1.3) * np.sin(np.pi * np.arange(n) / n)
    sound = scipy.signal.fftconvolve(blows, answer)[: len(time)]
    quarter = round(0.25 * sample_rate)
    starts = [round(onset * sample_rate) for onset in onsets]
    power = np.mean([np.mean(sound[start : start + quarter] ** 2) for start in starts])
    sound += np.sqrt(power / 10 ** (snr_db / 10)) * rng.standard_normal(len(time))
    return (0.5 * sound / np.abs(sound).max())[:, None]


@pytest.fixture(scope="session")
def struck():
    """Make taps on a body of known modes; see `strike`."""
    return strike
