"""The pairs of a comparison judged, with both sounds as witnesses where they are at hand.

What two lists pair by frequency is checked by reading each mode in both sounds (`together`). A pair whose
readings lie far apart, but of which each mode still stands where it was in the other sound too, is no mode
that moved but two that one list tells each. Where only one of them does, nothing can be said. A pair that
another pairing could as well explain is sure where by either list the mode stayed where it was.
"""

from dataclasses import replace

from resonance.changes.pair import Pair, Pairing
from resonance.changes.shifts import Judged, Yardsticks, judge_pair
from resonance.changes.together import Together, by_one_list, found_in_other, shift_of, stayed
from resonance.reasons import Reason
from resonance.sets.tapset import TapSet


def judge_pairing(
    before: TapSet, after: TapSet, pairing: Pairing, yard: Yardsticks, together: Together | None
) -> tuple[Pairing, list[Judged]]:
    """Judge every pair, and the modes that one list alone tells but both sounds show.

    Returns
    -------
    (pairing, judged) : what stayed alone, without those that both sounds show; one row a mode
    """
    if together is None:
        return pairing, [
            judge_pair(before.modes[p.before], after.modes[p.after], p, yard) for p in pairing.pairs
        ]
    rows: list[Judged] = []
    for pair in pairing.pairs:
        rows += _rows_of_pair(before, after, pair, yard, together)
    left = []
    for in_before, lones in ((True, pairing.only_before), (False, pairing.only_after)):
        found = [_row_of_one(before, after, lone.index, yard, together, in_before) for lone in lones]
        rows += [row for row in found if row is not None]
        left.append(tuple(lone for lone, row in zip(lones, found, strict=True) if row is None))
    return replace(pairing, only_before=left[0], only_after=left[1]), rows


def _rows_of_pair(
    before: TapSet, after: TapSet, pair: Pair, yard: Yardsticks, together: Together
) -> list[Judged]:
    one, other = before.modes[pair.before], after.modes[pair.after]
    one_list = shift_of(together, one, other)
    if one_list is not None:
        sure = pair.ambiguous and stayed(together, one, other)
        return [judge_pair(one, other, replace(pair, ambiguous=False) if sure else pair, yard, one_list)]
    if pair.tied_by:
        return [judge_pair(one, other, pair, yard)]
    still = [
        row
        for index, in_before in ((pair.before, True), (pair.after, False))
        if (row := _row_of_one(before, after, index, yard, together, in_before)) is not None
    ]
    if len(still) == 2:
        return still
    return [judge_pair(one, other, replace(pair, ambiguous=True) if still else pair, yard)]


def _row_of_one(
    before: TapSet, after: TapSet, index: int, yard: Yardsticks, together: Together, in_before: bool
) -> Judged | None:
    """Judge a mode of one set by its own list, where the other sound shows it too."""
    mode = (before if in_before else after).modes[index]
    other = found_in_other(together, mode, in_before=in_before)
    one_list = by_one_list(together, mode, in_before=in_before)
    if other is None or one_list is None:
        return None
    sides = (mode, other) if in_before else (other, mode)
    row = judge_pair(*sides, Pair(index, index), yard, one_list)
    return replace(row, reasons=(*row.reasons, Reason("by_one_list")))
