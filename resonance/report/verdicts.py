"""Sentences about a comparison: what moved, and what could not have been seen.

Hertz first, then cents. The ± of a shift is half the width of its 95 % interval, put-back scatter included.
Where that scatter is assumed, nothing is said to have moved: the tool says what the assumption would not
explain. A verdict of no change carries its bounds.
"""

from collections.abc import Collection
from dataclasses import replace
from math import inf, isfinite, nan

from resonance.changes.comparison import BandChange, Comparison, ModeShift
from resonance.modes.intervals import frequency_half_width, half_width
from resonance.modes.mode import Mode
from resonance.report.customer import LEFT_OUT
from resonance.report.numbers import (
    UNKNOWN,
    about_cents,
    decimals_of,
    limit,
    measured,
    number,
)
from resonance.report.words import (
    count_words,
    label_sign,
    list_words,
    mode_label,
    reason_words,
    reasons_words,
    sentence,
    verdict_words,
)
from resonance.sets.tapset import TapSet
from resonance.units import hertz

# Reasons that a comparison's own sentences already say, or that stand before everything else.
FIRST = "checks_first"
AGAINST_ORDER = "against_order"
ASSUMED = "repeatability_assumed"
SAID_ELSEWHERE = (FIRST, AGAINST_ORDER, "bounds")


def shift_label(shift: ModeShift, *, guesses: bool = True) -> str:
    """Give the name of the mode that shifted, a guess with a question mark; '' when unnamed."""
    modes = [mode for mode in (shift.after, shift.before) if mode is not None and mode.label]
    if any(mode.labelled_by == "maker" for mode in modes):
        return label_sign(next(m.label or "" for m in modes if m.labelled_by == "maker"))
    name = shift.label or next((mode.label for mode in modes), None)
    return f"{label_sign(name)}?" if name and guesses else ""


def shift_half_width(shift: ModeShift) -> float:
    """Half width in Hz of the 95 % interval of a shift.

    The larger side of `interval_cents` about the shift, turned into Hz at the frequency before; without an
    interval, 1.96 `shift_u`; NaN when neither is known.
    """
    low, high = shift.interval_cents
    if shift.before is None or not (isfinite(low) and isfinite(high) and isfinite(shift.shift)):
        return half_width(shift.shift_u)
    ends = hertz([low, high], shift.before.frequency)
    return max(float(ends[1]) - shift.shift, shift.shift - float(ends[0]))


def least_detectable(shift: ModeShift) -> float:
    """Least shift in Hz that would have shown; NaN when not known."""
    mode = shift.before or shift.after
    if mode is None or not shift.least_detectable_cents > 0.0:
        return nan
    return float(hertz(shift.least_detectable_cents, mode.frequency))


def scatter_assumed(shift: ModeShift) -> bool:
    """Whether the put-back scatter behind a verdict is assumed rather than learned from repeat sets."""
    if shift.repeatability is not None:
        return shift.repeatability.source == "assumed"
    return any(reason.code == ASSUMED for reason in shift.reasons)


def shift_sentence(shift: ModeShift, *, guesses: bool = True) -> str:
    """Say what one mode did, e.g. ``B1− 461.2 → 463.0 Hz: up 1.8 ± 0.9 Hz (about 7 cents): moved.``

    `guesses=False` leaves out names that the maker has not given or confirmed.
    """
    label = shift_label(shift, guesses=guesses)
    say = _SENTENCES.get(shift.verdict, _other)
    return " ".join(filter(None, [label, say(shift)]))


def frequencies_words(shift: ModeShift) -> str:
    """Write before and after with an arrow, to the place that both readings are known to.

    Hundredths are left out where the shift, put-back scatter included, is not known so well.
    """
    if shift.before is None or shift.after is None:
        mode = shift.before or shift.after
        return UNKNOWN if mode is None else measured(mode.frequency, frequency_half_width(mode), "Hz")
    readings = [decimals_of(frequency_half_width(mode)) for mode in (shift.before, shift.after)]
    places = min(2, *readings, max(1, decimals_of(shift_half_width(shift))))
    return f"{number(shift.before.frequency, places)} → {number(shift.after.frequency, places)} Hz"


