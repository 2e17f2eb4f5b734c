"""Put-back scatter: what repeat tap sets of an unchanged instrument differ by.

Two sets of one sitting with nothing changed still differ: the microphone stands a little elsewhere, the
instrument lies otherwise, strings went slack and back to pitch. The scatter s of one reading about the mean
of its repeats is learned from the modes that can be paired without doubt. Each contrast z between a repeat
and the mean of the sets before it has the variance s^2 + w^2, w^2 from the readings' own uncertainty; so that
part is counted only once, and s never falls below a small floor. The prior for s^2 is scaled inverse
chi-square.

Modes of one repeat are moved by the same hands: they count as n / (1 + 0.1 (n - 1)) contrasts, not n. (The
0.1 is assumed: the square of a correlation of about 0.3 between modes.) A mode gets a scatter of its own only
where three repeats or more show that the modes differ in it.

The prior without a shop, 7 cents with 4 degrees of freedom, stands for "1 to 3 Hz after putting back" (common
practice, no source). A shop's own figure counts for at most 10 degrees of freedom, since jobs differ.

Reason codes
------------
repeats_used : {'kind', 'n'}              how many repeat sets of each kind were used
repeat_base_missing : {'set', 'of'}       the set it repeats is not among those given
repeat_after_adjustment : {'set', 'of'}   an adjustment lies between: no repeat; left out
repeat_not_paired : {'set', 'of'}         no mode could be paired without doubt
repeat_kind_not_noted : {'set', 'of'}   taken as 'untouched', the gentlest: it stands for no putting back
repeats_of_one_day : {'hours'}            the longest time between repeats: day-to-day scatter is not in it
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import inf, isfinite, log, sqrt

import numpy as np
import scipy

from resonance.changes.comparison import Repeatability, Scatter
from resonance.changes.pair import frequency_u_cents, is_body, pair_modes
from resonance.modes.mode import Mode
from resonance.reasons import Reason
from resonance.sets.tapset import REPEAT_KINDS, TapSet
from resonance.units import cents

ASSUMED = Scatter(scatter_cents=7.0, dof=4.0, kind="", source="assumed")
UNTOUCHED, PUT_BACK, RETUNED = REPEAT_KINDS
MODES_SHARE = 0.1
SHOP_DOF = 10.0
FEWEST_FOR_TRACK = 3
FEWEST_TRACKS = 3
FLOOR_CENTS, CEILING_CENTS = 0.3, 150.0
ONE_DAY = 24.0
REPEAT_SD_CENTS = 20.0  # for pairing: nothing was done that modes could cross by
# Slackening is part of this work, so that lifting the instrument off and on is not the whole scatter.
PARTS_SLACKENED = ("soundpost", "bridge", "strings", "tail", "body")


@dataclass(frozen=True)
class Contrast:
    """A repeat's mode against the mean of the sets before it, scaled to the variance s^2 + own_variance.

    `weight` is what it counts for, below 1 since the modes of one repeat are not independent.
    """

    cents: float
    own_variance: float
    weight: float = 1.0
    track: str | None = None


def repeatability(sets: Sequence[TapSet], *, prior: Repeatability | None = None) -> Repeatability:
    """Learn the put-back scatter from the repeat sets among `sets`.

    Parameters
    ----------
    sets : sequence of TapSet   those with `repeat_of` are repeats; the others serve as what they repeat
    prior : Repeatability or None   the shop's; without it about 7 cents are assumed

    Returns
    -------
    Repeatability   source 'this job' with usable repeat sets; else the prior ('this shop'), or 'assumed'

    Raises
    ------
    ValueError   when repeat sets were analysed by different methods
    """
    seen = _gathered(sets)
    return _learned(seen, prior) if seen.contrasts else _from_prior(prior, seen.reasons)


def shop_repeatability(jobs: Iterable[Sequence[TapSet]], *, holding: str = "") -> Repeatability | None:
    """Learn from the repeat sets of a shop's other jobs what a new job may start from.

    Parameters
    ----------
    jobs : iterable of sequences of TapSet   one a job, of one instrument family; of each job the sets of its
        newest method count
    holding : str   how the instrument is held in the new job: repeats noted to be held otherwise are left
        out; '' takes all

    Returns
    -------
    Repeatability, to be given as the prior of `repeatability`; None without usable repeat sets. Reasons that
        name tap sets of other jobs are left out.
    """
    wanted = holding.strip().casefold()
    contrasts: dict[str, list[Contrast]] = {}
    used: dict[str, int] = {}
    spread: list[float] = []
    for sets in jobs:
        newest = max((tap_set.analysis.method for tap_set in sets), default=0)
        alike = [s for s in sets if s.analysis.method == newest and _held_so(s, wanted)]
        seen = _gathered(alike)
        spread += seen.hours
        for kind, found in seen.contrasts.items():
            # the same mode's name in two jobs is not the same mode
            contrasts.setdefault(kind, []).extend(replace(c, track=None) for c in found)
            used[kind] = used.get(kind, 0) + seen.used[kind]
    if not contrasts:
        return None
    return _learned(_Seen(contrasts, used, _one_day(spread), tuple(spread)), None)


def _held_so(tap_set: TapSet, wanted: str) -> bool:
    noted = tap_set.conditions.holding.strip().casefold()
    return not wanted or not noted or noted == wanted


@dataclass(frozen=True)
class _Seen:
    """Contrasts and number of repeats by kind, what is to be said of them, and hours from base to repeat."""

    contrasts: dict[str, list[Contrast]]
    used: dict[str, int]
    reasons: tuple[Reason, ...] = ()
    hours: tuple[float, ...] = ()


def _gathered(sets: Sequence[TapSet]) -> _Seen:
    """What the repeat sets of one job tell."""
    groups, reasons = _groups(sets)
    contrasts: dict[str, list[Contrast]] = {}
    used: dict[str, int] = {}
    for kind, members in groups:
        found, failed = _contrasts(members)
        reasons += failed
        contrasts.setdefault(kind, []).extend(found)
        used[kind] = used.get(kind, 0) + len(members) - 1 - len(failed)
    contrasts = {kind: found for kind, found in contrasts.items() if found}
    reasons += [Reason("repeats_used", {"kind": kind, "n": used[kind]}) for kind in contrasts]
    hours = _hours([members for kind, members in groups if kind in contrasts])
    return _Seen(contrasts, used, (*reasons, *_one_day(hours)), tuple(hours))


def _learned(seen: _Seen, prior: Repeatability | None) -> Repeatability:
    """Scatter of each kind, of each track that differs, and of all that lift the instrument.

    A kind that these sets do not show stays as the prior has it.
    """
    contrasts = seen.contrasts
    kinds = tuple(_scatter(found, _prior_for(prior, kind), kind) for kind, found in contrasts.items())
    others = tuple(_of_shop(s) for s in (prior.kinds if prior else ()) if s.kind not in contrasts)
    lifted = [kind for kind in contrasts if kind != UNTOUCHED] or [UNTOUCHED]
    kind = lifted[0] if len(lifted) == 1 else ""
    pooled = _scatter([c for k in lifted for c in contrasts[k]], _prior_for(prior, kind), kind)
    tracks = tuple(s for scatter in kinds for s in _by_track(contrasts[scatter.kind], scatter))
    return Repeatability(
        pooled, tracks, sum(seen.used[k] for k in contrasts), seen.reasons, (*kinds, *others)
    )


def scatter_for(repeatability: Repeatability, *, kind: str, track: str | None = None) -> Scatter:
    """Choose the yardstick for one mode and one kind of work.

    The mode's own scatter of that kind if known, else that of all modes, else that of a rougher kind. Work
    rougher than any repeat is never judged by the gentler scatter alone: then the assumed scatter holds, or
    the known one where that is larger, and the source is 'assumed'.

    Parameters
    ----------
    repeatability : Repeatability
    kind : one of `REPEAT_KINDS`   what was done between the sets
    track : str or None
    """
    known = [*repeatability.kinds, repeatability.pooled]
    for accepted in (kind, "", *REPEAT_KINDS[REPEAT_KINDS.index(kind) + 1 :]):
        own = [s for s in repeatability.tracks if track and s.track == track and s.kind == accepted]
        for scatter in [*own, *(s for s in known if s.kind == accepted)]:
            return scatter
    gentler = repeatability.pooled
    if gentler.scatter_cents > ASSUMED.scatter_cents:
        return Scatter(gentler.scatter_cents, ASSUMED.dof, gentler.kind, ASSUMED.source)
    return ASSUMED


def work_kind(parts: Iterable[str]) -> str:
    """Name the kind of repeat that matches work on these parts: 'slackened and retuned' or 'put back'."""
    return RETUNED if any(part in PARTS_SLACKENED for part in parts) else PUT_BACK


def scatter_posterior(contrasts: Sequence[Contrast], prior: Scatter) -> tuple[float, float]:
    """Scatter and degrees of freedom after seeing contrasts.

    The posterior of s on a fine grid, its likelihood weighted, is replaced by the scaled inverse chi-square
    distribution with the same mean and variance of ln s^2. Without own variance this is the exact conjugate
    result: nu = nu0 + sum w, nu s^2 = nu0 s0^2 + sum w z^2.

    Returns
    -------
    (scatter_cents, dof)
    """
    log_s = np.linspace(log(FLOOR_CENTS), log(CEILING_CENTS), 601)
    variance = np.exp(2.0 * log_s)
    density = -0.5 * prior.dof * (2.0 * log_s + prior.scatter_cents**2 / variance)
    for contrast in contrasts:
        total = variance + contrast.own_variance
        density -= 0.5 * contrast.weight * (np.log(total) + contrast.cents**2 / total)
    weights = np.exp(density - density.max())
    weights /= weights.sum()
    mean = float(weights @ (2.0 * log_s))
    spread = float(weights @ (2.0 * log_s - mean) ** 2)
    dof = 2.0 * _inverse_trigamma(spread)
    squared = np.exp(mean + float(scipy.special.digamma(0.5 * dof))) / (0.5 * dof)
    return max(FLOOR_CENTS, sqrt(float(squared))), dof


def _inverse_trigamma(value: float) -> float:
    """Find x with trigamma(x) = value by Newton's method on 1 / trigamma, from 0.5 + 1 / value."""
    x = 0.5 + 1.0 / value
    for _ in range(50):
        trigamma = float(scipy.special.polygamma(1, x))
        step = trigamma * (1.0 - trigamma / value) / float(scipy.special.polygamma(2, x))
        x += step
        if abs(step) < 1e-10 * x:
            break
    return x


