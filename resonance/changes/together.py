"""The modes of two sets read by one list, where the sound is at hand: what shifts are told from.

Two lists that settled apart differ by more than the instrument did (`resonance.modes.follow`). So every mode
is read in both sets by the list of the one, and again by the list of the other; the shift is the mean of the
two, and what they differ by goes into its uncertainty. Where the two sets' own readings lie further apart
than half of the half-power bandwidth, the mode moved by more than a list can bend a reading: those are
compared as they stand.

A mode that one list alone tells is looked for in the other set too. If its sound shows it there, the mode is
neither lost nor new: the lists differ, not the instrument.

Reason codes
------------
by_one_list : {}   the other set does not tell this mode by itself, but its sound shows it
not_followed : {}  analysed by another method than this program's: stored readings compared
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf, isfinite, nan, sqrt

from resonance.changes.judge import combine
from resonance.modes.intervals import half_bandwidth
from resonance.modes.mode import Mode
from resonance.modes.strings import assumed_strings
from resonance.reasons import Reason
from resonance.sets.tapset import TapSet
from resonance.sound.recording import Take

WITHIN = 1.0  # half bandwidths between two readings that may be a list's doing
NARROWEST = 0.5  # Hz, of a half bandwidth
STAYED = 0.25  # half bandwidths
SAME_ENTRY = 0.5  # Hz, or as many half bandwidths, between a mode and its entry of the list


@dataclass(frozen=True)
class OneList:
    """A difference after - before by one list, Hz, with its uncertainty, and the damping ratios."""

    shift: float
    shift_u: float = nan
    dof: float = inf
    damping: tuple[float, float] = (nan, nan)
    shown: tuple[bool, bool] = (False, False)


@dataclass(frozen=True)
class Together:
    """Readings of two sets by one list and by the other; per list its entries' frequencies and readings."""

    by_before: tuple[tuple[float, OneList], ...] = ()
    by_after: tuple[tuple[float, OneList], ...] = ()


def read_together(before: TapSet, after: TapSet) -> tuple[Together | None, tuple[Reason, ...]]:
    """Read both sets by both lists; None where the sound of one is not at hand, or with why not.

    The numbers are those of this program's method: sets analysed by another are compared as they are stored.
    """
    if not (before.modes and after.modes and has_sound(before) and has_sound(after)):
        return None, ()
    from resonance.modes.estimate import METHOD  # loads the estimator only where needed

    if not before.analysis.method == after.analysis.method == METHOD:
        return None, (Reason("not_followed"),)
    return Together(_by_list_of(before, before, after), _by_list_of(after, before, after)), ()


def has_sound(tapset: TapSet) -> bool:
    """Whether a set's kept taps all lie in recordings with samples."""
    kept = [tap for tap in tapset.taps if tap.kept]
    return bool(kept) and all(
        0 <= tap.take < len(tapset.takes) and tapset.takes[tap.take].recording.samples.shape[0] > 0
        for tap in kept
    )


def shift_of(together: Together, before: Mode, after: Mode) -> OneList | None:
    """Give the shift of a pair by both lists; None where it moved further than a list bends a reading."""
    width = max(NARROWEST, half_bandwidth(before), half_bandwidth(after))
    if abs(after.frequency - before.frequency) > WITHIN * width:
        return None
    one, other = _entry(together.by_before, before), _entry(together.by_after, after)
    if one is None or other is None:
        return None
    apart = one.shift - other.shift
    u = sqrt(0.5 * (one.shift_u**2 + other.shift_u**2) + 0.25 * apart**2)
    return replace(one, shift=0.5 * (one.shift + other.shift), shift_u=u, dof=min(one.dof, other.dof))


def stayed(together: Together, before: Mode, after: Mode) -> bool:
    """Whether by either list the mode is shown in both sets and stayed where it was."""
    entries = [_entry(together.by_before, before), _entry(together.by_after, after)]
    width = max(NARROWEST, half_bandwidth(before), half_bandwidth(after))
    return all(e is not None and all(e.shown) and abs(e.shift) <= STAYED * width for e in entries)


