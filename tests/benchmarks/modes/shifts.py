"""Two tap sets of one instrument, compared the package's way and by plain peak picking.

The package's way is that of its commands: `analyse_set` for each, then `compare` with sound at hand, which
finds the second set's modes again from the first one's. Nothing was lifted between the two, and the
comparison is told so (put-back scatter 0): what is tested is what the sound alone tells. Peak picking calls a
shift where the two sets' Student intervals over single taps, added in squares, leave zero out.
"""

import time
from math import hypot, inf

import peers
import scene
from measure import in_band, nearest

from resonance.changes.compare import compare
from resonance.changes.comparison import Repeatability, Scatter
from resonance.sets.analyse import analyse_set

STILL = Repeatability(Scatter(0.0, dof=inf, kind="put back", source="this job"), n_repeats=3)
CLAIMS = ("moved", "appeared", "not found")


def compared(pair, seed):
    """Verdicts and errors of the shift for a pair of sets."""
    made = scene.make(pair.before, seed), scene.make(pair.after, seed, pair.session)
    start = time.process_time()
    before, after = (_analysed(one, str(k)) for k, one in enumerate(made))
    shifts = compare(before, after, repeatability=STILL).shifts
    seconds = time.process_time() - start
    by_place = {id(s): [s.before or s.after][0] for s in shifts}
    true_modes = {}
    for i in in_band(made[0]):
        mode = _of_true(made, i, list(by_place.values()))
        true_modes[i] = next((s for s in shifts if by_place[id(s)] is mode), None) if mode else None
    matched = {id(s) for s in true_modes.values() if s is not None}
    picked = [peers.read("FFT peaks", one)[0] for one in made]
    named = {}
    for name, i in made[0].named.items():
        truth = float(made[1].frequency[i] - made[0].frequency[i])
        named[name] = {**_row(true_modes[i], truth), **_plain(made, picked, i, truth)}
    return {
        "named": named,
        "claims": [s.verdict if s is not None else "" for s in true_modes.values()],
        "unmoved": [
            true_modes[i].verdict if true_modes[i] is not None else ""
            for i in true_modes
            if made[1].frequency[i] == made[0].frequency[i]
        ],
        "false": sum(s.verdict in CLAIMS for s in shifts if id(s) not in matched),
        "seconds": seconds,
    }


def _analysed(made, set_id):
    return analyse_set(
        made.takes, family=made.body.family, piece=made.body.piece, band=made.body.band,
        taps=made.taps, set_id=set_id,
    )  # fmt: skip


def _of_true(made, i, modes):
    """The mode of a comparison that is true mode i, by where it stood in either set."""
    found = [nearest(one, i, modes) for one in made]
    return next((mode for mode in found if mode is not None), None)


def _row(shift, truth):
    if shift is None:
        return {"verdict": "", "error": None, "u": None}
    paired = shift.before is not None and shift.after is not None
    return {
        "verdict": shift.verdict,
        "error": shift.shift - truth if paired else None,
        "u": shift.shift_u if paired else None,
    }


def _plain(made, picked, i, truth):
    """The same by peak picking."""
    found = [nearest(one, i, readings) for one, readings in zip(made, picked, strict=True)]
    if None in found:
        return {"plain_error": None, "plain_moved": False}
    difference = found[1].frequency - found[0].frequency
    return {
        "plain_error": difference - truth,
        "plain_moved": bool(abs(difference) > hypot(found[0].half, found[1].half)),
    }
