"""From what was taken to a tap set of the shop: takes cut out, taps settled, analysed, kept.

After a crash a spool is judged again by the same session that judged it live, its keys pressed at the samples
where they were pressed. A set is first kept, then its spool removed; a crash in between shows by the
recordings being there already.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from itertools import pairwise, zip_longest
from typing import Any

import numpy as np

from resonance.errors import ResonanceError, ShopError
from resonance.jobs.change import DuplicateRecording
from resonance.jobs.recording import KeptRecording, add_recording, recordings, with_sound
from resonance.jobs.records import from_record, to_record
from resonance.jobs.store import Shop
from resonance.modes.threads import in_one_thread
from resonance.sets.analyse import analyse_set
from resonance.sets.setup import Setup
from resonance.sets.tapset import Climate, Conditions, TapSet
from resonance.sound.doctoring import signs_of_doctoring
from resonance.sound.recording import Recording, Take
from resonance.taking.listen import Clip, ear_for, vet_clips
from resonance.taking.session import Began, Ended, Event, Plan, Session
from resonance.taking.spool import Unfinished, discard
from resonance.taps.measures import END_GAP
from resonance.taps.tap import Tap

Progress = Callable[[float, str], None]
REPLAYED = 4096  # samples at a time
FULL_SCALE = 1.0 - 2.0**-23  # of 24 bits
MARGIN = 0.3  # s of quiet kept before a tap
SITTING = timedelta(hours=4)  # in which bench and microphone stand as they stood for the clap (assumed)


@dataclass(frozen=True)
class Noted:
    """What a spool's note says of a set, beside its sound.

    Parameters
    ----------
    job : str   id
    plan : Plan
    source : str   name of the microphone
    conditions, climate : as confirmed before the set
    repeat_of, repeat_kind : as in `resonance.sets.tapset.TapSet`
    """

    job: str
    plan: Plan = Plan()
    source: str = ""
    conditions: Conditions = field(default_factory=Conditions)
    climate: Climate = field(default_factory=Climate)
    repeat_of: str | None = None
    repeat_kind: str = ""


def note_of(noted: Noted) -> dict[str, Any]:
    """Give the note of a spool."""
    record: dict[str, Any] = to_record(noted)
    return record


def noted_in(note: Mapping[str, Any]) -> Noted:
    """Read the note of a spool.

    Raises
    ------
    ShopError   when it is not one
    """
    return from_record(Noted, dict(note))


@dataclass(frozen=True, eq=False)
class Cut:
    """A set cut out of its spool: takes, each tap with the index of its take, notes held."""

    takes: tuple[Take, ...]
    taps: tuple[Tap, ...]
    events: tuple[tuple[float, float], ...] = ()


def replay(spool: Unfinished) -> tuple[Session, tuple[int, ...], tuple[int, ...]]:
    """Judge a spool again; the session, and where each take began and ended (samples)."""
    session = Session(replace(noted_in(spool.note).plan, chimes=False), spool.sample_rate)
    marks = [(int(line["sample"]), str(line["what"])) for line in spool.journal]
    keys = [(sample, {"began": "go"}.get(what, what)) for sample, what in marks if what in ("began", "drop")]
    losses = {sample for sample, what in marks if what == "lost"}
    edges = sorted({*range(0, spool.n_samples, REPLAYED), *(s for s, _ in keys), *losses, spool.n_samples})
    events: list[Event] = []
    for start, end in pairwise(edges):
        for sample, key in keys:
            if sample == start:
                events += session.press(key)
        events += session.feed(spool.sound(start, end), lost=start in losses)
    began = tuple(event.sample for event in events if isinstance(event, Began))
    ended = tuple(event.sample for event in events if isinstance(event, Ended))
    return session, began, ended


def cut(
    spool: Unfinished, session: Session, began: Sequence[int], ended: Sequence[int], *, source: str
) -> Cut:
    """Cut the takes out of a spool; takes without an accepted tap are left out."""
    plan = session.plan
    kept: list[Take] = []
    taps: list[Tap] = []
    events: list[tuple[float, float]] = []
    lost = [int(line["sample"]) for line in spool.journal if line["what"] == "lost"]
    for index, (start, end) in enumerate(zip_longest(began, ended, fillvalue=spool.n_samples)):
        if not session.n_kept(index):
            continue
        samples = np.clip(spool.sound(start, end), -1.0, FULL_SCALE)
        moment = spool.started + timedelta(seconds=start / spool.sample_rate) if spool.started else None
        recording = Recording(
            samples,
            spool.sample_rate,
            started=moment,
            source=source,
            lost_blocks=sum(start <= sample < end for sample in lost),
            warnings=signs_of_doctoring(samples, spool.sample_rate),
        )
        taps += [replace(each.tap, take=len(kept)) for each in session.heard if each.tap.take == index]
        events += [(note.start, note.end) for take, note in session.notes if take == index]
        kept.append(Take(recording, plan.tap_place, plan.microphone_places[index]))
    return Cut(tuple(kept), tuple(settled(kept, taps, plan)), tuple(events))


def settled(takes: Sequence[Take], taps: Sequence[Tap], plan: Plan) -> list[Tap]:
    """Hold the accepted taps of each take against each other, now that all are there.

    The first taps had nothing to be compared with when they came; one may turn out unlike the rest.
    """
    result = list(taps)
    ear = ear_for(plan.family, plan.piece)
    for index, take in enumerate(takes if plan.looked_for == "taps" else ()):
        own = [k for k, tap in enumerate(taps) if tap.take == index and tap.kept]
        rate = take.recording.sample_rate
        clips = [_clip(take, taps[k]) for k in own]
        judged = vet_clips(clips, rate, ear=ear) if len(own) > 1 else []
        for k, again in zip(own, judged, strict=False):
            known = {fault.code for fault in taps[k].faults}
            new = [fault for fault in again.faults if fault.code not in {*known, "dull"}]
            if new:
                result[k] = replace(taps[k], kept=False, faults=(*taps[k].faults, *new))
    return result


def _clip(take: Take, tap: Tap) -> Clip:
    rate = take.recording.sample_rate
    first = max(0, round((tap.onset - MARGIN) * rate))
    return Clip(take.recording.samples[first : round((tap.end - END_GAP) * rate)], tap.onset - first / rate)


def analysed(
    found: Cut,
    noted: Noted,
    *,
    taken: datetime | None,
    setup: Setup,
    pitch_a4: float,
    claps: Sequence[Take] = (),
    progress: Progress | None = None,
) -> TapSet:
    """Analyse a set that was cut out; the taps are those judged live.

    Parameters
    ----------
    claps : takes of claps of this sitting; what rings in them is the room's

    Raises
    ------
    ResonanceError   when there is no usable tap
    """
    if not any(tap.kept for tap in found.taps):
        raise ResonanceError("no tap of this set can be used; nothing was kept, tap again")
    tap_set = analyse_set(
        found.takes,
        taps=found.taps,
        family=noted.plan.family,
        piece=noted.plan.piece,
        taken=taken,
        setup=setup,
        climate=noted.climate,
        conditions=noted.conditions,
        pitch_a4=pitch_a4,
        claps=claps,
        progress=progress,
    )
    return replace(tap_set, repeat_of=noted.repeat_of, repeat_kind=noted.repeat_kind)


def keep_set(shop: Shop, spool: Unfinished, tap_set: TapSet, noted: Noted) -> TapSet | None:
    """Keep an analysed set in the shop and remove its spool; None where the shop had it already."""
    try:
        bare = replace(tap_set, setup=Setup())  # the shop fills in the setup that held at its place
        kept = shop.add_tap_set(noted.job, bare)
    except DuplicateRecording:
        kept = None
    discard(spool.folder)
    return kept


def keep_recording(
    shop: Shop, spool: Unfinished, found: Cut, noted: Noted, *, taken: datetime | None
) -> KeptRecording | None:
    """Keep bowed notes or claps and remove their spool; None where the shop had them already.

    Raises
    ------
    ResonanceError   when nothing of the kind was heard
    """
    if not found.takes:
        raise ResonanceError("nothing was heard that could be kept; record again")
    events = found.events or tuple((tap.onset, tap.end) for tap in found.taps if tap.kept)
    recording = KeptRecording(
        noted.plan.looked_for, taken, found.takes, noted.climate, noted.conditions, events
    )
    try:
        kept = add_recording(shop, noted.job, recording)
    except DuplicateRecording:
        kept = None
    discard(spool.folder)
    return kept


def claps_of_sitting(shop: Shop, job: str, moment: datetime | None) -> tuple[Take, ...]:
    """Give the claps last recorded for a job in the hours before a set, places unnamed; () without any.

    Where their sound is missing or damaged the set is read without them: `resonance check` tells of it.
    """
    claps = [each for each in recordings(shop, job) if each.what == "clap" and each.taken is not None]
    if moment is None or not claps:
        return ()
    newest = max(claps, key=lambda each: each.taken or moment)
    since = moment - (newest.taken or moment)
    if not timedelta(0) <= since <= SITTING:
        return ()
    try:
        return tuple(Take(take.recording) for take in with_sound(shop, newest).takes)
    except ShopError:
        return ()


def keep_spool(
    shop: Shop,
    spool: Unfinished,
    noted: Noted,
    *,
    judged: tuple[Session, Sequence[int], Sequence[int]] | None = None,
    progress: Progress | None = None,
) -> TapSet | KeptRecording | None:
    """Keep what a spool holds, analysed, and remove it; None where the shop had it already.

    Parameters
    ----------
    judged : (session, began, ended) as it was judged live; None judges it again first

    Raises
    ------
    ResonanceError   when nothing in it can be used; the spool stays
    """
    tell = progress or (lambda fraction, text: None)
    session, began, ended = judged or replay(spool)
    tell(0.0, "cutting out the takes")
    found = cut(spool, session, began, ended, source=noted.source)
    moment = found.takes[0].recording.started if found.takes else spool.started
    if noted.plan.looked_for != "taps":
        return keep_recording(shop, spool, found, noted, taken=moment)
    tap_set = in_one_thread(analysed)(
        found,
        noted,
        taken=moment,
        setup=shop.job(noted.job).setup,
        pitch_a4=shop.settings().pitch_a4,
        claps=claps_of_sitting(shop, noted.job, moment),
        progress=tell,
    )
    return keep_set(shop, spool, tap_set, noted)
