"""Modes of a tap set: shared poles over all kept taps, files, channels and places.

The way: cut the free decays (`decays`), guess poles from a joint subspace (`start`), settle the list and
refine it by separable least squares (`select`, `fit`), then state every number and its uncertainty from one
random-effects statement over the taps (`pool`). How far a frequency depends on how much of the decay is
used is kept apart (`Mode.model_u`, from fits that begin later), and beside it stands the nearest maximum of
the averaged spectrum (`Mode.peak`), which is what a maker sees in a picture and not the same thing.

Reason codes
------------
no_taps : {}   no kept tap with enough decay
no_modes : {}   nothing stands out of the noise
room_heard : {share}   later starts move the modes as a room makes them move: the room limits the values
room_passed_by : {share}   the room limits the microphone: read from the contact sensor alone
clap_not_read : {}   no clap, or none that rings in a way that could be read
unsettled : {}   the list of modes did not come to rest: some may be missing or told twice
model_misfit {misfit}   the decay is not a sum of ringing modes: the record is refused
one_tap : {}   uncertainty from the fit alone, the hand unknown
few_taps {n}   fewer than four
one_microphone_place : {}   the room may bias every value
assumed_strings : {}   open strings not given
record_too_short {needed}   (mode) damping not shown, s of decay needed
flank : {of}   (mode) so faint beside a loud one, Hz, that the room alone may make it: kind 'unsure'
damping_uncertain : {}   (mode) damping not shown, its uncertainty is more than a third of it
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isfinite, nan, sqrt

import numpy as np

from resonance.errors import ResonanceError
from resonance.modes.decays import Group, cut_groups, joined_noise_db, longest_decay
from resonance.modes.fit import bin_power, evaluate, line_powers
from resonance.modes.heard import by_clap, by_quiet, quiet_peaks
from resonance.modes.late import late_movement
from resonance.modes.mode import Level, Mode, ModesResult
from resonance.modes.pool import (
    Influence,
    Pooled,
    damping_step,
    frequency_step,
    random_effects_of,
    tap_influence,
)
from resonance.modes.ranges import Search, search_of
from resonance.modes.room import (
    BENT,
    ROOM_HEARD,
    flanked,
    late_slopes,
    room_index,
    with_model_terms,
)
from resonance.modes.select import Fit, select_modes
from resonance.modes.slices import fit_band_of, slices
from resonance.modes.start import band_poles, start_poles
from resonance.modes.strings import BODY_DAMPING, assumed_strings, kind_of, with_read_strings
from resonance.modes.threads import in_one_thread
from resonance.modes.tuning import read_strings
from resonance.reasons import Reason
from resonance.sound.recording import ComplexArray, FloatArray, Take
from resonance.spectra.spectrum import average_spectrum, nearest_maximum
from resonance.taps.find import find_taps
from resonance.taps.tap import Tap

METHOD = 2  # number of this estimator; sets of different numbers are never compared
FAINT_DB = -36.0  # line power below the strongest at which a mode is no longer reported
LEAST_SNR_DB = 3.0  # line over noise below which a mode is not reported
LARGEST_MISFIT = 0.3
BEFORE_BLOW = 0.001  # s before the onset at which the picture begins
SHORTEST_FALL = 1.0  # damping needs a record in which the mode falls by this many nepers
LARGEST_DAMPING_U = 0.35  # of the damping itself
GIVEN_WITHIN = (4.0, 0.02)  # Hz, and share of the frequency, within which a guess is a given mode
EDGE = 30.0  # Hz, from the end of the fit down, where nothing is read


@in_one_thread
def find_modes(
    takes: Sequence[Take],
    taps: Sequence[Tap],
    *,
    band: tuple[float, float] | None = None,
    family: str = "violin",
    piece: str = "whole",
    open_strings: Sequence[float] | None = None,
    start: Sequence[Mode] | None = None,
    claps: Sequence[Take] = (),
) -> ModesResult:
    """Joint estimate of the modes from all kept taps.

    Parameters
    ----------
    takes : sequence of Take
    taps : sequence of Tap   each with the index of its take; refused ones are passed over
    band : (float, float), Hz   where to look; the family's usual band when None
    family, piece : as in `resonance.sets.instrument.Instrument`
    open_strings : sequence of float, Hz   open strings; equal temperament at A4 = 440 Hz when None
    start : sequence of Mode   begin from these; what else the taps show is added
    claps : sequence of Take   a clap or more, recorded where the taps were: what rings in it is the room's

    Returns
    -------
    ModesResult   modes by rising frequency, none where the record is refused, with the reason

    Raises
    ------
    ResonanceError   when the band does not fit the recordings
    """
    search = search_of(family, piece)
    low, high = checked_band(band or search.band, takes, explicit=band is not None)
    reasons = _set_reasons(takes, taps, strings_given=open_strings is not None, strung=_strung(family, piece))
    longest = longest_decay(takes, taps, search)
    if longest < search.shortest:
        return ModesResult(reasons=(Reason("no_taps"),), band=(low, high))
    strings = tuple(open_strings) if open_strings is not None else assumed_strings(family)
    strung = _strung(family, piece)
    parts = [_fit_slice(takes, taps, b, search, longest, start, strung) for b in slices((low, high), longest)]
    misfit = _misfit(parts)
    if not all(part.fit.settled for part in parts):
        reasons = (*reasons, Reason("unsettled"))
    summary = ModesResult(
        reasons=reasons,
        band=(low, high),
        record=max(g.duration for p in parts for g in p.groups),
        misfit=misfit,
        reach=_reach(taps),
        noise_db=float(np.median([joined_noise_db(p.groups, p.band) for p in parts])),
        fitted=_fitted(parts),
    )
    if misfit > LARGEST_MISFIT:
        return replace(summary, reasons=(*reasons, Reason("model_misfit", {"misfit": misfit})))
    found = [m for p in parts for m in _modes_of(p, takes, taps, search, longest, strings, strung)]
    if strung:
        readings = read_strings([f.mode for f in found], strings, family=family)
        summary = replace(summary, strings=readings)
        found = [replace(f, mode=with_read_strings(f.mode, readings, strings)) for f in found]
        found = [f for f in found if low <= f.mode.frequency < high]
    modes = _with_levels(_loud_enough(found))
    if strung:  # a plate or a bar has no such neighbours as tell a room: its own movement is all there is
        room = room_index(modes)
        modes = late_slopes(flanked(with_model_terms(modes, room)))
        modes = by_quiet(modes, quiet_peaks(takes, taps, (low, high)))
        clap = clap_modes(claps, (low, high))
        modes = by_clap(modes, clap)
        if claps and not clap:
            summary = replace(summary, reasons=(*summary.reasons, Reason("clap_not_read")))
        if room > ROOM_HEARD:
            dry = by_contact_alone(takes, taps)
            if dry is not None:  # a sensor on the body hears no room
                alone = find_modes(
                    dry, taps, band=band, family=family, piece=piece, open_strings=open_strings, claps=claps
                )
                return replace(alone, reasons=(*alone.reasons, Reason("room_passed_by", {"share": room})))
            summary = replace(summary, reasons=(*reasons, Reason("room_heard", {"share": room})))
    if not modes:
        return replace(summary, reasons=(*reasons, Reason("no_modes")))
    return replace(summary, modes=tuple(sorted(modes, key=lambda m: m.frequency)))


def clap_modes(claps: Sequence[Take], band: tuple[float, float]) -> tuple[Mode, ...]:
    """Resonances of the room from recordings of claps; none without a clap, or where its decay is refused."""
    heard = [Take(take.recording) for take in claps]
    taps = [replace(tap, take=i) for i, take in enumerate(heard) for tap in find_taps(take.recording)]
    highest = min((0.94 * 0.5 * take.recording.sample_rate for take in heard), default=band[1])
    if not any(tap.kept for tap in taps) or highest <= band[0]:
        return ()
    return find_modes(heard, taps, band=(band[0], min(band[1], highest)), family="other").modes


def by_contact_alone(takes: Sequence[Take], taps: Sequence[Tap]) -> tuple[Take, ...] | None:
    """Set every microphone aside, where each kept tap was heard by a contact sensor beside one."""
    used = {tap.take for tap in taps if tap.kept}
    roles = {i: [takes[i].role(c) for c in range(takes[i].recording.n_channels)] for i in used}
    if not all("contact" in own for own in roles.values()) or not any(
        "sound" in own for own in roles.values()
    ):
        return None
    return tuple(
        replace(take, channels=tuple("unused" if role == "sound" else role for role in roles[i]))
        if i in used
        else take
        for i, take in enumerate(takes)
    )


def _strung(family: str, piece: str) -> bool:
    return piece == "whole" and family != "other"


def checked_band(band: tuple[float, float], takes: Sequence[Take], *, explicit: bool) -> tuple[float, float]:
    """Check the band against the sample rates; a default band is cut to fit, a given one must."""
    low, high = float(band[0]), float(band[1])
    half = 0.5 * min((t.recording.sample_rate for t in takes), default=nan)
    if not 0.0 < low < high:
        raise ResonanceError(
            f"band {low:g} to {high:g} Hz is not a band; give a lower and a higher frequency"
        )
    if explicit and high > 0.95 * half:
        raise ResonanceError(
            f"band ends at {high:g} Hz, too near half the sample rate ({half:g} Hz); "
            f"end it at {0.95 * half:.0f} Hz or lower, or record at {2.2 * high:.0f} Hz"
        )
    if low >= 0.95 * half:
        raise ResonanceError(
            f"the recording's sample rate ({2 * half:g} Hz) is too low for a band from {low:g} Hz"
        )
    return low, min(high, 0.95 * half) if half == half else high


@dataclass(frozen=True, eq=False)
class _Part:
    """One slice of the band, settled."""

    band: tuple[float, float]
    fit_band: tuple[float, float]
    groups: tuple[Group, ...]
    fit: Fit


def _fit_slice(
    takes: Sequence[Take],
    taps: Sequence[Tap],
    band: tuple[float, float],
    search: Search,
    longest: float,
    start: Sequence[Mode] | None,
    strung: bool,
) -> _Part:
    fit_band = fit_band_of(band, takes, longest)
    groups = cut_groups(takes, taps, search=search, fit_band=fit_band, longest=longest)
    poles = start_poles(groups, fit_band)
    if start is not None:
        poles = np.concatenate([given_poles(start, fit_band), _away_from(poles, start)])
    fit = select_modes(groups, poles, body_damping=BODY_DAMPING if strung else 0.0)
    order = np.argsort(np.abs(fit.state.poles))
    settled = evaluate(groups, fit.state.poles[order], fit.root_weights, fit.tap_weights)
    return _Part(band, fit_band, groups, replace(fit, state=settled))


def given_poles(modes: Sequence[Mode], band: tuple[float, float]) -> ComplexArray:
    """Poles of given modes inside a band; where damping was not shown, a slow decay."""
    inside = [m for m in modes if band[0] < m.frequency < band[1]]
    frequency = np.array([m.frequency for m in inside])
    damping = np.array([m.damping if isfinite(m.damping) else 4e-4 for m in inside])
    return band_poles(frequency, np.maximum(damping, 1e-6))


def _away_from(poles: ComplexArray, start: Sequence[Mode]) -> ComplexArray:
    """Guessed poles that are none of the given modes."""
    if not start:
        return poles
    frequency = np.abs(poles) / (2.0 * np.pi)
    apart = np.abs(frequency[:, None] - np.array([mode.frequency for mode in start])).min(axis=1)
    return np.asarray(poles[apart > np.maximum(GIVEN_WITHIN[0], GIVEN_WITHIN[1] * frequency)])


def _fitted(parts: Sequence[_Part]) -> tuple[tuple[float, float], ...]:
    """Frequency, Hz, and damping ratio of all that the parts were fitted with, each counted once."""
    last = len(parts) - 1
    fitted = []
    for i, part in enumerate(parts):
        low, high = part.band[0] if i else 0.0, part.band[1] if i < last else np.inf
        for pole in part.fit.state.poles:
            frequency = float(abs(pole) / (2.0 * np.pi))
            if low <= frequency < high:
                fitted.append((frequency, float(-pole.real / abs(pole))))
    return tuple(fitted)


def _misfit(parts: Sequence[_Part]) -> float:
    """Amplitude share of the decays that the modes leave unexplained, noise taken off."""
    left, whole = 0.0, 0.0
    for part in parts:
        for group, projection, root in zip(
            part.groups, part.fit.state.projections, part.fit.root_weights, strict=True
        ):
            inside = (group.frequencies >= part.band[0]) & (group.frequencies <= part.band[1])
            left += float(np.sum((bin_power(projection.residuals, root) - group.noise)[:, inside]))
            whole += float(np.sum(np.abs(group.spectra[:, inside]) ** 2))
    return sqrt(max(left, 0.0) / whole) if whole > 0.0 else 1.0


def _reach(taps: Sequence[Tap]) -> float:
    reaches = [tap.reach for tap in taps if tap.kept and isfinite(tap.reach)]
    return float(np.median(reaches)) if reaches else nan


def _set_reasons(
    takes: Sequence[Take], taps: Sequence[Tap], *, strings_given: bool, strung: bool
) -> tuple[Reason, ...]:
    """What bounds every value of the set."""
    kept = [tap for tap in taps if tap.kept]
    reasons = []
    if len(kept) == 1:
        reasons.append(Reason("one_tap"))
    elif 1 < len(kept) < 4:
        reasons.append(Reason("few_taps", {"n": len(kept)}))
    places = {takes[tap.take].microphone_place for tap in kept}
    if strung and len(places) == 1:
        reasons.append(Reason("one_microphone_place"))
    if strung and not strings_given:
        reasons.append(Reason("assumed_strings"))
    return tuple(reasons)


def _narrow_above(part: _Part, pole: complex) -> bool:
    """Whether a line lies above the slice, within its margin, and may be a string's that tells its pitch."""
    above = part.band[1] <= abs(pole) / (2.0 * np.pi) < part.fit_band[1] - EDGE
    return above and -pole.real < BODY_DAMPING * abs(pole)


