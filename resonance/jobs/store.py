"""The shop: all jobs of a workshop in one folder, ``shop.db`` and ``sound/``.

Every method that changes something is one act: all of it happens or nothing, it can be undone, and nothing
is overwritten (see `resonance.jobs.schema`). A `Shop` holds no connection: it needs no closing and may be
used from any thread or process; several may be open at once.
"""

import os
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

from resonance.errors import NotFoundError, ResonanceError, ShopError
from resonance.jobs import assemble, order, sounds
from resonance.jobs.change import (
    Change,
    DuplicateRecording,
    changing,
    check_adjustment,
    check_choice,
    check_instrument,
    check_repeat_kind,
    correct_adjustment,
    correct_set,
    delete_entry,
    free_id,
    job_body,
    refuse_duplicates,
    resolve,
    write_adjustment,
    write_label,
    write_remark,
    write_same_mode,
    write_set,
    write_tap_verdict,
)
from resonance.jobs.check import Problem, check_shop
from resonance.jobs.database import (
    Act,
    Row,
    Sound,
    act_of,
    acts,
    add_act,
    add_record,
    find_sound,
    hashes_in,
    jobs_with_sound,
    last_made,
    last_open_act,
    open_database,
    plain_errors,
    reading,
    rows,
    writing,
)
from resonance.jobs.job import Entry, Job, find_set, short_name
from resonance.jobs.lines import JobLine, job_lines
from resonance.jobs.records import Record, aware, from_record, to_record
from resonance.jobs.settings import Settings
from resonance.modes.mode import Mode
from resonance.sets.instrument import FAMILIES, Instrument
from resonance.sets.setup import Adjustment, Setup
from resonance.sets.tapset import Analysis, Climate, Conditions, TapSet
from resonance.sound.files import make_folder
from resonance.sound.recording import Take, is_clap
from resonance.taps.tap import Tap

__all__ = ["Act", "DuplicateRecording", "JobLine", "Problem", "Shop"]

Progress = Callable[[float, str], None]
Files = Sequence[str | os.PathLike[str] | None]


def now() -> datetime:
    """Local time, aware, to the second."""
    return datetime.now().astimezone().replace(microsecond=0)


