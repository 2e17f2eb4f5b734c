"""A mode that becomes two for a while and one again.

The fingerboard does it to B1+: two peaks, 513 and 524 Hz on two instruments, that differ only in the phase
of the fingerboard's end (Schleske, research handbook). A second mode that no tap set before it showed,
beside a followed one and with the place where that one should be between the two, may be such a half.
Neither half is the mode as it was: both say so, and no verdict should rest on them.

Reason code of a mode
---------------------
may_be_split : {'other'}   with the one at 'other' Hz it may be one mode become two for a while
"""

from collections.abc import Sequence
from dataclasses import replace

from resonance.changes.pair import is_body
from resonance.modes.mode import Mode
from resonance.reasons import Reason
from resonance.sets.tapset import TapSet
from resonance.units import cents

APART_CENTS = 60.0  # at most; Schleske's two: 37
BESIDE_CENTS = 10.0  # how far outside the two the one mode may have stood
SEEN_BEFORE = 2  # tap sets that showed one mode, at least


def with_splits(sets: Sequence[TapSet], common_cents: Sequence[float]) -> tuple[TapSet, ...]:
    """Note at both halves of a mode that it may have split.

    Parameters
    ----------
    sets : sequence of TapSet   every mode with its track
    common_cents : sequence of float   common shift of each tap set against the first one
    """
    tracks: dict[str, dict[int, Mode]] = {}
    for place, tap_set in enumerate(sets):
        for mode in filter(is_body, tap_set.modes):
            tracks.setdefault(mode.track or "", {})[place] = mode
    noted: dict[tuple[int, str], float] = {}
    for half, readings in tracks.items():
        for whole, others in tracks.items():
            if half != whole and _begins_beside(readings, others, common_cents):
                for place in readings.keys() & others.keys():
                    noted[place, half] = others[place].frequency
                    noted[place, whole] = readings[place].frequency
    return tuple(
        replace(
            tap_set, modes=tuple(_noted(mode, noted.get((place, mode.track or ""))) for mode in tap_set.modes)
        )
        for place, tap_set in enumerate(sets)
    )


def _begins_beside(half: dict[int, Mode], whole: dict[int, Mode], common_cents: Sequence[float]) -> bool:
    """Whether one track begins where another, seen alone before, comes to stand on the other side."""
    start = min(half)
    before = [place for place in whole if place < start]
    if len(before) < SEEN_BEFORE or start not in whole:
        return False
    last = max(before)
    expected = whole[last].frequency * 2.0 ** ((common_cents[start] - common_cents[last]) / 1200.0)
    ways = sorted(float(cents(each[start].frequency, expected)) for each in (half, whole))
    beside = ways[0] <= BESIDE_CENTS and ways[1] >= -BESIDE_CENTS
    return beside and ways[1] - ways[0] <= APART_CENTS


def _noted(mode: Mode, other: float | None) -> Mode:
    if other is None:
        return mode
    return replace(mode, reasons=(*mode.reasons, Reason("may_be_split", {"other": other})))
