"""What one act writes: records of a new tap set, an adjustment, a corrected line. Used by the shop only."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from sqlite3 import Connection

from resonance.errors import NotFoundError, ResonanceError, ShopError
from resonance.jobs import assemble, order
from resonance.jobs.database import (
    Row,
    Sound,
    add_act,
    add_record,
    add_sound,
    hashes_in,
    rows,
    rows_and_damage,
    writing,
)
from resonance.jobs.job import (
    Entry,
    Job,
    displaced,
    find_adjustment,
    find_mode,
    find_set,
    moved_post,
    position,
    setup_there,
    short_name,
)
from resonance.jobs.records import Record, aware, to_record
from resonance.jobs.verdicts import nearest_tap
from resonance.modes.mode import Mode
from resonance.sets.instrument import FAMILIES, PIECES, Instrument
from resonance.sets.setup import ENDS, PARTS, Adjustment, Setup
from resonance.sets.tapset import REPEAT_KINDS, TapSet
from resonance.taps.tap import Tap


class DuplicateRecording(ResonanceError):
    """A recording that a tap set of the job has already; nothing was changed.

    Parameters
    ----------
    file : str   name of the file
    job, set_id : str   where it is already; `set_id` is '' when the same recording is named twice at once
    """

    def __init__(self, file: str, job: str, set_id: str) -> None:
        self.file, self.job, self.set_id = file, job, set_id
        holder = "recording" if set_id.startswith("rec") else "tap set"
        where = f"already in {holder} {set_id} of {job}" if set_id else "named twice"
        super().__init__(f"{file} is {where} (the same recording); nothing was changed")


@dataclass
class Change:
    """An act in the making: what is so far, and what it will write when it ends well.

    Parameters
    ----------
    db : connection, inside its transaction
    job : str   id
    rows : list of Row   records of the job, those of this act included
    made : aware datetime
    text : str   what is done, in plain words
    undoes : int or None   the act that this one takes back
    """

    db: Connection
    job: str
    rows: list[Row]
    made: datetime
    text: str = ""
    sounds: list[Sound] = field(default_factory=list)
    written: list[tuple[str, str, Record]] = field(default_factory=list)
    undoes: int | None = None

    def write(self, kind: str, id: str, body: Record) -> None:
        """Add a record to the act."""
        seq = self.rows[-1].seq + 1 if self.rows else 1  # for the order within this act only
        self.rows.append(Row(seq, 0, self.job, kind, id, body))
        self.written.append((kind, id, body))

    def body(self, kind: str, id: str) -> Record:
        """Give the newest body of a thing, empty where there is none yet."""
        return assemble.newest(self.rows, kind).get(id, {})

    def assembled(self) -> Job:
        """Give the job with what was written so far."""
        return assemble.assemble(self.job, self.rows)

    def finish(self) -> None:
        """Put the act and its records into the database."""
        act = add_act(self.db, made=self.made, job=self.job, text=self.text, undoes=self.undoes)
        for sound in self.sounds:
            add_sound(self.db, act, sound)
        for kind, id_, body in self.written:
            add_record(self.db, act, job=self.job, kind=kind, id=id_, body=body)


@contextmanager
def changing(path: Path, job: str, *, made: datetime, analyses: bool = False) -> Iterator[Change]:
    """Begin an act on a job; all that is written within it stands or falls together.

    Parameters
    ----------
    analyses : bool   whether the act needs modes and taps; without them a long job is read faster
    """
    with writing(path) as db:
        job_id = resolve(db, job)
        change = Change(db, job_id, rows(db, job_id, kinds=() if analyses else assemble.NOTED), made)
        yield change
        change.finish()


def resolve(db: Connection, job: str, *, deleted_too: bool = False) -> str:
    """Give the id of a job from its id or its name.

    Raises
    ------
    NotFoundError   naming the jobs there are
    ShopError   when the job is there but what it is can no longer be read
    """
    damaged, deleted = [], []
    for wanted in dict.fromkeys((job, short_name(job))):
        found, harmed = rows_and_damage(db, wanted, kinds=("job",))
        damaged += harmed
        if found and (deleted_too or not found[-1].body.get("deleted")):
            return wanted
        deleted += found
    if damaged:
        raise ShopError(f"the record of {short_name(job)} is damaged; see all that is wrong: resonance check")
    if deleted:
        raise NotFoundError(f"the job {deleted[0].job} was deleted; undo its deletion to see it again")
    every = {row.job: row.body for row in rows_and_damage(db, kinds=("job",))[0]}
    present = [job_id for job_id, body in every.items() if not body.get("deleted")]
    raise NotFoundError(f"there is no job '{job}'; there are: {list_of_jobs(present)}")


def list_of_jobs(present: Sequence[str], *, most: int = 20) -> str:
    """Name the jobs there are, the newest only where they are many."""
    if len(present) <= most:
        return ", ".join(present) or "none yet"
    return f"... {', '.join(present[-most:])} ({len(present)} in all; see: resonance job list)"


def free_id(db: Connection, wanted: str) -> str:
    """Give an id that no job has or had, a deleted one included: the one wanted, else with a number."""
    number, job_id = 2, wanted
    while any(rows_and_damage(db, job_id, kinds=("job",))):
        job_id = f"{wanted}-{number}"
        number += 1
    return job_id


def check_choice(what: str, value: str, choices: Sequence[str]) -> None:
    """Refuse a word that is none of the choices.

    Raises
    ------
    ResonanceError   naming them
    """
    if value not in choices:
        raise ResonanceError(f"'{value}' is no {what}; write one of: {', '.join(choices)}")


def check_instrument(instrument: Instrument) -> None:
    """Refuse an unknown family or piece, and an instrument without a name."""
    check_choice("family", instrument.family, FAMILIES)
    check_choice("piece", instrument.piece, PIECES)
    if not instrument.name.strip():
        raise ResonanceError("the instrument needs a name")


def check_adjustment(adjustment: Adjustment) -> None:
    """Refuse an unknown part or end."""
    check_choice("part", adjustment.part, PARTS)
    check_choice("end", adjustment.end, ("", *ENDS))


def check_repeat_kind(kind: str) -> None:
    """Refuse an unknown kind of repeat set."""
    check_choice("kind of repeat", kind, ("", *REPEAT_KINDS))


def job_body(instrument: Instrument, notes: str, created: datetime) -> Record:
    """Give the record of a new job."""
    return {"instrument": to_record(instrument), "notes": notes, "created": to_record(created)}


def refuse_duplicates(job: str, found: Iterable[Row], hashes: Sequence[tuple[str, str]]) -> None:
    """Refuse recordings (name, hash) that the job has in what was found, or that are named twice.

    Raises
    ------
    DuplicateRecording
    """
    found = list(found)
    owner = {
        sha256: id_
        for kind in ("tap_set", "recording")
        for id_, body in assemble.present(found, kind).items()
        for sha256 in hashes_in(kind, body)
    }
    seen: set[str] = set()
    for name, sha256 in hashes:
        if sha256 in owner:
            raise DuplicateRecording(name, job, owner[sha256])
        if sha256 in seen:
            raise DuplicateRecording(name, job, "")
        seen.add(sha256)


def write_adjustment(
    change: Change, adjustment: Adjustment, *, before: str | None, after: str | None
) -> Adjustment:
    """Write a new adjustment, its place in the order and the post position that follows from it."""
    id_ = assemble.next_id(change.rows, "adjustment")
    given = adjustment.made is not None
    added = replace(adjustment, id=id_, made=aware(adjustment.made or change.made))
    entry = Entry("adjustment", id_, added.made, False, at_given=given)
    timeline = order.insert(assemble.entries(change.rows), entry, before=before, after=after)
    if timeline[-1].id == id_ and not any(_is_later(other, entry) for other in timeline):
        timeline = (*timeline[:-1], replace(timeline[-1], confirmed=True))
    change.write("adjustment", id_, {**_without_id(added), "made_given": given})
    change.write("order", "order", assemble.order_body(timeline))
    move_post(change, None, added)
    return added


def _is_later(one: Entry, other: Entry) -> bool:
    return one.at is not None and other.at is not None and one.at > other.at


def correct_adjustment(change: Change, adjustment: Adjustment) -> Adjustment:
    """Write a corrected adjustment; the post position follows the corrected displacement."""
    old = find_adjustment(change.assembled(), adjustment.id)
    made = aware(adjustment.made) if adjustment.made is not None else old.made
    changed = replace(adjustment, id=old.id, made=made)
    body = change.body("adjustment", old.id)
    given = bool(body.get("made_given", True)) or made != old.made
    move_post(change, old, changed)
    change.write("adjustment", old.id, {**body, **_without_id(changed), "made_given": given})
    return changed


def delete_entry(change: Change, id: str) -> None:
    """Write that a tap set, adjustment or remark is gone."""
    known = change.assembled()
    entry = known.timeline[position(known, id)]
    kind = {shown: kind for kind, shown in assemble.ENTRY_KINDS.items()}[entry.kind]
    if entry.kind == "adjustment":
        move_post(change, find_adjustment(known, id), None)
    change.write(kind, id, {**change.body(kind, id), "deleted": True})


def _without_id(adjustment: Adjustment) -> Record:
    return {key: value for key, value in to_record(adjustment).items() if key != "id"}


def move_post(change: Change, old: Adjustment | None, new: Adjustment | None) -> None:
    """Let the noted post position follow an adjustment that comes (old None), changes, or goes (new None).

    Before a later new post nothing follows: the position is that of the new post.
    """
    job = change.assembled()
    one = new or old
    assert one is not None
    later = job.timeline[position(job, one.id) + 1 :]
    adjustments = [find_adjustment(job, entry.id) for entry in later if entry.kind == "adjustment"]
    if any(each.part == "soundpost" and each.new_chapter for each in adjustments):
        return
    setup = displaced(job.setup, old, -1.0) if old is not None else job.setup
    setup = moved_post(setup, new) if new is not None else setup
    if to_record(setup) != to_record(job.setup):
        change.write("setup", "setup", {**change.body("setup", "setup"), **to_record(setup)})


def write_set(
    change: Change, tap_set: TapSet, *, before: str | None, after: str | None, confirmed: bool
) -> str:
    """Write a new tap set, its analysis and its place in the order; give its id."""
    set_id = assemble.next_id(change.rows, "tap_set")
    taken = aware(tap_set.taken) if tap_set.taken is not None else None
    job = change.assembled()
    repeat_of = find_set(job, tap_set.repeat_of).id if tap_set.repeat_of else None
    entry = Entry("tap set", set_id, taken, confirmed)
    timeline = order.insert(job.timeline, entry, before=before, after=after)
    place = [each.id for each in timeline].index(set_id)
    said_nothing = to_record(tap_set.setup) == to_record(Setup())
    setup = setup_there(job, place) if said_nothing else tap_set.setup
    noted = replace(tap_set, id=set_id, taken=taken, repeat_of=repeat_of, setup=setup)
    change.write("tap_set", set_id, assemble.observed_body(noted))
    change.write("analysis", set_id, assemble.analysis_body(noted, change.made))
    change.write("order", "order", assemble.order_body(timeline))
    return set_id


def correct_set(
    change: Change,
    set_id: str,
    parts: Mapping[str, object],
    *,
    repeat_of: str | None,
    repeat_kind: str | None,
) -> str:
    """Write a tap set with corrected notes (None leaves as it is); give its id."""
    known = change.assembled()
    set_id = find_set(known, set_id).id
    new = {name: to_record(part) for name, part in parts.items() if part is not None}
    if repeat_of is not None:
        new["repeat_of"] = find_set(known, repeat_of).id if repeat_of else None
    if repeat_kind is not None or repeat_of == "":
        new["repeat_kind"] = repeat_kind or ""
    change.text = f"corrected tap set {set_id} of {change.job}"
    change.write("tap_set", set_id, {**change.body("tap_set", set_id), **new})
    return set_id


def write_remark(
    change: Change, text: str, *, at: datetime | None, before: str | None, after: str | None
) -> Entry:
    """Write a remark and its place in the order."""
    id_ = assemble.next_id(change.rows, "remark")
    when = aware(at or change.made)
    entry = Entry("remark", id_, when, True, text, at_given=at is not None)
    timeline = order.insert(assemble.entries(change.rows), entry, before=before, after=after)
    change.text = f"noted remark {id_} on {change.job}"
    change.write("remark", id_, {"text": text, "at": to_record(when), "at_given": at is not None})
    change.write("order", "order", assemble.order_body(timeline))
    return entry


def write_label(change: Change, set_id: str, frequency: float, name: str | None, *, author: str) -> Mode:
    """Write a name for a mode; give the mode as it is shown from now on."""
    tap_set = find_set(change.assembled(), set_id)
    hertz = find_mode(tap_set, frequency).frequency
    what = f"named {hertz:.1f} Hz {name}" if name else f"took the name off {hertz:.1f} Hz"
    change.text = f"{what} in tap set {tap_set.id} of {change.job}"
    change.write("label", tap_set.id, {"frequency": hertz, "name": name or None, "author": author})
    return find_mode(find_set(change.assembled(), tap_set.id), hertz)


def write_same_mode(change: Change, *places: tuple[str, float]) -> tuple[Mode, Mode]:
    """Write that two modes, (set id, frequency) each, are one; give both as they are shown from now on."""
    known = change.assembled()
    sets = [find_set(known, set_id) for set_id, _ in places]
    if sets[0].id == sets[1].id:
        raise ResonanceError("two modes of one tap set cannot be the same; name two tap sets")
    modes = [find_mode(each, hertz) for each, (_, hertz) in zip(sets, places, strict=True)]
    found = [(each.id, mode.frequency) for each, mode in zip(sets, modes, strict=True)]
    shown = " and ".join(f"{set_id}:{hertz:.1f} Hz" for set_id, hertz in found)
    change.text = f"called {shown} the same mode in {change.job}"
    change.write("same", "", {"modes": [{"set": set_id, "frequency": hertz} for set_id, hertz in found]})
    known = change.assembled()
    first, second = (find_mode(find_set(known, set_id), hertz) for set_id, hertz in found)
    return first, second


def write_tap_verdict(change: Change, set_id: str, take: int, onset: float, *, kept: bool) -> Tap:
    """Write that a tap is refused or restored; give it as it is shown from now on."""
    tap_set = find_set(change.assembled(), set_id)
    index = nearest_tap(tap_set.taps, take, onset)
    if index is None:
        there = ", ".join(f"{tap.onset:.2f}" for tap in tap_set.taps if tap.take == take) or "none"
        raise NotFoundError(f"tap set {tap_set.id} has no tap at {onset:.2f} s; there are: {there}")
    onset = tap_set.taps[index].onset
    verb = "restored" if kept else "refused"
    change.text = f"{verb} the tap at {onset:.2f} s of tap set {tap_set.id} of {change.job}"
    change.write("tap_verdict", tap_set.id, {"take": take, "onset": onset, "kept": kept})
    return find_set(change.assembled(), tap_set.id).taps[index]