def read_anew(shift: ModeShift, before: TapSet | None, after: TapSet | None) -> bool:
    """Whether a frequency, as shown, is another than the tap set's own analysis gives."""
    stored = replace(shift, before=_as_stored(shift.before, before), after=_as_stored(shift.after, after))
    return frequencies_words(stored) != frequencies_words(shift)


def _as_stored(mode: Mode | None, tap_set: TapSet | None) -> Mode | None:
    """Give a mode with the frequency of the nearest one that the tap set has by itself."""
    if mode is None or tap_set is None or not tap_set.modes:
        return mode
    off = [abs(own.frequency - mode.frequency) for own in tap_set.modes]
    return replace(mode, frequency=tap_set.modes[off.index(min(off))].frequency)


def shift_verdict(shift: ModeShift) -> str:
    """Say a verdict in a word or two: 'differs' in place of 'moved' where the scatter is assumed."""
    if shift.verdict == "moved" and scatter_assumed(shift):
        return "differs"
    return verdict_words(shift.verdict)


def bound_words(shift: ModeShift) -> str:
    """Say how small a shift could have gone unseen."""
    least = least_detectable(shift)
    if not isfinite(least):
        return "How small a shift would have shown is not known."
    return f"A shift under {limit(least, 'Hz')} could have gone unseen."


def comparison_headline(comparison: Comparison) -> str:
    """Say in one sentence what moved, and how many modes appeared, went or cannot be told."""
    if not comparison.shifts:
        return "Nothing to compare: one of the two tap sets shows no resonance."
    paired = [s for s in comparison.shifts if s.before is not None and s.after is not None]
    moved = [s for s in paired if s.verdict == "moved"]
    counts = [(sum(s.verdict == v for s in comparison.shifts), words) for v, words in _COUNTED]
    others = [f"{count} {words}" for count, words in counts if count]
    if moved:
        head = f"{len(moved)} of {count_words(len(paired), 'resonance')} {_moved_together(moved)}"
    else:
        partly = others or _some_left_out(comparison)
        head = "no shift seen in what could be paired" if partly else "no change seen"
    return sentence("; ".join([head, list_words(others)] if others else [head]))


_COUNTED = (
    ("appeared", "appeared"),
    ("not found", "not found"),
    ("not reached", "not reached"),
    ("ambiguous", "cannot be told"),
)


def _some_left_out(comparison: Comparison) -> bool:
    return any(reason.code in LEFT_OUT for reason in comparison.reasons)


def _moved_together(moved: list[ModeShift]) -> str:
    if not all(scatter_assumed(shift) for shift in moved):
        return "moved"
    verb = "differs" if len(moved) == 1 else "differ"
    return f"{verb} by more than the assumed put-back scatter would explain"


def null_words(comparison: Comparison, band: tuple[float, float] = (nan, nan)) -> str:
    """Say what bounds a verdict of no change: least shifts that would show, band, what is not covered.

    Parameters
    ----------
    comparison : Comparison   its reason 'bounds' says where modes were looked for
    band : (float, float), Hz   the same, where it has no such reason

    Returns
    -------
    str, '' when no mode carries that verdict
    """
    unmoved = [s for s in comparison.shifts if s.verdict == "no change seen"]
    if not unmoved:
        return ""
    if len(unmoved) < len(comparison.shifts) or _some_left_out(comparison):
        return f"{_bounds(unmoved)} Where no change was seen, the sound may still differ."
    within = _band_words(comparison, band)
    return f"{_bounds(unmoved)} None found in the resonance frequencies{within}; the sound may still differ."


