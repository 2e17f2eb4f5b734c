"""The standard figures of a job, worded and ready for the report: readings over time, before and after,
one tap set's spectrum, the decay of a mode.

Spectra and envelopes come in as arrays; what is here chooses what to draw and says it in the maker's words.
"""

from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise
from math import inf, isfinite, nan

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from resonance.changes.comparison import Comparison, ModeShift
from resonance.changes.pair import is_doubtful
from resonance.changes.tracks import in_doubt
from resonance.jobs.job import Entry, Job
from resonance.modes.intervals import frequency_half_width, half_width
from resonance.modes.mode import Mode
from resonance.plots.changes import PANEL_MM, Event, Readings, TimeAxis, day_number, readings_figure
from resonance.plots.decay import draw_decay
from resonance.plots.spectrum import Curve, draw_before_after, draw_spectrum
from resonance.plots.style import figure_svg
from resonance.report.blocks import Picture
from resonance.report.customer import for_customer
from resonance.report.facts import adjustment_words
from resonance.report.readings import (
    NOT_WOOD,
    chief_tracks,
    damping_words,
    mode_of_track,
    pitch_of,
    quality_words,
)
from resonance.report.timeline import timeline_of
from resonance.report.verdicts import frequencies_words, mode_words, shift_label
from resonance.report.words import (
    label_alias,
    note_words,
    reasons_words,
    set_words,
    verdict_words,
)
from resonance.sets.tapset import TapSet
from resonance.sound.recording import FloatArray
from resonance.units import hertz

PANELS = 6
LABELS = 16
LONGEST_WORDS = 72


def readings_over_time(
    job: Job,
    *,
    guesses: bool = True,
    scatter_cents: float = nan,
    most: int = PANELS,
    panel_mm: float = PANEL_MM,
) -> Figure | None:
    """Draw the readings of a job over time with its adjustments; None when no mode was seen twice.

    Named modes are drawn first, then those that most tap sets show.

    Parameters
    ----------
    job : Job   its modes with tracks
    guesses : bool   show names that the maker has not given or confirmed
    scatter_cents : float, cents   put-back scatter of one reading, held in the longer bars; NaN: not known
    most : int   modes at most
    panel_mm : float   height of a mode's panel
    """
    tracks = chief_tracks(job, most, guesses=guesses)
    if not tracks:
        return None
    places, dated = job_places(job)
    time = TimeAxis(
        tuple(places[tap_set.id] for tap_set in job.sets),
        tuple(set_words(tap_set.id).removeprefix("tap set ") for tap_set in job.sets),
        dated,
    )
    series = [track_series(job, track, name, time, scatter_cents=scatter_cents) for track, name in tracks]
    return readings_figure(series, job_events(job, places), time, panel_mm=panel_mm)


def readings_picture(job: Job, *, guesses: bool = True, scatter_cents: float = nan) -> Picture | None:
    """Give the figure of `readings_over_time` with its caption, None when there is none."""
    figure = readings_over_time(job, guesses=guesses, scatter_cents=scatter_cents)
    if figure is None:
        return None
    return Picture("over time", figure_svg(figure), OVER_TIME_CAPTION)


def before_after(
    job: Job, comparison: Comparison, before: Curve, after: Curve, *, guesses: bool = True
) -> Axes:
    """Draw the spectra of two tap sets, 200 to 1000 Hz, with matched modes joined."""
    sets = {tap_set.id: tap_set for tap_set in job.sets}
    comparison = comparison if guesses else for_customer(comparison)
    labels = _chief_shift_labels(comparison, guesses=guesses)
    pitch = pitch_of(sets[comparison.after]) if comparison.after in sets else 440.0
    return draw_before_after(before, after, comparison.shifts, labels=labels, pitch_a4=pitch)


def before_after_picture(
    job: Job, comparison: Comparison, before: Curve, after: Curve, *, guesses: bool = True
) -> Picture:
    """Give the figure of `before_after` with its caption."""
    axes = before_after(job, comparison, before, after, guesses=guesses)
    key = f"{comparison.before} {comparison.after}"
    return Picture("changes", figure_svg(_figure(axes)), BEFORE_AFTER_CAPTION, key)


