"""What a sound server does to the microphone: which one it took, at what rate, through what filters.

Asked of PulseAudio or PipeWire by their own ``pactl``, where it is installed; elsewhere nothing is known and
nothing is said.

Reason codes
------------
gain_control_on : {source}           an echo canceller or the like stands before the microphone
rate_not_native : {rate, native}     the system changes the sample rate, Hz
"""

import json
import os
import re
import subprocess
from dataclasses import dataclass
from math import nan
from typing import Any

from resonance.reasons import Reason

WAIT = 2.0  # s
FILTERS = ("echo-cancel", "echo_cancel", "webrtc", "rnnoise", "noise-suppress")


@dataclass(frozen=True)
class Source:
    """The input that a sound server records from for this program.

    Parameters
    ----------
    name, description : str
    sample_rate : float, Hz   of the device itself
    filtered : bool   whether it stands behind an echo canceller or a noise suppressor
    """

    name: str
    description: str = ""
    sample_rate: float = nan
    filtered: bool = False


def source_in_use(process: int | None = None) -> Source | None:
    """Give the input that the server records from for a process (this one unless said); None if unknown."""
    wanted = str(os.getpid() if process is None else process)
    outputs, sources = _ask("source-outputs"), _ask("sources")
    taken = [each.get("source") for each in outputs if _property(each, "application.process.id") == wanted]
    found = [each for each in sources if taken and each.get("index") == taken[-1]]
    return _source(found[0]) if found else None


def source_reasons(source: Source | None, *, sample_rate: float) -> tuple[Reason, ...]:
    """Say what endangers a recording from an input."""
    if source is None:
        return ()
    reasons = []
    if source.filtered:
        reasons.append(Reason("gain_control_on", {"source": source.description or source.name}))
    if source.sample_rate == source.sample_rate and source.sample_rate != sample_rate:
        reasons.append(Reason("rate_not_native", {"rate": sample_rate, "native": source.sample_rate}))
    return tuple(reasons)


def gone_over(before: Source | None, after: Source | None) -> str:
    """Say that the server went over to another microphone without a word; '' where it did not."""
    if before is None or after is None or before.name == after.name:
        return ""
    names = [each.description or each.name for each in (before, after)]
    return (
        f"the system went over from {names[0]} to {names[1]}; see that the microphone is plugged in and "
        "start again: what was recorded is kept"
    )


def _source(entry: dict[str, Any]) -> Source:
    text = " ".join(
        str(part).lower()
        for part in (entry.get("name"), entry.get("driver"), _property(entry, "device.class"))
    )
    rate = re.search(r"(\d+) ?Hz", str(entry.get("sample_specification", "")))
    return Source(
        str(entry.get("name", "")),
        str(entry.get("description", "")),
        float(rate.group(1)) if rate else nan,
        any(word in text for word in FILTERS),
    )


def _property(entry: dict[str, Any], name: str) -> str:
    properties = entry.get("properties")
    return str(properties.get(name, "")) if isinstance(properties, dict) else ""


def _ask(what: str) -> list[dict[str, Any]]:
    """Give what pactl lists; nothing where it is missing, silent or of an old version."""
    try:
        result = subprocess.run(
            ["pactl", "--format=json", "list", what],
            capture_output=True,
            timeout=WAIT,
            check=True,
            stdin=subprocess.DEVNULL,
        )
        found = json.loads(result.stdout.decode("utf-8", "replace"))
    except (OSError, subprocess.SubprocessError, ValueError):
        return []
    return [each for each in found if isinstance(each, dict)] if isinstance(found, list) else []