def _groups(sets: Sequence[TapSet]) -> tuple[list[tuple[str, list[TapSet]]], list[Reason]]:
    """Sets that repeat one another, per kind, the first one leading; and why a repeat cannot be used."""
    by_id = {tapset.id: tapset for tapset in sets}
    groups: dict[tuple[str, str], list[TapSet]] = {}
    reasons: list[Reason] = []
    for tapset in sets:
        if tapset.repeat_of is None or tapset.repeat_of == tapset.id:
            continue
        values: dict[str, float | str | bool] = {"set": tapset.id, "of": tapset.repeat_of}
        base = by_id.get(tapset.repeat_of)
        if base is None:
            reasons.append(Reason("repeat_base_missing", values))
            continue
        if set(tapset.after) - set(base.after):
            reasons.append(Reason("repeat_after_adjustment", values))
            continue
        kind = _kind(tapset)
        if not tapset.repeat_kind:
            reasons.append(Reason("repeat_kind_not_noted", values))
        root = _root(base, kind, by_id)
        if root.analysis.method != tapset.analysis.method:
            raise ValueError(
                f"tap sets '{root.id}' and '{tapset.id}' were analysed by methods {root.analysis.method} and "
                f"{tapset.analysis.method}; analyse both again by one method"
            )
        groups.setdefault((kind, root.id), [root]).append(tapset)
    return [(kind, members) for (kind, _), members in groups.items()], reasons