@dataclass(frozen=True, eq=False)
class _Found:
    """A mode with what is needed to judge it beside the others."""

    mode: Mode
    line_power: float
    energy: dict[tuple[str, str], FloatArray]  # per place, energy of each tap


def _modes_of(
    part: _Part,
    takes: Sequence[Take],
    taps: Sequence[Tap],
    search: Search,
    longest: float,
    strings: Sequence[float],
    strung: bool,
) -> list[_Found]:
    """Report the modes of one slice that lie inside its band."""
    poles = part.fit.state.poles
    inside = [i for i, s in enumerate(poles) if part.band[0] <= abs(s) / (2 * np.pi) < part.band[1]]
    inside += [i for i, s in enumerate(poles) if strung and _narrow_above(part, s)]
    if not inside:
        return []
    influence = tap_influence(part.groups, part.fit)

    def recut(delay: float) -> tuple[Group, ...]:
        return cut_groups(
            takes, taps, search=search, fit_band=part.fit_band, longest=longest - delay, delay=delay
        )

    model = late_movement(part.groups, part.fit, recut)
    grid, power = _picture(takes, taps, part.fit_band, longest)
    duration = max(group.duration for group in part.groups)
    return [_report(part, influence, i, model[i], (grid, power), duration, strings, strung) for i in inside]


