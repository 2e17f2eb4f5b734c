"""Bowed sets of a job: kept beside its tap sets, read anew where the method is newer.

What was observed is a `KeptRecording` of kind 'bowed'; what was read from it is a record of its own, so that
a later method leaves the older reading beside it.
"""

import os
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from resonance.errors import NotFoundError, ResonanceError
from resonance.jobs.assemble import newest, present
from resonance.jobs.change import changing, resolve
from resonance.jobs.database import reading, rows
from resonance.jobs.job import Job
from resonance.jobs.recording import KIND, READ, KeptRecording, add_recording
from resonance.jobs.records import Record, from_record, to_record
from resonance.jobs.store import Shop
from resonance.sets.bowedset import METHOD, BowedSet, analyse_bowed
from resonance.sets.tapset import TapSet
from resonance.sound.recording import Recording
from resonance.spectra.loudness import equal_loudness

Progress = Callable[[float, str], None]
DERIVED = ("notes", "family", "pitch_a4", "bands", "method", "reasons")
SEVERITIES = (0, 1, 2, 3)


def add_bowed(
    shop: Shop,
    job: str,
    bowed: BowedSet,
    files: Sequence[str | os.PathLike[str]] = (),
    *,
    strings: Sequence[str] = (),
) -> BowedSet:
    """Keep a bowed set: its recordings, what was noted, and the notes read from it.

    Parameters
    ----------
    files : one path a take, kept byte for byte; none writes the takes' samples
    strings : as given to `resonance.sets.bowedset.analyse_bowed`

    Raises
    ------
    DuplicateRecording   when the job has one of the recordings; nothing was changed
    """
    _check_severity(bowed.severity)
    record = to_record(bowed)
    read = {key: record[key] for key in DERIVED}
    kept = add_recording(
        shop,
        job,
        KeptRecording(
            "bowed",
            bowed.taken,
            bowed.takes,
            bowed.climate,
            bowed.conditions,
            tuple((note.start, note.end) for note in bowed.notes),
            setup=bowed.setup,
            strings=tuple(strings),
            severity=bowed.severity,
        ),
        files,
        read=read,
    )
    return _of(kept, read)


def bowed_sets(shop: Shop, job: str) -> tuple[BowedSet, ...]:
    """Give the bowed sets of a job, oldest first, without samples; one never read has method 0."""
    with reading(shop.database) as db:
        found = rows(db, resolve(db, job), kinds=(KIND, READ))
    read = newest(found, READ)
    kept = [from_record(KeptRecording, body) for body in present(found, KIND).values()]
    return tuple(_of(each, read.get(each.id, {"method": 0})) for each in kept if each.what == "bowed")


def find_bowed(sets: Sequence[BowedSet], wanted: str) -> BowedSet:
    """Give a bowed set by its id or its number alone ('rec2' or '2').

    Raises
    ------
    NotFoundError   naming those there are
    """
    text = wanted.strip().lower()
    for each in sets:
        if each.id in (text, f"rec{text}"):
            return each
    there = ", ".join(each.id for each in sets) or "none yet"
    raise NotFoundError(f"no bowed set is called '{wanted}'; there are: {there}")


def up_to_date(
    shop: Shop, job: Job, sets: Sequence[BowedSet], *, pitch_a4: float, progress: Progress | None = None
) -> tuple[BowedSet, ...]:
    """Read those anew that were never read, or by an older method, and keep what was read."""
    return tuple(
        each if each.method >= METHOD else _read(shop, job, each, pitch_a4=pitch_a4, progress=progress)
        for each in sets
    )


def _read(shop: Shop, job: Job, each: BowedSet, *, pitch_a4: float, progress: Progress | None) -> BowedSet:
    bare = TapSet(each.id, each.taken, (), takes=each.takes)
    found = analyse_bowed(
        shop.with_sound(bare).takes,
        family=job.instrument.family,
        pitch_a4=pitch_a4,
        strings=_strings(shop, job.id, each.id),
        progress=progress,
    )
    record = to_record(found)
    return _keep_reading(shop, job.id, replace(each, **_derived({key: record[key] for key in DERIVED})))


def _strings(shop: Shop, job: str, id_: str) -> tuple[str, ...]:
    with reading(shop.database) as db:
        found = rows(db, resolve(db, job), kinds=(KIND,))
    return from_record(KeptRecording, present(found, KIND)[id_]).strings