def _kind(repeat: TapSet) -> str:
    return repeat.repeat_kind or UNTOUCHED


def _root(tapset: TapSet, kind: str, by_id: dict[str, TapSet]) -> TapSet:
    """Follow repeats of one kind back to the first; a repeat of another kind is where it starts."""
    seen = {tapset.id}
    while tapset.repeat_of in by_id and _kind(tapset) == kind and tapset.repeat_of not in seen:
        base = by_id[tapset.repeat_of]
        if set(tapset.after) - set(base.after):
            break
        tapset = base
        seen.add(tapset.id)
    return tapset


def _contrasts(members: Sequence[TapSet]) -> tuple[list[Contrast], list[Reason]]:
    """Contrasts of one group: every repeat's modes against the mean of their earlier readings."""
    first = members[0]
    readings: dict[int, list[Mode]] = {i: [mode] for i, mode in enumerate(first.modes)}
    contrasts: list[Contrast] = []
    failed: list[Reason] = []
    for repeat in members[1:]:
        pairing = pair_modes(first.modes, repeat.modes, shift_sd_cents=REPEAT_SD_CENTS)
        sure = [
            p
            for p in pairing.pairs
            if not p.ambiguous and is_body(first.modes[p.before]) and is_body(repeat.modes[p.after])
        ]
        if not sure:
            failed.append(Reason("repeat_not_paired", {"set": repeat.id, "of": first.id}))
            continue
        weight = 1.0 / (1.0 + MODES_SHARE * (len(sure) - 1))
        for pair in sure:
            mode = repeat.modes[pair.after]
            contrasts.append(_contrast(readings[pair.before], mode, weight))
            readings[pair.before].append(mode)
    return contrasts, failed