def _band_words(comparison: Comparison, band: tuple[float, float]) -> str:
    values = next((reason.values for reason in comparison.reasons if reason.code == "bounds"), {})
    low, high = float(values.get("low", band[0])), float(values.get("high", band[1]))
    reach = float(values.get("reach", inf))
    if not (isfinite(low) and isfinite(high)):
        return ""
    if low < reach < high:
        return f" from {number(low, 0)} to {number(reach, 0)} Hz, as far as the blows reach"
    return f" from {number(low, 0)} to {number(high, 0)} Hz"


def checks_words_first(comparison: Comparison) -> str:
    """Say what to check before any talk of the adjustment; '' when nothing calls for it."""
    first = [sentence(reason_words(r)) for r in comparison.reasons if r.code == FIRST]
    if not first:
        return ""
    return " ".join([*first, "Only then put anything down to the adjustment."])


def order_words(comparison: Comparison) -> str:
    """Say that a comparison runs against the job's order; '' when it does not."""
    against = [reason for reason in comparison.reasons if reason.code == AGAINST_ORDER]
    return sentence(reason_words(against[0])) if against else ""


def comparison_reasons(comparison: Comparison) -> tuple[str, ...]:
    """Say what limits a comparison as a whole, each reason once, as sentences.

    What limits every paired mode alike is said here, once, and not again beside each.
    """
    own = [reason for reason in comparison.reasons if reason.code not in SAID_ELSEWHERE]
    return tuple(dict.fromkeys(sentence(w) for w in (*shared_reasons(comparison), *reasons_words(own))))


def shared_reasons(comparison: Comparison) -> tuple[str, ...]:
    """Give, in words, the reasons that all paired modes have in common, and any assumed scatter."""
    paired = [s for s in comparison.shifts if s.before is not None and s.after is not None]
    each = [reasons_words(shift.reasons) for shift in paired]
    everywhere = [words for words in (each[0] if len(each) > 1 else ()) if all(words in e for e in each)]
    assumed = [r for shift in paired for r in shift.reasons if r.code == ASSUMED]
    return tuple(dict.fromkeys((*reasons_words(assumed), *everywhere)))


def own_reasons(shift: ModeShift, *, shared: Collection[str] = ()) -> tuple[str, ...]:
    """Give, in words, what limits one verdict, but for `shared` words and assumed scatter."""
    kept = reasons_words(reason for reason in shift.reasons if reason.code != ASSUMED)
    return tuple(words for words in kept if words not in shared)


def shift_reasons(shift: ModeShift, *, shared: Collection[str] = ()) -> tuple[str, ...]:
    """Say what limits one verdict, as sentences, but for `shared` words and assumed scatter."""
    return tuple(map(sentence, own_reasons(shift, shared=shared)))


def comparison_lines(
    comparison: Comparison, *, band: tuple[float, float] = (nan, nan), guesses: bool = True
) -> tuple[str, ...]:
    """Say a whole comparison, a few sentences a line: checks first, what moved, bounds, reasons."""
    shared = shared_reasons(comparison)
    lines = [order_words(comparison), checks_words_first(comparison), comparison_headline(comparison)]
    for shift in comparison.shifts:
        said = (shift_sentence(shift, guesses=guesses), *shift_reasons(shift, shared=shared))
        lines.append(" ".join(said))
    lines.append(null_words(comparison, band))
    lines += comparison_reasons(comparison)
    return tuple(filter(None, lines))


def band_verdict(change: BandChange) -> str:
    """Say the verdict on a band's level."""
    return "changed" if change.verdict == "moved" else verdict_words(change.verdict)


def band_words(change: BandChange) -> str:
    """Name a frequency band, e.g. ``1000 to 1260 Hz``."""
    if not isfinite(change.high):
        return f"from {number(change.low, 0)} Hz"
    return f"{number(change.low, 0)} to {number(change.high, 0)} Hz"


