"""One set taken at the bench: blocks and keys in, events out. Pure: no clock, thread, device or file.

The way: the first block makes it ready; taps are judged as they come; after about four at one microphone
place it asks once to move the microphone and waits for a key; after about four at the last place it is done,
later only where readings say that more taps help. Time is counted in samples.

Hint codes
----------
not_taken : {n}        so many sounds were not taken for taps: talk, handling
too_soft : {n, peak_dbfs}   knocks too soft for a tap were heard
sounds_on : {n}        knocks that do not die away: strings undamped, or a very lively room
gain_low : {peak_dbfs} accepted taps are so faint that the recorder's own noise counts
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isnan

import numpy as np

from resonance.reasons import Reason
from resonance.sound.recording import FloatArray, Recording, Take
from resonance.taking.chime import sounding
from resonance.taking.level import TAP_PEAK_DBFS, LevelCheck, check_level
from resonance.taking.listen import CLAPS, Clip, Listener, Passed, Verdict, ear_for, joined
from resonance.taking.notes import Note, NoteListener
from resonance.taps.tap import Tap

LOOKED_FOR = ("taps", "bowed", "clap")
CHECKED = 1.5  # s of the first sound that the level check looks at
HINT_EVERY, HINT_AFTER = 60.0, 3  # s between two hints; sounds passed over before one
GAIN_LOW_DBFS = -30.0
RHYTHM = 0.25  # s left before the next tap is due, or no sound is made
REFUSED_KEPT = 200  # refused taps remembered; more are counted only


@dataclass(frozen=True)
class Plan:
    """How a set is taken.

    Parameters
    ----------
    family, piece : as in `resonance.sets.instrument.Instrument`
    looked_for : one of `LOOKED_FOR`
    tap_place : str
    microphone_places : tuple of str   one a take, in order
    wanted, most : int   taps at each place; at the last one up to `most` while more help
    chimes : bool   whether verdicts are told by a sound
    mains : float, Hz
    tap_peak_dbfs : float, dB re full scale   of earlier taps through this microphone
    idle : float, s   without an accepted tap, after which the set ends by itself
    """

    family: str = "violin"
    piece: str = "whole"
    looked_for: str = "taps"
    tap_place: str = ""
    microphone_places: tuple[str, ...] = ("", "")
    wanted: int = 4
    most: int = 8
    chimes: bool = False
    mains: float = 50.0
    tap_peak_dbfs: float = TAP_PEAK_DBFS
    idle: float = 900.0


@dataclass(frozen=True)
class Ready:
    """The first block came."""


@dataclass(frozen=True)
class Checked:
    """The level check is done; once more where the first sound was none, as of a device that slept."""

    level: LevelCheck


@dataclass(frozen=True, eq=False)
class Judged:
    """A tap was accepted or refused.

    Parameters
    ----------
    tap : Tap   times in s from the first sample of its take
    n_kept : int   accepted ones of this take so far
    chime : '' | 'accepted' | 'refused'   the sound to make now
    behind : float, s   of sound heard since the tap's window ended
    """

    tap: Tap
    n_kept: int
    chime: str = ""
    behind: float = 0.0


@dataclass(frozen=True)
class Held:
    """A bowed note was held and ended."""

    note: Note
    n_kept: int


@dataclass(frozen=True)
class Hint:
    """Something that would help."""

    reason: Reason


@dataclass(frozen=True)
class Move:
    """The microphone is to go to its next place; a key goes on."""

    place: str
    take: int


@dataclass(frozen=True)
class Began:
    """A take began at a sample of all that was heard."""

    take: int
    sample: int


@dataclass(frozen=True)
class Ended:
    """A take ended at a sample of all that was heard."""

    take: int
    sample: int


@dataclass(frozen=True)
class Dropped:
    """The maker took the last accepted tap back."""

    tap: Tap
    n_kept: int


@dataclass(frozen=True)
class Lost:
    """The device lost sound before this sample."""

    sample: int


@dataclass(frozen=True)
class Done:
    """The set is over: 'full', 'finished' by key, or 'idle'."""

    why: str


Event = (
    Ready | Checked | Judged | Held | Hint | Move | Began | Ended | Dropped | Lost | Done
)  # all that a session tells


@dataclass(frozen=True, eq=False)
class Heard:
    """One tap as judged, its take's index in `tap.take`; cut out where it was accepted."""

    tap: Tap
    clip: Clip | None = None