def _contrast(earlier: Sequence[Mode], mode: Mode, weight: float) -> Contrast:
    """Helmert contrast: (x_k - mean of k - 1 before it) sqrt((k - 1) / k)."""
    n = len(earlier)
    mean = float(np.mean(cents([m.frequency for m in earlier], mode.frequency)))
    own = [_known_square(frequency_u_cents(m)) for m in (mode, *earlier)]
    variance = own[0] + sum(own[1:]) / n**2
    shrink = n / (n + 1.0)
    return Contrast(-mean * sqrt(shrink), variance * shrink, weight, mode.track or earlier[0].track)


def _known_square(u: float) -> float:
    return u * u if isfinite(u) else 0.0


def _scatter(contrasts: Sequence[Contrast], prior: Scatter, kind: str) -> Scatter:
    scatter, dof = scatter_posterior(contrasts, prior)
    return Scatter(scatter, dof, kind, "this job")


def _by_track(contrasts: Sequence[Contrast], pooled: Scatter) -> list[Scatter]:
    """Scatter of each track, shrunk towards that of all modes; none where the tracks do not differ."""
    per_track = [
        [Contrast(c.cents, c.own_variance, track=track) for c in contrasts if c.track == track]
        for track in dict.fromkeys(c.track for c in contrasts if c.track)
    ]
    per_track = [own for own in per_track if len(own) >= FEWEST_FOR_TRACK]
    alike = likeness(per_track, pooled.scatter_cents)
    if not isfinite(alike):
        return []
    prior = Scatter(pooled.scatter_cents, alike)
    found = []
    for own in per_track:
        scatter, dof = scatter_posterior(own, prior)
        found.append(Scatter(scatter, min(dof, pooled.dof), pooled.kind, pooled.source, own[0].track))
    return found


def likeness(per_track: Sequence[Sequence[Contrast]], scatter_cents: float) -> float:
    """How alike the scatter of the tracks is: degrees of freedom of the distribution their s^2 come from.

    From the variance of ln s^2 over the tracks, less what so few contrasts explain (Smyth 2004, Stat. Appl.
    Genet. Mol. Biol. 3(1), 3, section 6.2). Infinite when they differ no more than chance, or with fewer than
    three tracks.
    """
    if len(per_track) < FEWEST_TRACKS:
        return inf
    logs, expected = [], []
    for own in per_track:
        half = 0.5 * len(own)
        ratio = np.mean([c.cents**2 / (scatter_cents**2 + c.own_variance) for c in own])
        logs.append(log(max(float(ratio), 1e-6)) - float(scipy.special.digamma(half)) + log(half))
        expected.append(float(scipy.special.polygamma(1, half)))
    excess = float(np.var(logs, ddof=1) - np.mean(expected))
    return 2.0 * _inverse_trigamma(excess) if excess > 0.0 else inf


def _prior_for(prior: Repeatability | None, kind: str) -> Scatter:
    if prior is None:
        return ASSUMED
    shop = Repeatability(prior.pooled, kinds=prior.kinds)
    return _of_shop(scatter_for(shop, kind=kind or PUT_BACK))


def _from_prior(prior: Repeatability | None, reasons: tuple[Reason, ...]) -> Repeatability:
    if prior is None:
        return Repeatability(ASSUMED, reasons=reasons)
    return Repeatability(
        _of_shop(prior.pooled),
        n_repeats=prior.n_repeats,
        reasons=(*reasons, *prior.reasons),
        kinds=tuple(_of_shop(scatter) for scatter in prior.kinds),
    )


def _of_shop(scatter: Scatter) -> Scatter:
    """Give a scatter learned on other instruments the weight it has for this one."""
    source = scatter.source if scatter.source == "assumed" else "this shop"
    dof = min(scatter.dof, SHOP_DOF) if isfinite(scatter.dof) else SHOP_DOF
    return Scatter(scatter.scatter_cents, dof, scatter.kind, source)


def _hours(groups: Sequence[Sequence[TapSet]]) -> list[float]:
    """Hours from what they repeat to the repeats, where dated."""
    return [
        abs((member.taken.astimezone() - members[0].taken.astimezone()).total_seconds()) / 3600.0
        for members in groups
        for member in members[1:]
        if member.taken is not None and members[0].taken is not None
    ]


def _one_day(hours: Sequence[float]) -> tuple[Reason, ...]:
    """Say so when all repeats were taken within a day of what they repeat."""
    if hours and max(hours) < ONE_DAY:
        return (Reason("repeats_of_one_day", {"hours": max(hours)}),)
    return ()
