"""Before and after: what moved, what could not have been seen, and what else changed.

The pairing, the verdicts of all pairs together (`resonance.changes.shifts`), the modes that one set shows
alone (`resonance.changes.absent`), level changes, and what stands beside all of them.

Strings, hum and room modes take part in the pairing, so that they cannot be taken for the body, and are left
out of the shifts: how the instrument is tuned is no change of its body.

Reason codes of a comparison (beside those of `conditions`, `places`, `together`)
--------------------------------------------------------------------------------
checks_first : {'fallen', 'of', 'broadened'}   many modes fell together or broadened, or those that fell damp
    more ({'what': 'damped'}): seams, cracks, bar and post before any talk of the adjustment; for a free plate
    {'what': 'plate'} stands beside them
common_shift : {'cents', 'of'}          most modes went together by this much; the weather can do that
bounds : {'low', 'high', 'reach', 'least_cents', 'most_cents', 'n_judged'}   what a verdict of no change
    covers: band looked at, reach of the blows, smallest and largest least detectable shift; the unknown is
    left out
level_scatter_assumed : {'scatter_db'}  level changes were compared; their put-back scatter is assumed
against_order : {'before', 'after'}     the caller said so: the first set is the later one
day_to_day_not_known : {'hours'}        the repeat sets are of one day, the two sets further apart
"""

from collections.abc import Sequence
from dataclasses import replace
from math import isfinite, log, nan, sqrt

import numpy as np

from resonance.changes.absent import absent_verdict
from resonance.changes.comparison import Comparison, ModeShift, Repeatability
from resonance.changes.conditions import adjustment_reasons, between, changed_conditions
from resonance.changes.judge import combine, detectable
from resonance.changes.levels import PUT_BACK_DB, band_changes
from resonance.changes.pair import Alone, Pairing, frequency_u_cents, is_body, pair_modes
from resonance.changes.pairing import judge_pairing
from resonance.changes.places import place_reasons
from resonance.changes.repeatability import ASSUMED, PUT_BACK, scatter_for, work_kind
from resonance.changes.shifts import DAMPING_SCATTER, Judged, mode_shifts, yardsticks
from resonance.changes.together import read_together
from resonance.modes.mode import Mode
from resonance.reasons import Reason
from resonance.sets.setup import Adjustment
from resonance.sets.tapset import TapSet
from resonance.sound.recording import FloatArray

FALLEN_SHARE = 0.7
FALLEN_COMMON_CENTS = -10.0
FEWEST_FALLEN_OF = 4
DAMPED_SHARE, DAMPED_SIGMAS = 0.4, 2.6  # of the modes fell, and their damping grew: one in 200 by chance
BROADENED_SHARE = 0.5
FEWEST_BROADENED = 3
SPOKEN_COMMON_CENTS = 10.0


def compare(
    before: TapSet,
    after: TapSet,
    *,
    repeatability: Repeatability | None = None,
    adjustments: Sequence[Adjustment] = (),
    backwards: bool = False,
    false_discovery: float = 0.10,
    reasons: Sequence[Reason] = (),
) -> Comparison:
    """Say what moved between two tap sets.

    Parameters
    ----------
    before, after : TapSet   shifts are told from the one to the other
    repeatability : Repeatability or None   put-back scatter; without it about 7 cents are assumed
    adjustments : sequence of Adjustment   made between the two; the work chooses the kind of scatter
    backwards : bool   the maker's order is the other one: what lies between was done from `after` to `before`
    false_discovery : float   share of false calls allowed on average among the modes called
    reasons : sequence of Reason   what only the caller knows, e.g. ``'order_not_confirmed'``

    Returns
    -------
    Comparison   with sound at hand both sets are read by one list (`resonance.changes.together`)

    Raises
    ------
    ValueError   when the sets were analysed by different methods, or `false_discovery` is not between 0 and 1
    """
    if before.analysis.method != after.analysis.method:
        raise ValueError(
            f"tap sets '{before.id}' and '{after.id}' were analysed by methods {before.analysis.method} and "
            f"{after.analysis.method}; analyse both again by one method before comparing them"
        )
    if not 0.0 < false_discovery < 1.0:
        raise ValueError(f"false_discovery is {false_discovery}; it must lie between 0 and 1, e.g. 0.1")
    earlier, later = (after, before) if backwards else (before, after)
    adjustments = between(earlier, adjustments)
    together, not_followed = read_together(before, after)
    pairing = pair_modes(before.modes, after.modes)
    yard = yardsticks(
        before, after, repeatability or Repeatability(ASSUMED), kind=work_kind(a.part for a in adjustments)
    )
    pairing, judged = judge_pairing(before, after, pairing, yard, together)
    judged = [row for row in judged if is_body(row.before) or is_body(row.after)]
    paired = mode_shifts(judged, false_discovery)
    shifts = (*paired, *_one_sided(before, after, pairing))
    shifts = tuple(sorted(shifts, key=_frequency))
    bands = band_changes(before.bands, after.bands, false_discovery=false_discovery)
    common = -pairing.common_cents if backwards else pairing.common_cents
    fallen = _checks_first(
        [_turned(row) for row in judged] if backwards else judged, common, plate=_is_plate(before)
    )
    comparison = Comparison(shifts, bands, (), before.id, after.id, pairing.common_cents)
    return replace(
        comparison,
        reasons=(
            *fallen,
            *_against_order(before, after, backwards),
            *reasons,
            *adjustment_reasons(earlier, later, adjustments),
            *changed_conditions(before, after),
            *place_reasons(before, after),
            *_common(pairing, len(judged)),
            *_day_to_day(before, after, yard.repeatability),
            *not_followed,
            *_levels_assumed(comparison),
            *_bounds(before, after, comparison),
        ),
    )