class Session:
    """The state of one set in the taking.

    Parameters
    ----------
    plan : Plan
    sample_rate : float, Hz
    """

    def __init__(self, plan: Plan, sample_rate: float) -> None:
        self.plan, self.sample_rate = plan, sample_rate
        self.stage = "starting"
        self.enough: bool | None = None
        self.take = 0
        self.heard: list[Heard] = []
        self.notes: list[tuple[int, Note]] = []
        self.n_refused = 0
        self.n_lost = 0
        self.level: LevelCheck | None = None
        self.meter_dbfs = float("-inf")
        self._samples = 0
        self._began = 0
        self._quiet: list[FloatArray] = []
        self._mute = False  # the level check met no sound at all
        self._passed: Counter[str] = Counter()
        self._passed_peak = float("-inf")
        self._hinted = float("-inf")
        self._last = 0.0
        self._onsets: list[float] = []
        self._ears = self._new_ears()

    def _new_ears(self) -> Listener | NoteListener:
        if self.plan.looked_for == "bowed":
            return NoteListener(self.sample_rate)
        ear = CLAPS if self.plan.looked_for == "clap" else ear_for(self.plan.family, self.plan.piece)
        return Listener(self.sample_rate, ear=ear)

    @property
    def now(self) -> float:
        """Seconds heard since the first sample."""
        return self._samples / self.sample_rate

    def n_kept(self, take: int | None = None) -> int:
        """Count what was accepted in a take (the present one unless said)."""
        wanted = self.take if take is None else take
        if self.plan.looked_for == "bowed":
            return sum(index == wanted for index, _ in self.notes)
        return sum(each.tap.kept and each.tap.take == wanted for each in self.heard)

    def feed(self, block: FloatArray, *, lost: bool = False) -> list[Event]:
        """Take a block (n, n_channels) of float64; give what happened.

        Parameters
        ----------
        lost : bool   the device lost sound before this block
        """
        events: list[Event] = []
        if self.stage == "done" or not len(block):
            return events
        if self.stage == "starting":
            self.stage = "listening"
            events += [Ready(), Began(0, 0)]
        if lost:
            self.n_lost += 1
            self._ears.lost()
            events.append(Lost(self._samples))
        self._samples += len(block)
        peak = float(np.max(np.abs(block)))
        self.meter_dbfs = 20.0 * float(np.log10(peak)) if peak > 0.0 else float("-inf")
        events += self._checked(block)
        if self.stage == "listening":
            for told in self._ears.feed(block):
                events += self._told(told)
            events += self._hints()
            events += self._step()
        return events

    def press(self, key: str) -> list[Event]:
        """Take a key: 'go' (the microphone has moved), 'drop' (the last tap), 'finish'."""
        if key == "finish" and self.stage in ("listening", "moving"):
            return self._finish("finished")
        if key == "go" and self.stage == "moving":
            self.take += 1
            self.stage = "listening"
            self._began, self._last = self._samples, self.now
            self._ears = self._new_ears()
            self._onsets = []
            return [Began(self.take, self._samples)]
        if key == "drop" and self.stage in ("listening", "moving"):
            return self._drop()
        return []

    def clips(self) -> list[tuple[int, Clip]]:
        """Give the accepted taps, each with its take's index."""
        return [(each.tap.take, each.clip) for each in self.heard if each.clip is not None]

    def _checked(self, block: FloatArray) -> list[Event]:
        if self.level is not None and not self._mute:
            return []
        if self._mute and not np.ptp(block[:, 0]) > 0.0:
            return []
        self._quiet.append(block[:, 0].copy())
        if sum(map(len, self._quiet)) < CHECKED * self.sample_rate:
            return []
        sound, self._quiet = np.concatenate(self._quiet), []
        self.level = check_level(
            sound, self.sample_rate, mains=self.plan.mains, tap_peak_dbfs=self.plan.tap_peak_dbfs
        )
        self._mute = any(reason.code == "no_sound" for reason in self.level.reasons)
        return [Checked(self.level)]

    def _told(self, told: Verdict | Passed | Note) -> list[Event]:
        if isinstance(told, Passed):
            self._passed[told.why] += 1
            self._passed_peak = max(self._passed_peak, told.peak_dbfs)
            return []
        self._last = self.now
        self._passed.clear()
        self._passed_peak = float("-inf")
        if isinstance(told, Note):
            self.notes.append((self.take, told))
            return [Held(told, self.n_kept())]
        behind = self._ears.now - told.window_end
        tap = replace(told.tap, take=self.take)
        if tap.kept or self.n_refused < REFUSED_KEPT:
            self.heard.append(Heard(tap, told.clip if tap.kept else None))
        self.n_refused += not tap.kept
        chime = self._chime(tap)
        return [Judged(tap, self.n_kept(), chime, behind), *self._gain(tap)]

    def _chime(self, tap: Tap) -> str:
        """Say which sound to make: none while a tap is open or the next one is due, by the hand's rhythm."""
        self._onsets = [*self._onsets[-3:], tap.onset]
        name = "accepted" if tap.kept else "refused"
        gaps = np.diff(self._onsets)
        due = tap.onset + float(np.min(gaps)) if len(gaps) else float("inf")
        ears = self._ears
        if not self.plan.chimes or ears.open or ears.now + sounding(name) + RHYTHM > due:
            return ""
        ears.mute(ears.now, ears.now + sounding(name))
        return name

    def _gain(self, tap: Tap) -> list[Event]:
        first = tap.kept and self.n_kept() == 1
        if not first or isnan(tap.peak_dbfs) or tap.peak_dbfs > GAIN_LOW_DBFS:
            return []
        return [Hint(Reason("gain_low", {"peak_dbfs": tap.peak_dbfs}))]

    def _hints(self) -> list[Event]:
        n = sum(self._passed.values())
        if n < HINT_AFTER or self.now - self._hinted < HINT_EVERY:
            return []
        self._hinted = self.now
        commonest = self._passed.most_common(1)[0][0]
        peak, self._passed_peak = self._passed_peak, float("-inf")
        self._passed.clear()
        if commonest == "faint":
            return [Hint(Reason("too_soft", {"n": n, "peak_dbfs": peak}))]
        return [Hint(Reason("sounds_on" if commonest == "no_fall" else "not_taken", {"n": n}))]

    def _step(self) -> list[Event]:
        """See whether the take, or the set, is over."""
        if self.now - self._last > self.plan.idle:
            return self._finish("idle")
        n, last = self.n_kept(), self.take == len(self.plan.microphone_places) - 1
        if n < self.plan.wanted or self._ears.open:
            return []
        if not last:
            self.stage = "moving"
            place = self.plan.microphone_places[self.take + 1]
            return [Ended(self.take, self._samples), Move(place, self.take + 1)]
        if self.enough is False and n < self.plan.most:
            return []
        return self._finish("full")

    def _finish(self, why: str) -> list[Event]:
        ended: list[Event] = [Ended(self.take, self._samples)] if self.stage == "listening" else []
        self.stage = "done"
        return [*ended, Done(why)]

    def _drop(self) -> list[Event]:
        """Take back the last accepted tap of this take."""
        for k in reversed(range(len(self.heard))):
            tap = self.heard[k].tap
            if tap.kept and tap.take == self.take:
                dropped = replace(tap, kept=False, judged_by="maker")
                self.heard[k] = Heard(dropped)
                return [Dropped(dropped, self.n_kept())]
        return []


def clip_takes(
    clips: Sequence[tuple[int, Clip]], places: Sequence[str], *, tap_place: str, sample_rate: float
) -> tuple[list[Take], list[Tap]]:
    """Give takes that hold the accepted taps alone, and these taps; for readings while the set goes on."""
    takes: list[Take] = []
    taps: list[Tap] = []
    for index in sorted({index for index, _ in clips}):
        own = [clip for take, clip in clips if take == index]
        sound, onsets = joined(own, sample_rate)
        for onset, clip in zip(onsets, own, strict=True):
            end = onset - clip.lead + len(clip.samples) / sample_rate
            taps.append(Tap(onset, take=len(takes), end=end))
        takes.append(Take(Recording(sound, sample_rate), tap_place, places[index]))
    return takes, taps
