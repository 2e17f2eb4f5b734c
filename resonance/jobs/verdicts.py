"""The maker's word, laid over an analysis when a tap set is read: names, same modes, taps. Pure.

A verdict names a mode by its tap set and frequency, so that it finds the mode again in a later analysis.

Reason codes
------------
label_without_mode : {'label', 'frequency'}   a name the maker gave fits no mode of the present analysis
taps_judged_since : {'n'}   taps the maker refused or restored after the analysis was made: recompute
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from resonance.modes.mode import Mode
from resonance.reasons import Reason
from resonance.sets.tapset import TapSet
from resonance.taps.tap import Tap
from resonance.units import cents

SAME_MODE_CENTS = 25.0  # a later analysis moves a mode by far less (fit uncertainty: a few cents)
SAME_TAP = 0.020  # s; taps closer than 50 ms are one tap to the finder


@dataclass(frozen=True)
class LabelVerdict:
    """A name for the mode at a frequency; None takes a name away."""

    frequency: float
    name: str | None


@dataclass(frozen=True)
class TapVerdict:
    """A tap refused or restored."""

    take: int
    onset: float
    kept: bool


@dataclass(frozen=True)
class SameVerdict:
    """Two modes of two tap sets that are one: (set id, frequency) each."""

    first: tuple[str, float]
    second: tuple[str, float]


def with_verdicts(
    tap_set: TapSet, labels: Sequence[LabelVerdict], tap_verdicts: Sequence[TapVerdict]
) -> TapSet:
    """Give the tap set with names and taps as the maker judged them, oldest verdict first."""
    modes, lost = _labelled(tap_set.modes, labels)
    taps, changed = _judged(tap_set.taps, tap_verdicts)
    reasons = [Reason("label_without_mode", {"label": v.name or "", "frequency": v.frequency}) for v in lost]
    reasons += [Reason("taps_judged_since", {"n": changed})] if changed else []
    return replace(tap_set, modes=modes, taps=taps, reasons=(*tap_set.reasons, *reasons))


def _labelled(
    modes: Sequence[Mode], labels: Sequence[LabelVerdict]
) -> tuple[tuple[Mode, ...], list[LabelVerdict]]:
    """Name the modes; a name belongs to one mode of a set, and the maker's word outdoes a guess."""
    given: dict[int, str | None] = {}
    lost = []
    for verdict in labels:
        index = nearest_mode(modes, verdict.frequency)
        if index is None:
            lost += [verdict] if verdict.name else []
            continue
        if verdict.name:
            given = {i: name for i, name in given.items() if name != verdict.name}
        given[index] = verdict.name
    taken = {name for name in given.values() if name}
    return tuple(_named(mode, index, given, taken) for index, mode in enumerate(modes)), lost


def _named(mode: Mode, index: int, given: Mapping[int, str | None], taken: set[str]) -> Mode:
    if index in given:
        return replace(mode, label=given[index], labelled_by="maker")
    if mode.label in taken:
        return replace(mode, label=None, labelled_by="")
    return mode


def nearest_mode(modes: Sequence[Mode], frequency: float) -> int | None:
    """Index of the mode that a verdict at a frequency means, None where there is none that near."""
    distances = [abs(float(cents(mode.frequency, frequency))) for mode in modes]
    if not distances or min(distances) > SAME_MODE_CENTS:
        return None
    return distances.index(min(distances))


def _judged(taps: Sequence[Tap], verdicts: Sequence[TapVerdict]) -> tuple[tuple[Tap, ...], int]:
    """Refuse and restore taps; count those that the analysis treated otherwise."""
    judged = list(taps)
    for verdict in verdicts:
        index = nearest_tap(taps, verdict.take, verdict.onset)
        if index is not None:
            judged[index] = replace(taps[index], kept=verdict.kept, judged_by="maker")
    changed = sum(new.kept != old.kept for new, old in zip(judged, taps, strict=True))
    return tuple(judged), changed


def nearest_tap(taps: Sequence[Tap], take: int, onset: float) -> int | None:
    """Index of the tap of a take at a time, None where there is none that near."""
    near = [(abs(tap.onset - onset), i) for i, tap in enumerate(taps) if tap.take == take]
    near = [(distance, i) for distance, i in near if distance <= SAME_TAP]
    return min(near)[1] if near else None


def with_same_modes(sets: Sequence[TapSet], verdicts: Sequence[SameVerdict]) -> tuple[TapSet, ...]:
    """Give the tap sets with one track (``same1``, ``same2`` ...) to the modes that the maker called one."""
    modes = {tap_set.id: tap_set.modes for tap_set in sets}
    groups: list[set[tuple[str, int]]] = []
    for verdict in verdicts:
        found = [
            (set_id, index)
            for set_id, frequency in (verdict.first, verdict.second)
            if (index := nearest_mode(modes.get(set_id, ()), frequency)) is not None
        ]
        if len(found) == 2:
            groups = _joined(groups, set(found))
    track = {member: f"same{number}" for number, group in enumerate(groups, 1) for member in group}
    return tuple(_tracked(tap_set, track) for tap_set in sets)


def _tracked(tap_set: TapSet, track: Mapping[tuple[str, int], str]) -> TapSet:
    """Give the tap set with the tracks of its modes, where it has any."""
    if tap_set.id not in {set_id for set_id, _ in track}:
        return tap_set
    modes = tuple(
        replace(mode, track=track.get((tap_set.id, index), mode.track))
        for index, mode in enumerate(tap_set.modes)
    )
    return replace(tap_set, modes=modes)


def _joined(groups: list[set[tuple[str, int]]], pair: set[tuple[str, int]]) -> list[set[tuple[str, int]]]:
    """Join a pair to the groups it touches; the first of them keeps its place."""
    touched = [group for group in groups if group & pair]
    if not touched:
        return [*groups, pair]
    merged = pair.union(*touched)
    rest = [group for group in groups if not group & pair or group is touched[0]]
    return [merged if group is touched[0] else group for group in rest]
