"""What of a comparison a customer is told: neither hum nor what nobody knows to be a resonance.

Reason codes
------------
hum_left_out : {'n'}      readings that lie on the hum of the mains, left out
unsure_left_out : {'n'}   unsure resonances of which nothing can be told, left out
"""

from dataclasses import replace

from resonance.changes.comparison import Comparison, ModeShift
from resonance.reasons import Reason

LEFT_OUT = ("hum_left_out", "unsure_left_out")
TELLING = ("moved", "no change seen")


def for_customer(comparison: Comparison) -> Comparison:
    """Give a comparison without hum, and without unsure resonances that carry no telling verdict.

    What the maker has named stays. How many were left out stands among the comparison's reasons.
    """
    why = [_left_out(shift) for shift in comparison.shifts]
    kept = tuple(shift for shift, code in zip(comparison.shifts, why, strict=True) if not code)
    counts = [Reason(code, {"n": why.count(code)}) for code in LEFT_OUT if code in why]
    return replace(comparison, shifts=kept, reasons=(*comparison.reasons, *counts))


def _left_out(shift: ModeShift) -> str:
    """Code of the reason why a shift is left out; '' when it stays."""
    modes = [mode for mode in (shift.before, shift.after) if mode is not None]
    if any(mode.label and mode.labelled_by == "maker" for mode in modes):
        return ""
    kinds = [mode.kind for mode in modes]
    kinds += [str(r.values.get("kind")) for r in shift.reasons if r.code == "hidden_by"]
    if "hum" in kinds:
        return "hum_left_out"
    return "unsure_left_out" if "unsure" in kinds and shift.verdict not in TELLING else ""
