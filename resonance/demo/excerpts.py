"""The dozen recordings in `recordings_demo/`, cut from the scenario, with their truth.

    python -c "from resonance.demo import write_excerpts; write_excerpts('recordings_demo')"

makes them again: the same bytes with the same libsndfile, the same sound with any.
"""

import os
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from resonance.demo import scenario, truth
from resonance.demo.scenario import SITTINGS
from resonance.sound.files import flac_writer, write_recording


@dataclass(frozen=True)
class Excerpt:
    """One file: its name, the tap set and recording it is, and what it is good for."""

    name: str
    number: int
    index: int
    about: str


EXCERPTS = (
    Excerpt("before.flac", 12, 0, "before a post move"),
    Excerpt("after.flac", 13, 0, "after it: the post half a millimetre further from the bridge"),
    Excerpt("before_side.flac", 12, 1, "as before.flac, the microphone at the bass side"),
    Excerpt("after_side.flac", 13, 1, "as after.flac, the microphone at the bass side"),
    Excerpt("repeat_untouched.flac", 5, 0, "a repeat set, nothing touched since set04.flac"),
    Excerpt("set04.flac", 4, 0, "an ordinary tap set"),
    Excerpt("treble_corner.flac", 4, 2, "tapped at the treble corner"),
    Excerpt("straight_down.flac", 7, 2, "tapped straight down; a handling noise before the third tap"),
    Excerpt("double_hit.flac", 2, 0, "the third tap is a double hit"),
    Excerpt("clipped.flac", 3, 1, "the second tap is clipped"),
    Excerpt("dull.flac", 6, 0, "the last tap is dull, with the flesh of a finger"),
    Excerpt("chin_rest.flac", 14, 0, "with a chin rest fitted"),
)

_README = """\
# Made-up tap recordings

**Invented and synthesised.** No instrument stands behind these files. They are cut from the scenario that
`resonance demo` builds: a viola of 405 mm over its first seven weeks, with known resonances, a room, mains
hum, noise and some bad taps. `truth.json` says what is in each: the resonances (frequency in Hz, damping
ratio), the time of every tap and what is wrong with it.

| file | what it is |
|---|---|
{rows}

All are FLAC, 48 kHz, 24 bit, one channel. Tap places: {tap_places}. Microphone places:
{microphone_places}.

To make them again, in the folder above this one, with the program installed:

```sh
python -c "from resonance.demo import write_excerpts; write_excerpts('recordings_demo')"
```

The same bytes come out with the same writer ({encoder}); with another, the same sound. Licence: as the
program, BSD 3-Clause.
"""


def write_excerpts(
    folder: str | os.PathLike[str], *, progress: Callable[[float, str], None] | None = None
) -> list[Path]:
    """Write the recordings, `truth.json` and `README.md` into a folder; gives the sound files' paths."""
    where = Path(folder)
    where.mkdir(parents=True, exist_ok=True)
    paths, files = [], []
    for k, excerpt in enumerate(EXCERPTS):
        if progress is not None:
            progress(k / len(EXCERPTS), excerpt.name)
        recording = truth.take_recording(excerpt.number, excerpt.index, source=excerpt.name)
        paths.append(where / excerpt.name)
        files.append(_file_record(excerpt, write_recording(recording, paths[-1])))
    truth.write_truth(where / "truth.json", _record(files))
    (where / "README.md").write_text(_readme(), encoding="utf-8", newline="\n")
    return paths


def _file_record(excerpt: Excerpt, sha256: str) -> dict[str, Any]:
    """What is in one file."""
    take = truth.take_truth(excerpt.number, excerpt.index)
    return {
        "file": excerpt.name,
        "about": excerpt.about,
        "set": excerpt.number,
        "sha256": sha256,
        **asdict(take),
    }


def _record(files: list[dict[str, Any]]) -> dict[str, Any]:
    """What `truth.json` holds."""
    wanted = sorted({f["set"] for f in files})
    sets = [asdict(truth.set_truth(s.number)) for s in SITTINGS if s.number in wanted]
    for tap_set in sets:
        del tap_set["takes"]
    return {
        "invented": truth.INVENTED,
        "encoder": flac_writer(),
        "files": files,
        "sets": sets,
    }


def _readme() -> str:
    """Text of the folder's README."""
    rows = "\n".join(f"| `{e.name}` | {e.about} |" for e in EXCERPTS)
    return _README.format(
        rows=rows,
        tap_places="; ".join((scenario.BASS, scenario.TREBLE, scenario.DOWN)),
        microphone_places="; ".join((scenario.NEAR, scenario.SIDE)),
        encoder=flac_writer(),
    )