def least_detectable(
    modes: Sequence[Mode],
    repeatability: Repeatability | None = None,
    n_before: int = 1,
    n_after: int = 1,
    *,
    kind: str = PUT_BACK,
    false_discovery: float = 0.10,
) -> FloatArray:
    """Least shift of each mode that would be called moved with 80 % chance, if it alone moved.

    Parameters
    ----------
    modes : sequence of Mode   as read now; the readings after are taken to be as certain
    repeatability : Repeatability or None   put-back scatter; without it about 7 cents are assumed
    n_before, n_after : int   tap sets a side, the instrument taken off and put back between them
    kind : one of `resonance.sets.tapset.REPEAT_KINDS`   what the work between does (`work_kind`)
    false_discovery : float

    Returns
    -------
    array (n_modes,), cents   NaN for strings, hum and room and for readings without uncertainty. The level is
        that of one call among all modes judged: false_discovery / m.
    """
    if n_before < 1 or n_after < 1:
        raise ValueError(f"{n_before} and {n_after} tap sets a side; at least one is needed on each")
    yardstick = repeatability or Repeatability(ASSUMED)
    own = [frequency_u_cents(mode) if is_body(mode) else nan for mode in modes]
    n_judged = max(1, sum(isfinite(u) for u in own))
    least = []
    for mode, u in zip(modes, own, strict=True):
        scatter = scatter_for(yardstick, kind=kind, track=mode.track)
        total, dof = combine(
            [
                (u / sqrt(n_before), n_before * mode.frequency_dof),
                (u / sqrt(n_after), n_after * mode.frequency_dof),
                (scatter.scatter_cents * sqrt(1.0 / n_before + 1.0 / n_after), scatter.dof),
            ]
        )
        least.append(detectable(total, dof, false_discovery / n_judged))
    return np.array(least, float)


def _one_sided(before: TapSet, after: TapSet, pairing: Pairing) -> list[ModeShift]:
    """Body modes that one set shows alone."""
    gone = [_missing(before.modes[lone.index], lone, before, after) for lone in pairing.only_before]
    new = [_new(after.modes[lone.index], lone, before, after) for lone in pairing.only_after]
    return [shift for shift in (*gone, *new) if shift is not None]


def _missing(mode: Mode, lone: Alone, before: TapSet, after: TapSet) -> ModeShift | None:
    if not is_body(mode):
        return None
    verdict, reasons = absent_verdict(
        mode, lone, seen_in=before, other=after, other_modes=after.modes, side="after"
    )
    return ModeShift(mode.track, mode.label, before=mode, verdict=verdict, reasons=reasons)


def _new(mode: Mode, lone: Alone, before: TapSet, after: TapSet) -> ModeShift | None:
    if not is_body(mode):
        return None
    verdict, reasons = absent_verdict(
        mode, lone, seen_in=after, other=before, other_modes=before.modes, side="before"
    )
    return ModeShift(mode.track, mode.label, after=mode, verdict=verdict, reasons=reasons)


def _frequency(shift: ModeShift) -> float:
    mode = shift.before or shift.after
    return mode.frequency if mode is not None else nan