def found_in_other(together: Together, mode: Mode, *, in_before: bool) -> Mode | None:
    """Give a mode that one list alone tells as the other set reads it; None where its sound does not show it.

    Parameters
    ----------
    in_before : bool   whether `mode` is of the earlier set
    """
    entry = _entry(together.by_before if in_before else together.by_after, mode)
    if entry is None or not all(entry.shown):
        return None
    shift, damping = (entry.shift, entry.damping[1]) if in_before else (-entry.shift, entry.damping[0])
    if not abs(shift) <= WITHIN * max(NARROWEST, half_bandwidth(mode)):
        return None
    return replace(mode, frequency=mode.frequency + shift, damping=damping, label=None, track=None)


def by_one_list(together: Together, mode: Mode, *, in_before: bool) -> OneList | None:
    """Give the reading of a mode by its own set's list."""
    return _entry(together.by_before if in_before else together.by_after, mode)


def _by_list_of(owner: TapSet, before: TapSet, after: TapSet) -> tuple[tuple[float, OneList], ...]:
    from resonance.modes.follow import follow

    settings = owner.analysis.settings
    fitted = _fitted(owner)
    sides = [
        follow(
            _heard(side), side.taps, fitted, band=owner.analysis.band,
            family=str(settings.get("family") or "violin"), piece=str(settings.get("piece") or "whole"),
        )
        for side in (before, after)
    ]  # fmt: skip
    entries = []
    for (frequency, _), one, two in zip(fitted, *sides, strict=True):
        if one is not None and two is not None:
            u, dof = combine([(one.frequency_u, one.frequency_dof), (two.frequency_u, two.frequency_dof)])
            shift = OneList(
                two.frequency - one.frequency, u, dof, (one.damping, two.damping), (one.shown, two.shown)
            )
            entries.append((frequency, shift))
    return tuple(entries)


def _heard(tapset: TapSet) -> tuple[Take, ...]:
    """Return the takes as the modes were read: by contact sensor alone where the room was passed by."""
    from resonance.modes.estimate import by_contact_alone

    passed_by = any(reason.code == "room_passed_by" for reason in tapset.reasons)
    return (by_contact_alone(tapset.takes, tapset.taps) if passed_by else None) or tapset.takes


def _fitted(tapset: TapSet) -> Sequence[tuple[float, float]]:
    """Return the list a set was fitted with; found anew where an older analysis did not keep it."""
    if tapset.analysis.fitted:
        return tapset.analysis.fitted
    from resonance.modes.estimate import find_modes

    settings = tapset.analysis.settings
    family = str(settings.get("family") or "violin")
    found = find_modes(
        tapset.takes, tapset.taps, band=tapset.analysis.band, family=family,
        piece=str(settings.get("piece") or "whole"), open_strings=_strings(tapset, family),
    )  # fmt: skip
    return found.fitted


def _strings(tapset: TapSet, family: str) -> tuple[float, ...] | None:
    """Open strings at the pitch the set was analysed with or set up to; None when neither is known."""
    for pitch in (tapset.analysis.settings.get("pitch_a4"), tapset.setup.pitch_a4):
        if isinstance(pitch, float | int) and isfinite(pitch) and pitch > 0.0:
            return assumed_strings(family, pitch_a4=float(pitch))
    return None


def _entry(entries: Sequence[tuple[float, OneList]], mode: Mode) -> OneList | None:
    """Return the reading of the list's entry that a mode was told from."""
    near = min(entries, key=lambda entry: abs(entry[0] - mode.frequency), default=None)
    if near is None or abs(near[0] - mode.frequency) > SAME_ENTRY * max(1.0, half_bandwidth(mode)):
        return None
    return near[1] if isfinite(near[1].shift_u) else None