def _report(
    part: _Part,
    influence: Influence,
    i: int,
    model_u: FloatArray,
    picture: tuple[FloatArray, FloatArray],
    duration: float,
    strings: Sequence[float],
    strung: bool,
) -> _Found:
    """One mode with its numbers, before levels and names."""
    pole = part.fit.state.poles[i]
    size, alpha = abs(pole), -pole.real
    frequency = random_effects_of(influence, i, frequency_step(pole))
    log_damping = random_effects_of(influence, i, damping_step(pole))
    damping = alpha / size * float(np.exp(np.clip(log_damping.shift, -0.5, 0.5)))
    hertz = size / (2.0 * np.pi) + frequency.shift
    power, snr_db = _line_power(part, i)
    kind = kind_of(
        hertz, damping, duration=duration, strung=strung, open_strings=strings, log_damping_u=log_damping.u
    )
    reasons = _damping_reasons(alpha, duration, log_damping.u)
    shown = not reasons
    mode = Mode(
        float(hertz),
        float(damping) if shown else nan,
        frequency_u=frequency.u,
        frequency_dof=frequency.dof,
        model_u=float(model_u[0]),
        peak=nearest_maximum(*picture, hertz, max(1.5, 0.75 * alpha / np.pi)),
        damping_u=float(damping * log_damping.u) if shown else nan,
        damping_dof=log_damping.dof if shown else nan,
        damping_model_u=float(damping * model_u[1]) if shown else nan,
        n_taps=len(influence.taps),
        snr_db=snr_db,
        limited_by=_limit(frequency, alpha * duration),
        kind=kind,
        reasons=(*reasons, BENT) if model_u[2] > 0.0 else reasons,
        hand=frequency.hand,
    )
    return _Found(mode, power, _energies(part, i))


