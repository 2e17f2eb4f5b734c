"""One tap set through the package, or through the peers: errors, intervals, false modes, time."""

import time

import bound
import numpy as np
import peers
import scene

from resonance.modes.estimate import find_modes
from resonance.modes.intervals import damping_half_width, frequency_half_width, half_width


def ours(case, seed):
    """What the package gives for a set."""
    made = scene.make(case, seed)
    start = time.process_time()
    result = find_modes(
        made.takes, made.taps, band=made.body.band, family=made.body.family, piece=made.body.piece,
        open_strings=scene.OPEN_STRINGS if case.body == "violin" else None,
    )  # fmt: skip
    seconds = time.process_time() - start
    modes = [m for m in result.modes if m.kind in ("body", "air")]
    readings = [
        peers.Reading(m.frequency, m.damping, frequency_half_width(m), damping_half_width(m)) for m in modes
    ]
    record = _record(made, readings, seconds)
    for name, i in made.named.items():
        near = nearest(made, i, modes)
        taps_only = half_width(near.frequency_u, near.frequency_dof) if near else float("nan")
        record["named"][name]["taps_half"] = taps_only
    return {**record, "refused": not result.modes, "reasons": [reason.code for reason in result.reasons]}


def others(case, seed):
    """What each peer gives for a set, by its name."""
    made = scene.make(case, seed)
    out = {}
    for name in peers.METHODS:
        start = time.process_time()
        readings, failed = peers.read(name, made)
        out[name] = {**_record(made, readings, time.process_time() - start), "failed": failed}
    return out


def _record(made, readings, seconds):
    rows = {i: row(made, i, readings) for i in in_band(made)}
    bounds = bound.frequency_bounds(made, list(made.named.values()))
    return {
        "named": {
            name: {**rows[i], "bound": float(b)}
            for (name, i), b in zip(made.named.items(), bounds, strict=True)
        },
        "all": list(rows.values()),
        "false": false_modes(made, readings),
        "seconds": seconds,
    }


def in_band(made):
    """Indices of the true body modes inside the band."""
    low, high = made.body.band
    return [i for i in range(made.n_body) if low < made.frequency[i] < high]


def nearest(made, i, readings):
    """The reading nearest to true mode i, None where none is within its bandwidth's half, at least 1 Hz."""
    true = float(made.frequency[i])
    near = [m for m in readings if abs(m.frequency - true) < max(1.0, float(made.damping[i]) * true)]
    return min(near, key=lambda m: abs(m.frequency - true), default=None)


def row(made, i, readings):
    """The reading of one true mode: error and half width of frequency (Hz) and of damping (relative)."""
    true, damping = float(made.frequency[i]), float(made.damping[i])
    mode = nearest(made, i, readings)
    if mode is None:
        return {"error": None}
    return {
        "error": mode.frequency - true,
        "half": mode.half,
        "damping_error": (mode.damping - damping) / damping,
        "damping_half": mode.damping_half / damping,
    }


def false_modes(made, readings):
    """How many readings are near no true mode, string or body."""
    width = np.maximum(made.damping * made.frequency, 1.5)
    return sum(bool(np.min(np.abs(made.frequency - m.frequency) / width) > 1.0) for m in readings)