def _is_plate(tap_set: TapSet) -> bool:
    return tap_set.analysis.settings.get("piece", "whole") != "whole"


def _checks_first(rows: Sequence[Judged], common_cents: float, *, plate: bool) -> tuple[Reason, ...]:
    """Whether many modes fell together by more than their uncertainty, or many broadened.

    A joint that opens does both to the same modes: those that fell are asked together whether they damp more
    (the sum of their damping's growth in standard uncertainties, over the root of their number; Stouffer's
    way, from memory). Work moves modes without broadening them, weather likewise.
    """
    judged = [row for row in rows if isfinite(row.p)]
    of = len(judged)
    fallen = [row for row in judged if row.difference_cents < -row.u_cents]
    broadened = sum(_growth(row.before, row.after) > 2.0 for row in judged)
    many = of >= FEWEST_FALLEN_OF
    fell = many and len(fallen) >= FALLEN_SHARE * of and common_cents < FALLEN_COMMON_CENTS
    broad = broadened >= max(FEWEST_BROADENED, BROADENED_SHARE * of)
    growth = [g for row in fallen if isfinite(g := _growth(row.before, row.after))]
    damped = many and len(growth) >= DAMPED_SHARE * of and sum(growth) > DAMPED_SIGMAS * sqrt(len(growth))
    if not (fell or broad or damped):
        return ()
    values: dict[str, float | str | bool] = {"fallen": len(fallen), "of": of, "broadened": broadened}
    what = "plate" if plate else "damped" if damped and not broad else ""
    return (Reason("checks_first", {**values, "what": what} if what else values),)


def _turned(row: Judged) -> Judged:
    """Give a judged pair as it runs the other way, as far as `_checks_first` looks at it."""
    return replace(row, before=row.after, after=row.before, difference_cents=-row.difference_cents)


def _against_order(before: TapSet, after: TapSet, backwards: bool) -> tuple[Reason, ...]:
    return (Reason("against_order", {"before": before.id, "after": after.id}),) if backwards else ()


def _growth(before: Mode, after: Mode) -> float:
    """Growth of ln damping in standard uncertainties, putting back included; NaN where it is not known."""
    if not (before.damping > 0.0 and after.damping > 0.0):
        return nan
    own = [m.damping_u / m.damping for m in (before, after) if isfinite(m.damping_u)]
    u = sqrt(sum(x * x for x in own) + 2.0 * DAMPING_SCATTER**2)
    return log(after.damping / before.damping) / u


def _common(pairing: Pairing, n_judged: int) -> tuple[Reason, ...]:
    if abs(pairing.common_cents) >= SPOKEN_COMMON_CENTS:
        return (Reason("common_shift", {"cents": pairing.common_cents, "of": n_judged}),)
    return ()


def _day_to_day(before: TapSet, after: TapSet, repeatability: Repeatability) -> tuple[Reason, ...]:
    one_day = [r for r in repeatability.reasons if r.code == "repeats_of_one_day"]
    if not one_day or before.taken is None or after.taken is None:
        return ()
    hours = abs((after.taken.astimezone() - before.taken.astimezone()).total_seconds()) / 3600.0
    return (Reason("day_to_day_not_known", {"hours": hours}),) if hours >= 24.0 else ()


def _levels_assumed(comparison: Comparison) -> tuple[Reason, ...]:
    changes = [s.level_change_db for s in comparison.shifts] + [b.change_db for b in comparison.bands]
    if any(isfinite(change) for change in changes):
        return (Reason("level_scatter_assumed", {"scatter_db": PUT_BACK_DB}),)
    return ()


def _bounds(before: TapSet, after: TapSet, comparison: Comparison) -> tuple[Reason, ...]:
    """Say what a comparison covers in which nothing moved."""
    verdicts = [shift.verdict for shift in comparison.shifts]
    if "moved" in verdicts:
        return ()
    least = [
        s.least_detectable_cents
        for s in comparison.shifts
        if s.verdict == "no change seen" and isfinite(s.least_detectable_cents)
    ]
    one, other = before.analysis, after.analysis
    values = {
        "low": float(np.fmax(one.band[0], other.band[0])),
        "high": float(np.fmin(one.band[1], other.band[1])),
        "reach": float(np.fmin(one.reach, other.reach)),
        "least_cents": min(least, default=nan),
        "most_cents": max(least, default=nan),
        "n_judged": float(verdicts.count("no change seen")),
    }
    return (Reason("bounds", {name: value for name, value in values.items() if isfinite(value)}),)