def set_spectrum(
    tap_set: TapSet, curve: Curve, refused: Sequence[FloatArray] = (), *, guesses: bool = True
) -> Axes:
    """Draw the spectrum of a tap set with its modes.

    Parameters
    ----------
    tap_set : TapSet
    curve : Curve   averaged over the kept taps
    refused : sequence of arrays, dB, at the frequencies of `curve`   one a refused tap, in their order
    guesses : bool
    """
    band = tap_set.analysis.band
    band = band if isfinite(band[0]) and isfinite(band[1]) else (60.0, 1200.0)
    modes = [mode for mode in tap_set.modes if guesses or not is_doubtful(mode)]
    labels = _chief_labels(modes, [mode_words(mode, guesses=guesses) for mode in modes])
    poor = [(k, tap) for k, tap in enumerate(tap_set.taps, 1) if not tap.kept]
    curves = [
        Curve(curve.frequencies, db, _refusal(k, reasons_words(tap.faults)))
        for db, (k, tap) in zip(refused, poor, strict=False)
    ]
    return draw_spectrum(curve, modes, labels=labels, refused=curves, band=band, pitch_a4=pitch_of(tap_set))


def set_spectrum_picture(
    tap_set: TapSet, curve: Curve, refused: Sequence[FloatArray] = (), *, guesses: bool = True
) -> Picture:
    """Give the figure of `set_spectrum` with its caption."""
    axes = set_spectrum(tap_set, curve, refused, guesses=guesses)
    return Picture("readings", figure_svg(_figure(axes)), SPECTRUM_CAPTION, tap_set.id)


def mode_decay(
    mode: Mode,
    times: FloatArray,
    db: FloatArray,
    *,
    fitted: tuple[float, float] | None = None,
    others: Sequence[FloatArray] = (),
    noise_db: float = nan,
    guesses: bool = True,
    pitch_a4: float = 440.0,
) -> Axes:
    """Draw the decay of a mode: the envelope handed in against its damping, in words beside the line."""
    words = damping_words(mode)
    if isfinite(mode.damping):
        q = quality_words(mode)
        text = f"damping {words} %" + (f", Q {q}" if q else "")
    else:
        why = "; ".join(reasons_words(mode.reasons))
        text = why if "damping" in why else f"damping {words}"
    note = note_words(mode.frequency, pitch_a4=pitch_a4)
    text = f"{mode_words(mode, guesses=guesses)}\n{note}\n{text}"
    return draw_decay(times, db, mode, fitted=fitted, text=text, others=others, noise_db=noise_db)


OVER_TIME_CAPTION = (
    "Readings over time. Bars are 95 % intervals: thick of the reading by itself, thin with the put-back "
    "scatter. An open mark is a tap set whose place in the order is not confirmed, a small cross one that "
    "does not show the resonance, a question mark a reading that may belong to another one. Upright lines "
    "are adjustments: dotted where the order is not confirmed, heavy where a new chapter begins. Every panel "
    "spans the same interval in cents."
)
BEFORE_AFTER_CAPTION = (
    "Spectra before (dashed, raised) and after. Matched resonances are joined, with a heavy line where "
    "the shift is beyond the put-back scatter; an open dot has no partner. Bars at the dots are 95 % "
    "intervals of the readings."
)
SPECTRUM_CAPTION = (
    "Spectrum of the taps used, with the resonances found, the chief ones labelled. Bars at the dots are "
    "95 % intervals, open dots are strings, hum or room. Thin dashed lines are refused taps."
)


def _figure(axes: Axes) -> Figure:
    figure = axes.get_figure(root=True)
    if figure is None:
        raise ValueError("the axes belong to no figure")
    return figure


def _refusal(number: int, faults: tuple[str, ...]) -> str:
    why = faults[0].split(":")[0] if faults else ""
    return f"tap {number} refused" + (f":\n{why}" if why else "")


def _chief_shift_labels(comparison: Comparison, *, guesses: bool) -> list[str]:
    """Word at most `LABELS` shifts: the moved, then the named, then the strongest; '' for the rest."""

    def rank(k: int) -> tuple[bool, bool, bool, float]:
        shift = comparison.shifts[k]
        modes = [mode for mode in (shift.before, shift.after) if mode is not None]
        levels = [level.db for mode in modes for level in mode.levels if isfinite(level.db)]
        named = any(mode.label for mode in modes)
        return shift.verdict != "moved", not named, len(modes) < 2, -max(levels, default=-inf)

    chosen = sorted(range(len(comparison.shifts)), key=rank)[:LABELS]
    return [
        _shift_words(shift, guesses=guesses) if k in chosen else ""
        for k, shift in enumerate(comparison.shifts)
    ]