def _damping_reasons(alpha: float, duration: float, log_u: float) -> tuple[Reason, ...]:
    if alpha * duration < SHORTEST_FALL:
        return (Reason("record_too_short", {"needed": SHORTEST_FALL / alpha}),)
    return (Reason("damping_uncertain"),) if not log_u < LARGEST_DAMPING_U else ()


def _limit(frequency: Pooled, fall: float) -> str:
    if fall < SHORTEST_FALL:
        return "record"
    return "hand" if frequency.hand > frequency.noise else "noise"


def _picture(
    takes: Sequence[Take], taps: Sequence[Tap], band: tuple[float, float], longest: float
) -> tuple[FloatArray, FloatArray]:
    """Averaged spectrum of the whole taps, from the blow on, in dB: what a maker sees in a picture."""
    rate = takes[next(tap.take for tap in taps if tap.kept)].recording.sample_rate
    n = int(longest * rate)
    cut = []
    for tap in taps:
        take = takes[tap.take]
        if tap.kept and take.recording.sample_rate == rate:
            first = max(0, int((tap.onset - BEFORE_BLOW) * rate))
            for channel in range(take.recording.n_channels):
                piece = take.recording.samples[first : first + n, channel]
                if take.role(channel) in ("sound", "contact") and piece.size == n:
                    cut.append((piece - piece.mean()) / (np.sqrt(np.mean(piece**2)) + 1e-300))
    if not cut:
        return np.zeros(3), np.zeros(3)
    grid, power = average_spectrum(np.stack(cut), rate)
    inside = (grid >= band[0]) & (grid <= band[1])
    return grid[inside], 10.0 * np.log10(power[inside] + 1e-300)


