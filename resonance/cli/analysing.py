"""From file names to an analysed tap set, as several commands need it.

Numerical libraries run on one thread here: the matrices are small, and threads only get in each other's
way. Everything heavy is imported when first used, so that ``resonance --help`` stays quick.
"""

import glob
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from resonance.cli.options import UsageError
from resonance.errors import SoundFileError
from resonance.sets.tapset import TapSet
from resonance.sound.recording import Take

Progress = Callable[[float, str], None]
READING = 0.1  # share of the progress line that reading the files takes


@contextmanager
def one_thread() -> Iterator[None]:
    """Keep the numerical libraries on one thread within the block."""
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=1):
        yield


def sound_paths(names: Sequence[str]) -> list[Path]:
    """Give the files meant; names with ``*`` or ``?`` are filled in where the shell has not done it.

    Raises
    ------
    SoundFileError   when a name fits no file, names a folder, or a file is named twice
    """
    paths: list[Path] = []
    for name in names:
        found = [Path(name)]
        if not Path(name).exists() and any(sign in name for sign in "*?"):
            found = [Path(match) for match in sorted(glob.glob(name))]
        if not found:
            raise SoundFileError(f"no file fits {name}; check the folder and the ending")
        paths.extend(found)
    seen: set[Path] = set()
    for path in paths:
        if path.is_dir():
            raise SoundFileError(f"{path} is a folder; name the recordings in it, e.g. {path / '*.wav'}")
        if path.resolve() in seen:
            raise SoundFileError(f"{path.name} is named twice; name each recording once")
        seen.add(path.resolve())
    return paths


def read_takes(
    paths: Sequence[Path],
    *,
    tap_places: Sequence[str] = (),
    microphone_places: Sequence[str] = (),
    progress: Progress,
) -> list[Take]:
    """Read sound files, one take each.

    Parameters
    ----------
    paths : one file at least
    tap_places, microphone_places : none, one for all files, or one a file in the same order

    Raises
    ------
    SoundFileError   when a file cannot be read
    UsageError       when the number of places fits neither one nor the number of files
    """
    from resonance.sound.files import read_recording

    taps_at = _spread(tap_places, len(paths), "--place")
    heard_at = _spread(microphone_places, len(paths), "--mic")
    takes: list[Take] = []
    for k, path in enumerate(paths):
        progress(READING * k / len(paths), f"reading {path.name}")
        takes.append(Take(read_recording(path), taps_at[k], heard_at[k]))
    return takes


def _spread(places: Sequence[str], n_files: int, option: str) -> list[str]:
    if len(places) in (0, 1):
        return [places[0] if places else ""] * n_files
    if len(places) != n_files:
        raise UsageError(
            f"{option} is given {len(places)} times for {n_files} files; give it once, or once a file"
        )
    return list(places)


def _see_channel(takes: Sequence[Take], channel: int | None) -> None:
    """Say so when a recording has no such channel (counted from 0)."""
    for take in takes:
        n = take.recording.n_channels
        if channel is not None and channel >= n:
            has = "one channel" if n == 1 else f"{n} channels"
            raise SoundFileError(f"{take.recording.source} has {has}; there is no channel {channel + 1}")


def analyse(takes: Sequence[Take], *, progress: Progress, **settings: Any) -> TapSet:
    """Find taps and modes of one tap set; `settings` are those of `resonance.sets.analyse.analyse_set`."""
    from resonance.sets.analyse import analyse_set

    def rest(fraction: float, text: str) -> None:
        progress(READING + (0.95 - READING) * fraction, text)

    _see_channel(takes, settings.get("channel"))
    with one_thread():
        return analyse_set(takes, progress=rest, **settings)