def change_cells(value: float, u: float, *, scale: float = 1.0) -> str:
    """Write a signed change with its half width, e.g. ``+1.2 ± 0.8``; '' when not known."""
    if not isfinite(value):
        return ""
    return measured(value * scale, half_width(u) * scale, signed=True, decimals=2)


def limit_cell(least: float) -> str:
    """Write a least detectable shift in Hz; '' when not known."""
    return limit(least, "Hz") if isfinite(least) else ""


def shift_cells(shift: ModeShift) -> tuple[str, str]:
    """Write a shift in Hz with its half width, and in cents; both '' when there is none."""
    if not isfinite(shift.shift):
        return "", ""
    hz = measured(shift.shift, shift_half_width(shift), signed=True)
    return hz, number(shift.shift_cents, 0, signed=True) if isfinite(shift.shift_cents) else ""


def _moved(shift: ModeShift) -> str:
    half = shift_half_width(shift)
    size = abs(shift.shift)
    cents = f"about {about_cents(shift.shift_cents)}"
    if scatter_assumed(shift):
        by = measured(shift.shift, half, "Hz", signed=True)
        scatter = shift.repeatability.scatter_cents if shift.repeatability else nan
        of = f" of about {about_cents(scatter)}" if isfinite(scatter) else ""
        return (
            f"{frequencies_words(shift)}: differs by {by} ({cents}), "
            f"more than the assumed put-back scatter{of} would explain."
        )
    way = "up" if shift.shift > 0 else "down"
    return f"{frequencies_words(shift)}: {way} {measured(size, half, 'Hz')} ({cents}): moved."


def _unchanged(shift: ModeShift) -> str:
    by = measured(shift.shift, shift_half_width(shift), "Hz", signed=True)
    return f"{frequencies_words(shift)}: no change seen ({by}). {bound_words(shift)}"


def _appeared(shift: ModeShift) -> str:
    return f"{frequencies_words(shift)} after: appeared; not seen before."


def _not_found(shift: ModeShift) -> str:
    return f"{frequencies_words(shift)} before: not found after."


def _not_reached(shift: ModeShift) -> str:
    side = "after" if shift.after is None else "before"
    known = "before" if side == "after" else "after"
    why = "the blows excite too little there to call it gone"
    return f"{frequencies_words(shift)} {known}: not reached {side}; {why}."


def _ambiguous(shift: ModeShift) -> str:
    if shift.after is None:
        return f"{frequencies_words(shift)} before: cannot tell whether it is gone."
    if shift.before is None:
        return f"{frequencies_words(shift)} after: cannot tell whether it is new."
    if any(reason.code == "pair_ambiguous" for reason in shift.reasons):
        return f"{frequencies_words(shift)}: cannot tell which resonance is which."
    return f"{frequencies_words(shift)}: cannot tell whether it moved."


def _other(shift: ModeShift) -> str:
    return f"{frequencies_words(shift)}: {verdict_words(shift.verdict)}."


_SENTENCES = {
    "moved": _moved,
    "no change seen": _unchanged,
    "appeared": _appeared,
    "not found": _not_found,
    "not reached": _not_reached,
    "ambiguous": _ambiguous,
}


def _bounds(unmoved: list[ModeShift]) -> str:
    least = [value for value in map(least_detectable, unmoved) if isfinite(value)]
    if not least:
        return "How small a shift would have shown is not known."
    low, high = limit(min(least)), limit(max(least), "Hz")
    if limit(min(least), "Hz") == high:
        return f"A shift under {high} could have gone unseen."
    return f"A shift under {low} to {high}, depending on the resonance, could have gone unseen."


def mode_words(mode: Mode, *, guesses: bool = True) -> str:
    """Name a mode by its name and frequency, e.g. ``B1−? 461.8 ± 0.6 Hz``."""
    frequency = measured(mode.frequency, frequency_half_width(mode), "Hz")
    return " ".join(filter(None, [mode_label(mode, guesses=guesses), frequency]))