def _shift_words(shift: ModeShift, *, guesses: bool) -> str:
    name = " ".join(filter(None, [shift_label(shift, guesses=guesses), frequencies_words(shift)]))
    alone = shift.before is None or shift.after is None
    return f"{name}: {verdict_words(shift.verdict)}" if alone else name


def _chief_labels(modes: Sequence[Mode], texts: Sequence[str]) -> list[str]:
    """Keep the labels of at most `LABELS` modes, named ones first, then the strongest; '' for the others."""

    def rank(k: int) -> tuple[bool, bool, float]:
        loudest = max((level.db for level in modes[k].levels if isfinite(level.db)), default=-inf)
        return modes[k].kind in NOT_WOOD, not modes[k].label, -loudest

    chosen = sorted(range(len(modes)), key=rank)[:LABELS]
    return [text if k in chosen else "" for k, text in enumerate(texts)]


def track_series(job: Job, track: str, name: str, time: TimeAxis, *, scatter_cents: float = nan) -> Readings:
    """Give the readings of one track as they are drawn, with the note of the last one."""
    modes = [mode_of_track(tap_set, track) for tap_set in job.sets]
    label = next((mode.label for mode in reversed(modes) if mode is not None and mode.label), "")
    alias = label_alias(label or "") if not name.startswith("near ") else ""
    unconfirmed = {entry.id for entry in timeline_of(job) if not entry.confirmed}
    at = np.array([mode.frequency if mode is not None else nan for mode in modes])
    own = np.array([frequency_half_width(mode) if mode is not None else nan for mode in modes])
    return Readings(
        ", ".join(filter(None, [name, alias])),
        np.array(time.sets),
        at,
        own,
        np.array([tap_set.id in unconfirmed for tap_set in job.sets]),
        with_scatter=np.hypot(own, half_width(1.0) * hertz(scatter_cents, at)),
        note=_last_note(job, at),
        doubtful=np.array([mode is not None and in_doubt(mode) for mode in modes]),
    )


def _last_note(job: Job, at: FloatArray) -> str:
    """Note of the last reading, for the right end of a panel's head."""
    seen = [k for k, value in enumerate(at) if isfinite(value)]
    if not seen:
        return ""
    return note_words(float(at[seen[-1]]), pitch_a4=pitch_of(job.sets[seen[-1]]))


def job_events(job: Job, places: dict[str, float]) -> list[Event]:
    """Give the adjustments as they are drawn, in words."""
    confirmed = {entry.id: entry.confirmed for entry in timeline_of(job)}
    return [
        Event(
            places[adjustment.id],
            adjustment_words(adjustment, longest=LONGEST_WORDS),
            confirmed.get(adjustment.id, False),
            adjustment.new_chapter,
        )
        for adjustment in job.adjustments
        if adjustment.id in places
    ]


def job_places(job: Job) -> tuple[dict[str, float], bool]:
    """Give each set and adjustment its place in time, and whether places are days.

    Days are used when every one has a date and the dates do not contradict the maker's order; otherwise
    tap sets stand one apart, with the adjustments between them.
    """
    entries = [entry for entry in timeline_of(job) if entry.kind in ("tap set", "adjustment")]
    made: dict[str, datetime | None] = {tap_set.id: tap_set.taken for tap_set in job.sets}
    made.update({adjustment.id: adjustment.made for adjustment in job.adjustments})
    moments = [made.get(entry.id) or entry.at for entry in entries]
    known = [moment for moment in moments if moment is not None]
    if len(known) == len(entries) and all(a <= b for a, b in pairwise(known)):
        days = [day_number(moment) for moment in known]
        if days and days[-1] > days[0]:
            return {entry.id: day for entry, day in zip(entries, days, strict=True)}, True
    return _order(entries), False


def _order(entries: Sequence[Entry]) -> dict[str, float]:
    places: dict[str, float] = {}
    n_sets, waiting = 0, list[str]()
    for entry in [*entries, Entry("tap set")]:
        if entry.kind == "adjustment":
            waiting.append(entry.id)
            continue
        for k, identity in enumerate(waiting, 1):
            places[identity] = n_sets - 1 + k / (len(waiting) + 1)
        waiting = []
        if entry.id:
            places[entry.id] = float(n_sets)
            n_sets += 1
    return places
