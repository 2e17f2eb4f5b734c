"""A recording of a job that is no tap set: bowed notes, or claps that show the room."""

import os
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from resonance.jobs.assemble import next_id, present
from resonance.jobs.change import changing, check_choice, refuse_duplicates, resolve
from resonance.jobs.database import plain_errors, reading, rows
from resonance.jobs.records import Record, from_record, to_record
from resonance.jobs.sounds import keep_file, keep_samples
from resonance.jobs.store import Shop
from resonance.sets.setup import Setup
from resonance.sets.tapset import Climate, Conditions, TapSet
from resonance.sound.recording import Take

RECORDED = ("bowed", "clap")
KIND, READ = "recording", "bowed"


@dataclass(frozen=True, eq=False)
class KeptRecording:
    """Bowed notes or claps, kept with how they were taken.

    Parameters
    ----------
    what : one of `RECORDED`
    taken : aware datetime or None
    takes : tuple of Take   without samples when read back
    climate, conditions : as noted by the maker
    events : tuple of (float, float), s   start and end of each note, or onset and end of each clap, in the
        takes one after another
    id : str   given by the shop
    setup : Setup   as it was
    strings : tuple of str   the string each take was played on, '' where it holds several
    severity : int or None   of a wolf by the maker's hand and ear, 0 (none) to 3
    """

    what: str
    taken: datetime | None = None
    takes: tuple[Take, ...] = ()
    climate: Climate = field(default_factory=Climate)
    conditions: Conditions = field(default_factory=Conditions)
    events: tuple[tuple[float, float], ...] = ()
    id: str = ""
    setup: Setup = field(default_factory=Setup)
    strings: tuple[str, ...] = ()
    severity: int | None = None


def add_recording(
    shop: Shop,
    job: str,
    recording: KeptRecording,
    files: Sequence[str | os.PathLike[str]] = (),
    *,
    read: Record | None = None,
) -> KeptRecording:
    """Keep a recording in a shop. One act, which `Shop.undo` takes back.

    Parameters
    ----------
    recording : KeptRecording   a setup that says nothing takes the job's present one
    files : one path a take, kept byte for byte; none writes the takes' samples
    read : what was read of bowed notes, kept in the same act (`resonance.jobs.bowed`)

    Returns
    -------
    KeptRecording   with the id the shop gave it

    Raises
    ------
    DuplicateRecording   when the job has one of the recordings; nothing was changed
    ShopError   when the sound cannot be written
    """
    check_choice("what", recording.what, RECORDED)
    with plain_errors(shop.folder):
        kept = (
            [keep_file(shop.sound_folder, Path(file)) for file in files]
            if files
            else [keep_samples(shop.sound_folder, take.recording) for take in recording.takes]
        )
    takes = tuple(
        replace(take, recording=replace(take.recording, sha256=sound.sha256))
        for take, sound in zip(recording.takes, kept, strict=True)
    )
    with changing(shop.database, job, made=shop.clock()) as change:
        named = [(take.recording.source, take.recording.sha256) for take in takes]
        refuse_duplicates(change.job, change.rows, named)
        change.sounds += kept
        id_ = next_id(change.rows, KIND)
        change.text = f"added recording {id_} ({recording.what}) to {change.job}"
        setup = recording.setup
        if setup == Setup():
            setup = from_record(Setup, change.body("setup", "setup"))
        added = replace(recording, id=id_, takes=takes, setup=setup)
        change.write(KIND, id_, to_record(added))
        if read is not None:
            change.write(READ, id_, read)
    return added


def recordings(shop: Shop, job: str) -> tuple[KeptRecording, ...]:
    """Give the recordings of a job that are no tap sets, oldest first, without samples."""
    with reading(shop.database) as db:
        found = rows(db, resolve(db, job), kinds=(KIND,))
    return tuple(from_record(KeptRecording, body) for body in present(found, KIND).values())


def with_sound(shop: Shop, recording: KeptRecording) -> KeptRecording:
    """Give a recording with its samples, each file checked against its hash.

    Raises
    ------
    ShopError   when a sound file is missing or damaged
    """
    loaded = shop.with_sound(TapSet("", None, (), takes=recording.takes))
    return replace(recording, takes=loaded.takes)