class Shop:
    """A shop folder, opened; made or brought up to date where need be.

    Parameters
    ----------
    folder : path of the shop
    clock : gives the time of each act

    Raises
    ------
    ShopError   when the folder cannot be used, or a newer program wrote it (it is not touched)
    """

    def __init__(self, folder: str | os.PathLike[str], *, clock: Callable[[], datetime] = now) -> None:
        self.folder = Path(folder)
        self.database = self.folder / "shop.db"
        self.sound_folder = self.folder / "sound"
        self.clock = clock
        try:
            make_folder(self.folder)
            open_database(self.database)
            make_folder(self.sound_folder)
        except OSError as error:
            raise ShopError(f"the shop folder {self.folder} cannot be used: {error.strerror}") from error

    # Jobs

    def new_job(
        self,
        instrument: Instrument,
        *,
        setup: Setup | None = None,
        job: str = "",
        notes: str = "",
        created: datetime | None = None,
    ) -> Job:
        """Begin a job.

        Parameters
        ----------
        job : str   id wanted; '' makes one from the instrument's name, with a number when that is taken

        Raises
        ------
        ResonanceError   when the id wanted is taken, or the family or piece is not known
        """
        check_instrument(instrument)
        made = self.clock()
        with writing(self.database) as db:
            job_id = free_id(db, short_name(job or instrument.name))
            if job and job_id != short_name(job):
                raise ResonanceError(f"there is a job {short_name(job)} already; choose another name")
            change = Change(db, job_id, [], made, f"began the job {job_id}")
            change.write("job", "job", job_body(instrument, notes, aware(created or made)))
            change.write("setup", "setup", to_record(setup or Setup()))
            change.finish()
        return self.job(job_id)

    def jobs(self) -> tuple[JobLine, ...]:
        """Give the jobs there are, in the order they were begun."""
        return job_lines(self.folder, self.database)

    def job(self, job: str, *, skip_damaged: bool = False) -> Job:
        """Read a job; its recordings come without samples.

        Parameters
        ----------
        job : str   its id, or its name in any writing
        skip_damaged : bool   leave damaged records out rather than stop

        Raises
        ------
        NotFoundError   naming the jobs there are
        ShopError   when a record is damaged
        """
        with reading(self.database) as db:
            job_id = resolve(db, job)
            return assemble.assemble(job_id, rows(db, job_id, skip_damaged=skip_damaged))

    def edit_job(self, job: str, *, instrument: Instrument | None = None, notes: str | None = None) -> Job:
        """Change what is noted of a job's instrument, or its notes."""
        if instrument is not None:
            check_instrument(instrument)
        with self._change(job) as change:
            change.text = f"changed what is noted of {change.job}"
            body = dict(change.body("job", "job"))
            if instrument is not None:
                body["instrument"] = {**body["instrument"], **to_record(instrument)}
            if notes is not None:
                body["notes"] = notes
            change.write("job", "job", body)
        return self.job(change.job)

    def delete_job(self, job: str) -> None:
        """Take a job off the list; `undo` brings it back, and its sound stays."""
        with self._change(job) as change:
            change.text = f"deleted the job {change.job}"
            change.write("job", "job", {**change.body("job", "job"), "deleted": True})

    # Setup, adjustments, remarks

    def set_setup(self, job: str, setup: Setup) -> Job:
        """Note the setup as it is now."""
        with self._change(job) as change:
            change.text = f"changed the setup of {change.job}"
            change.write("setup", "setup", {**change.body("setup", "setup"), **to_record(setup)})
        return self.job(change.job)

    def add_adjustment(
        self, job: str, adjustment: Adjustment, *, before: str | None = None, after: str | None = None
    ) -> Adjustment:
        """Note an adjustment; a known post position moves with it.

        Without `made` it was made now, at the end. With a date and no word on the order, its place is
        proposed; the end counts as confirmed where all dates agree with it.

        Parameters
        ----------
        before, after : id of a tap set, adjustment or remark

        Returns
        -------
        Adjustment   with the id the shop gave it
        """
        check_adjustment(adjustment)
        with self._change(job) as change:
            added = write_adjustment(change, adjustment, before=before, after=after)
            change.text = f"noted adjustment {added.id} ({added.part}) of {change.job}"
        return added

    def edit_adjustment(self, job: str, adjustment: Adjustment) -> Adjustment:
        """Correct an adjustment; the post's position follows the corrected displacement."""
        check_adjustment(adjustment)
        with self._change(job) as change:
            changed = correct_adjustment(change, adjustment)
            change.text = f"corrected adjustment {changed.id} of {change.job}"
        return changed

    def add_remark(
        self,
        job: str,
        text: str,
        *,
        at: datetime | None = None,
        before: str | None = None,
        after: str | None = None,
    ) -> Entry:
        """Note a remark in the maker's words."""
        with self._change(job) as change:
            return write_remark(change, text, at=at, before=before, after=after)

    # Tap sets

    def refuse_duplicates(self, job: str, files: Files) -> None:
        """See beforehand that none of the files is in the job already.

        Raises
        ------
        DuplicateRecording   naming the tap set that has it
        """
        hashes = [(Path(file).name, sounds.hash_file(Path(file))) for file in files if file is not None]
        with reading(self.database) as db:
            job_id = resolve(db, job)
            refuse_duplicates(job_id, rows(db, job_id, kinds=("tap_set", "recording")), hashes)

    def add_tap_set(
        self,
        job: str,
        tap_set: TapSet,
        files: Files = (),
        *,
        before: str | None = None,
        after: str | None = None,
        confirmed: bool = False,
    ) -> TapSet:
        """Keep a tap set: its recordings, what was noted, and its analysis.

        Parameters
        ----------
        tap_set : TapSet   as analysed; its id and `after` are given by the shop; a setup that says nothing
            takes the job's setup at that place
        files : one path a take, in their order; None (or no files) writes the take's samples
        before, after : id of an adjustment (or other line) that the maker says it belongs before or after
        confirmed : bool   whether the proposed place (by `taken`, else the end) is the maker's word

        Returns
        -------
        TapSet   as the job now shows it

        Raises
        ------
        DuplicateRecording   when the job has one of the recordings; nothing was changed
        ShopError   when a file is not what was analysed, or cannot be kept
        """
        check_repeat_kind(tap_set.repeat_kind)
        paths = _paths(tap_set, files)
        self.refuse_duplicates(job, paths)
        with plain_errors(self.folder):
            kept = [self._keep(take, path) for take, path in zip(tap_set.takes, paths, strict=True)]
        tap_set = _with_hashes(tap_set, kept)
        recordings = [take.recording for take in tap_set.takes]
        tapped = [take.recording for take in tap_set.takes if not is_clap(take)]  # a clap serves several sets
        with self._change(job) as change:
            refuse_duplicates(change.job, change.rows, [(r.source or r.sha256, r.sha256) for r in tapped])
            change.sounds += kept
            set_id = write_set(change, tap_set, before=before, after=after, confirmed=confirmed)
            names = ", ".join(filter(None, (r.source for r in recordings)))
            change.text = f"added tap set {set_id} to {change.job}" + (f" ({names})" if names else "")
        return find_set(self.job(change.job), set_id)

    def _keep(self, take: Take, path: Path | None) -> Sound:
        """Put a take's sound into the shop's folder."""
        if path is None:
            if not take.recording.samples.shape[0]:
                raise ValueError("a take without samples needs its file")
            return sounds.keep_samples(self.sound_folder, take.recording)
        sound = sounds.keep_file(self.sound_folder, path)
        if take.recording.sha256 not in ("", sound.sha256):
            raise ShopError(f"{path} has changed since it was read; nothing was changed, add it again")
        return sound

    def edit_tap_set(
        self,
        job: str,
        set_id: str,
        *,
        taken: datetime | None = None,
        climate: Climate | None = None,
        conditions: Conditions | None = None,
        setup: Setup | None = None,
        repeat_of: str | None = None,
        repeat_kind: str | None = None,
    ) -> TapSet:
        """Correct what was noted of a tap set; None leaves as it is, ``repeat_of=''`` takes it back."""
        check_repeat_kind(repeat_kind or "")
        parts = {
            "taken": taken and aware(taken),
            "climate": climate,
            "conditions": conditions,
            "setup": setup,
        }
        with self._change(job) as change:
            set_id = correct_set(change, set_id, parts, repeat_of=repeat_of, repeat_kind=repeat_kind)
        return find_set(self.job(change.job), set_id)

    def delete_entry(self, job: str, id: str) -> None:
        """Take a tap set, adjustment or remark off a job; `undo` brings it back."""
        with self._change(job) as change:
            delete_entry(change, id)
            change.text = f"deleted {id} of {change.job}"

    def add_analysis(self, job: str, set_id: str, tap_set: TapSet) -> TapSet:
        """Keep a further analysis of a tap set; the newest of the newest method counts."""
        with self._change(job) as change:
            set_id = find_set(change.assembled(), set_id).id
            change.text = f"analysed tap set {set_id} of {change.job} again"
            change.write("analysis", set_id, assemble.analysis_body(tap_set, change.made))
        return find_set(self.job(change.job), set_id)

    def analyses(self, job: str, set_id: str) -> tuple[Analysis, ...]:
        """Give all analyses of a tap set, oldest first."""
        with reading(self.database) as db:
            job_id = resolve(db, job)
            found = rows(db, job_id)
        set_id = find_set(assemble.assemble(job_id, found), set_id).id
        own = [row.body for row in found if row.kind == "analysis" and row.id == set_id]
        return tuple(from_record(Analysis, body.get("analysis", {})) for body in own)

    def with_sound(self, tap_set: TapSet) -> TapSet:
        """Give a tap set with its samples, each file checked against its hash.

        Raises
        ------
        ShopError   when a sound file is missing or damaged
        """
        return replace(tap_set, takes=tuple(self._loaded(take) for take in tap_set.takes))

    def _loaded(self, take: Take) -> Take:
        recording = take.recording
        if recording.samples.shape[0]:
            return take
        sound = self._sound(recording.sha256)
        with plain_errors(self.folder):
            return replace(take, recording=sounds.load(self.sound_folder, sound, recording))

    def sound_file(self, sha256: str) -> Path:
        """Give the path of a recording.

        Raises
        ------
        NotFoundError   when the shop has no such recording
        """
        return self.sound_folder / self._sound(sha256).file

    def _sound(self, sha256: str) -> Sound:
        with reading(self.database) as db:
            sound = find_sound(db, sha256)
        if sound is None:
            raise NotFoundError(f"the shop has no recording {sha256[:12] or 'without a hash'}")
        return sound

    def sets_with_sound(self, sha256: str) -> tuple[tuple[str, str], ...]:
        """Give the tap sets, over all jobs, that have a recording: (job, set id)."""
        with reading(self.database) as db:
            return tuple(
                (job, set_id)
                for job in jobs_with_sound(db, sha256)
                for set_id, body in _sets_of(rows(db, job, kinds=("job", "tap_set"))).items()
                if sha256 in hashes_in("tap_set", body)
            )

    def set_target(self, job: str, set_id: str | None) -> Job:
        """Name the tap set the maker aims at; None for none."""
        with self._change(job) as change:
            target = find_set(change.assembled(), set_id).id if set_id else None
            change.text = f"made {target or 'no tap set'} the target of {change.job}"
            change.write("target", "target", {"set": target})
        return self.job(change.job)

    # The maker's word over an analysis

    def suspect_set(self, job: str, set_id: str, *, suspect: bool = True) -> Job:
        """Say that a tap set is not to be trusted, or is again: histories leave it out, nothing else does."""
        with self._change(job) as change:
            found = find_set(change.assembled(), set_id).id
            change.text = f"{'no longer trusts' if suspect else 'trusts'} tap set {found} of {change.job}"
            change.write("suspect", found, {"suspect": suspect})
        return self.job(change.job)

    def label(
        self, job: str, set_id: str, frequency: float, name: str | None, *, author: str = "maker"
    ) -> Mode:
        """Name the mode nearest to a frequency (within 2 %); None takes its name away.

        Raises
        ------
        NotFoundError   naming the nearest modes
        """
        with self._change(job, analyses=True) as change:
            return write_label(change, set_id, frequency, name, author=author)

    def same_mode(self, job: str, first: tuple[str, float], second: tuple[str, float]) -> tuple[Mode, Mode]:
        """Say that two modes of two tap sets are one: both get the same track.

        Parameters
        ----------
        first, second : (set id, frequency in Hz)

        Raises
        ------
        NotFoundError   naming the nearest modes
        ResonanceError   when both are of one tap set
        """
        with self._change(job, analyses=True) as change:
            return write_same_mode(change, first, second)

    def judge_tap(self, job: str, set_id: str, take: int, onset: float, *, kept: bool) -> Tap:
        """Refuse or restore a tap; the modes stay as they are until the set is analysed again.

        Raises
        ------
        NotFoundError   when no tap lies within 20 ms of that time
        """
        with self._change(job, analyses=True) as change:
            return write_tap_verdict(change, set_id, take, onset, kept=kept)

    # Order

    def confirm_order(self, job: str) -> Job:
        """Take the order as it stands for the maker's word."""
        with self._change(job) as change:
            change.text = f"confirmed the order of {change.job}"
            timeline = order.confirm(assemble.entries(change.rows))
            change.write("order", "order", assemble.order_body(timeline))
        return self.job(change.job)

    def move_entry(self, job: str, id: str, *, before: str | None = None, after: str | None = None) -> Job:
        """Move a line of the timeline to where the maker says; that confirms it."""
        with self._change(job) as change:
            timeline = order.move(assemble.entries(change.rows), id, before=before, after=after)
            change.text = f"moved {id} in the order of {change.job}"
            change.write("order", "order", assemble.order_body(timeline))
        return self.job(change.job)

    # Acts

    def undo(self, job: str | None = None) -> Act:
        """Take back the last act, of one job or of the whole shop, that is not yet taken back.

        Returns
        -------
        Act   the one taken back

        Raises
        ------
        NotFoundError   when there is nothing to undo
        """
        with writing(self.database) as db:
            job_id = resolve(db, job, deleted_too=True) if job is not None else None
            number = last_open_act(db, job_id)
            if number is None:
                raise NotFoundError(f"there is nothing to undo in {job_id or 'this shop'}")
            last = act_of(db, number)
            add_act(db, made=self.clock(), job=last.job, text=f"undid: {last.text}", undoes=last.id)
        return replace(last, undone=True)

    def acts(self, job: str | None = None, *, limit: int | None = None) -> tuple[Act, ...]:
        """Give what was done, newest first."""
        with reading(self.database) as db:
            job_id = resolve(db, job, deleted_too=True) if job is not None else None
            return tuple(acts(db, job_id, newest=limit)[::-1])

    def last_act_when_clock_is_behind(self) -> datetime | None:
        """Give the time of the last act where the clock stands more than an hour before it, else None."""
        with reading(self.database) as db:
            last = last_made(db)
        return last if last is not None and last - self.clock() > timedelta(hours=1) else None

    def check(self, *, progress: Progress | None = None) -> tuple[Problem, ...]:
        """Look through the whole shop for damage; empty when all is well."""
        return check_shop(self.database, self.sound_folder, progress=progress)

    # Settings

    def settings(self) -> Settings:
        """Give the settings of the shop."""
        with reading(self.database) as db:
            found = assemble.newest(rows(db, "", kinds=("settings",)), "settings")
        return from_record(Settings, found.get("settings", {}))

    def set_settings(self, settings: Settings) -> Settings:
        """Change the settings of the shop."""
        check_choice("family", settings.family, FAMILIES)
        with writing(self.database) as db:
            act = add_act(db, made=self.clock(), job="", text="changed the settings of the shop")
            old = assemble.newest(rows(db, "", kinds=("settings",)), "settings").get("settings", {})
            body = {**old, **to_record(settings)}
            add_record(db, act, job="", kind="settings", id="settings", body=body)
        return settings

    def _change(self, job: str, *, analyses: bool = False) -> AbstractContextManager[Change]:
        """Begin an act on a job."""
        return changing(self.database, job, made=self.clock(), analyses=analyses)


def _sets_of(found: Sequence[Row]) -> dict[str, Record]:
    """Give the tap sets of a job from its records; none of a job that is gone."""
    return assemble.present(found, "tap_set") if assemble.present(found, "job") else {}


def _paths(tap_set: TapSet, files: Files) -> list[Path | None]:
    """Give one path or None for each take."""
    if files and len(files) != len(tap_set.takes):
        raise ValueError(f"{len(files)} files for {len(tap_set.takes)} takes; give one for each")
    return [Path(file) if file is not None else None for file in files or [None] * len(tap_set.takes)]


def _with_hashes(tap_set: TapSet, kept: Sequence[Sound]) -> TapSet:
    """Tie the takes to the files that were kept."""
    takes = tuple(
        replace(take, recording=replace(take.recording, sha256=sound.sha256))
        for take, sound in zip(tap_set.takes, kept, strict=True)
    )
    return replace(tap_set, takes=takes)