def set_severity(shop: Shop, job: str, id_: str, severity: int | None) -> BowedSet:
    """Note how severe a wolf is by the maker's hand and ear, 0 (none) to 3; None takes it back."""
    _check_severity(severity)
    found = find_bowed(bowed_sets(shop, job), id_)
    with changing(shop.database, job, made=shop.clock()) as change:
        change.text = f"noted the wolf of {found.id} of {change.job}"
        change.write(KIND, found.id, {**change.body(KIND, found.id), "severity": severity})
    return replace(found, severity=severity)


def _check_severity(severity: int | None) -> None:
    if severity is not None and severity not in SEVERITIES:
        raise ResonanceError(f"{severity} is no severity; 0 is no wolf, 1 slight, 2 bothersome, 3 unplayable")


def _keep_reading(shop: Shop, job: str, bowed: BowedSet) -> BowedSet:
    record = to_record(bowed)
    with changing(shop.database, job, made=shop.clock()) as change:
        change.text = f"read the notes of {bowed.id} of {change.job}"
        change.write(READ, bowed.id, {key: record[key] for key in DERIVED})
    return bowed


def _of(kept: KeptRecording, read: Record) -> BowedSet:
    """Join what was observed and what was read."""
    return BowedSet(
        kept.id,
        kept.taken,
        takes=kept.takes,
        setup=kept.setup,
        climate=kept.climate,
        conditions=kept.conditions,
        severity=kept.severity,
        **_derived(read),
    )


def _derived(read: Record) -> Record:
    whole = from_record(BowedSet, {"id": "", **read})
    return {key: getattr(whole, key) for key in DERIVED}


def repeats_of(job: Job, sets: Sequence[BowedSet]) -> tuple[tuple[BowedSet, BowedSet], ...]:
    """Pairs of bowed sets, one after the other, with nothing changed: the scatter between sittings.

    Only dated ones count, and an adjustment without a date rules out every pair.
    """
    if any(adjustment.made is None for adjustment in job.adjustments):
        return ()
    dated = sorted((each for each in sets if each.taken and each.notes), key=lambda each: each.taken or 0)
    made = [adjustment.made for adjustment in job.adjustments if adjustment.made]
    pairs = []
    for first, second in pairwise(dated):
        if first.taken and second.taken and not any(first.taken <= when <= second.taken for when in made):
            same = first.setup == second.setup
            pairs += [(first, second)] if same else []
    return tuple(pairs)


def nearest_tap_set(job: Job, bowed: BowedSet) -> TapSet | None:
    """Give the tap set taken nearest to a bowed set, no adjustment between; the last where undated."""
    made = [adjustment.made for adjustment in job.adjustments if adjustment.made]
    when = bowed.taken
    if when is None:
        return job.sets[-1] if job.sets else None
    near = []
    for tap_set in job.sets:
        if tap_set.taken is None:
            continue
        low, high = sorted((tap_set.taken, when))
        if not any(low <= each <= high for each in made):
            near.append((abs((tap_set.taken - when).total_seconds()), tap_set))
    return min(near, key=lambda each: each[0], default=(0.0, None))[1]


def listening(
    shop: Shop, before: BowedSet, after: BowedSet, *, pause: float = 0.7
) -> tuple[Recording, float]:
    """Give before, a pause, after as one recording at equal loudness, for listening.

    Returns
    -------
    (recording, gain_db) : and what the second was raised by against the first

    Raises
    ------
    ResonanceError   when the two have other sample rates, or are too quiet
    """
    first, second = (
        shop.with_sound(TapSet(each.id, each.taken, (), takes=each.takes[:1])).takes[0].recording
        for each in (before, after)
    )
    if first.sample_rate != second.sample_rate:
        raise ResonanceError(
            f"{before.id} and {after.id} have other sample rates ({first.sample_rate:.0f} and "
            f"{second.sample_rate:.0f} Hz); record both alike to hear them one after the other"
        )
    try:
        left, right, gain_db = equal_loudness(first, second)
    except ValueError as error:
        raise ResonanceError(str(error)) from error
    n = min(left.shape[1], right.shape[1])
    silence = np.zeros((round(pause * first.sample_rate), n))
    return Recording(np.concatenate([left[:, :n], silence, right[:, :n]]), first.sample_rate), gain_db