def _line_power(part: _Part, i: int) -> tuple[float, float]:
    """Power of a mode's line at its own frequency, mean over taps, and over the noise there in dB."""
    poles = part.fit.state.poles
    power, noise = 0.0, 0.0
    for group, projection in zip(part.groups, part.fit.state.projections, strict=True):
        scale = float(np.mean(np.abs(group.spectra) ** 2))
        power += float(line_powers(group, projection, poles)[i]) / scale
        noise += float(np.interp(abs(poles[i]) / (2 * np.pi), group.frequencies, group.noise)) / scale
    return power / len(part.groups), float(10.0 * np.log10(max(power, 1e-300) / max(noise, 1e-300)))


def _energies(part: _Part, i: int) -> dict[tuple[str, str], FloatArray]:
    """Energy of a mode's decay in each tap, by place: integral of the squared decay over the record."""
    pole = part.fit.state.poles[i]
    energy: dict[tuple[str, str], FloatArray] = {}
    for group, projection in zip(part.groups, part.fit.state.projections, strict=True):
        span = -np.expm1(2.0 * pole.real * group.duration) / (-pole.real)
        here = np.abs(projection.amplitudes[:, i]) ** 2 * span
        energy[group.places] = np.concatenate([energy.get(group.places, np.zeros(0)), here])
    return energy


def _loud_enough(found: Sequence[_Found]) -> list[_Found]:
    strongest = max((f.line_power for f in found if f.mode.kind in ("body", "air")), default=0.0)
    faintest = strongest * 10.0 ** (FAINT_DB / 10.0)
    return [f for f in found if f.line_power > faintest and f.mode.snr_db > LEAST_SNR_DB]


def _with_levels(found: Sequence[_Found]) -> list[Mode]:
    """Levels per place relative to the sum over the modes of the same tap."""
    totals: dict[tuple[str, str], FloatArray] = {}
    for f in found:
        if f.mode.kind != "hum":
            for place, energy in f.energy.items():
                totals[place] = totals.get(place, np.zeros(energy.size)) + energy
    return [replace(f.mode, levels=_levels(f, totals)) for f in found]


def _levels(found: _Found, totals: dict[tuple[str, str], FloatArray]) -> tuple[Level, ...]:
    levels = []
    for place, energy in found.energy.items():
        if place in totals:
            db = 10.0 * np.log10(np.maximum(energy, 1e-300) / np.maximum(totals[place], 1e-300))
            u = float(np.std(db, ddof=1) / np.sqrt(db.size)) if db.size > 1 else nan
            levels.append(Level(place[0], place[1], float(np.mean(db)), u))
    return tuple(levels)
