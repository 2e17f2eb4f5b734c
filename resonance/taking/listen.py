"""Taps told one by one from sound as it comes: found, vetted, accepted or refused.

A tap is judged once its window has been heard: the decay that the analysis will use. It is cut out and found
again, refined and vetted by `resonance.taps` together with the taps accepted before it, as a recording of
them all would be; so what is accepted here is what the analysis accepts. The vetting, which costs the most,
is done ahead of the window's end; only where the end changes what was found is it done again. What does not
behave like a blow on ringing wood (it grows, or does not fall) is passed over in silence: speech, handling,
a chime.

No clock, thread or device: time is the number of samples heard. What is kept is bounded by the window and
by the number of accepted taps that others are held against.

Fault codes (beside those of `resonance.taps.vet`)
--------------------------------------------------
still_ringing : {snr_db, after}   what the blow before left ringing is too loud beside this one; s since then
too_soon : {}                     the sound that tells the verdict falls into this tap
sound_lost : {}                   the device lost sound within this tap
"""

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import inf, isnan, nan

import numpy as np

from resonance.modes.ranges import search_of
from resonance.reasons import Fault
from resonance.sound.recording import FloatArray
from resonance.taking.blowlike import LOUDER_AGAIN_DB, Levels, why_no_blow
from resonance.taking.trigger import Trigger
from resonance.taps.find import DetectionCurve, blows, join_bounces, refine_onset
from resonance.taps.measures import END_GAP, measure_taps
from resonance.taps.tap import Tap, TapLimits
from resonance.taps.vet import vet_taps

LEAD = 0.3  # s of quiet kept before each tap
SLACK = 0.005  # s after the window that must have been heard too
LONGEST_WINDOW = 1.2  # s
NEAR = 0.06  # s between a trigger and the blow it stands for
ALBUM = 5  # accepted taps that the next is held against: more cost time and tell little more
VETTED = 0.3  # s of a tap that the vetting looks at
SEEN = VETTED + NEAR + SLACK  # s after a trigger when that has been heard
PEAK_BEFORE = 0.01  # s before a trigger from which on its peak is sought
FALL_DB = {"violin": 10.0, "viola": 10.0, "cello": 8.0}  # dB that a tap is down after a tenth of a second
SOON_START, LATE_START = 0.015, 0.030  # s in which a tap is loudest; low bodies and plates beat and build up
FALL_OTHERS_DB, FALL_BARS_DB = 6.0, 1.0  # bass, plates; bars and gongs, which ring long
FAINTEST_DB = -27.0  # re the loudest accepted tap: fainter is no tap of this hand (`TapLimits.range_db`)
FAINTEST_DBFS = -42.0  # before any is accepted: a gain this low loses the tap in the recorder's own noise
RINGING_DB = 10.0  # above its quiet in the last moments before a tap: something still rings
RINGING_FOR = 8.0  # s: longer after a blow it is not that blow which rings
RINGING_SNR_DB = 25.0  # a tap this far above what rings is not harmed (common practice, no source)
BEFORE = (0.250, 0.010)  # s before a tap in which that is told
MUTE_LEAD = 0.045  # s of quiet that the noise of a tap is told from, at least
DULL_SHARE = 1.0 / 3.0  # of the band's upper end: a blow that reaches no higher shows too little there
LEVEL_SNR_DB = 3.0  # what came before was as loud: nobody taps into that
REAL = {"clipped", "dull", "unlike_others", "overlaps_next", "too_soon", "sound_lost"}  # blows all the same
LOST_SNR_DB = 10.0  # fainter and dull: it cannot be told from what goes on next door
LEAST_APART = 0.4  # s to the next blow
LEAST_SNR_DB = 15.0  # the maker is at hand and can tap again: more is asked than of a recording
THUD_SNR_DB = 22.0  # a dull blow fainter than this is not from this bench, nor a very dull one
VERY_DULL = 0.5  # of the reach called dull


@dataclass(frozen=True)
class Ear:
    """What is listened for.

    Parameters
    ----------
    window : float, s   of decay that makes a tap
    fall_db, start : float, dB, s   least fall of a tap's level, and how soon it must be loudest
    lowest_reach : float, Hz   a blow that reaches no higher is refused
    limits : TapLimits
    alike : bool   hold taps against those accepted before
    """

    window: float = 0.6
    fall_db: float = FALL_OTHERS_DB
    start: float = LATE_START
    lowest_reach: float = 400.0
    limits: TapLimits = TapLimits(lowest_snr_db=LEAST_SNR_DB, overlap_within=LEAST_APART)
    alike: bool = True


def ear_for(family: str, piece: str = "whole") -> Ear:
    """Give what to listen for on a kind of instrument."""
    search = search_of(family, piece)
    whole = piece == "whole"
    bars = family == "other" and whole
    return Ear(
        window=min(search.longest, LONGEST_WINDOW),
        fall_db=FALL_BARS_DB if bars else FALL_DB.get(family if whole else "", FALL_OTHERS_DB),
        start=SOON_START if whole and family in ("violin", "viola") else LATE_START,
        lowest_reach=0.0 if bars else DULL_SHARE * search.band[1],
    )


CLAPS = Ear(window=0.8, fall_db=3.0, start=LATE_START, lowest_reach=0.0, alike=False)


@dataclass(frozen=True, eq=False)
class Clip:
    """One tap cut out, with the quiet before it.

    Parameters
    ----------
    samples : array (n_samples, n_channels)
    lead : float, s   of quiet before the onset
    """

    samples: FloatArray
    lead: float


@dataclass(frozen=True, eq=False)
class Verdict:
    """A tap, accepted (`tap.kept`) or refused with its faults.

    Parameters
    ----------
    tap : Tap   times in s from the first sample heard
    clip : Clip
    window_end : float, s   the tap could be judged from here on
    """

    tap: Tap
    clip: Clip
    window_end: float


@dataclass(frozen=True)
class Passed:
    """Something loud that is no tap: its time (s), its peak (dB re full scale), and why.

    `why` is 'faint' (a soft or distant thud), 'talk' (it comes out of other sound), or why it is no blow
    (`resonance.taking.blowlike`).
    """

    at: float
    peak_dbfs: float
    why: str


@dataclass(frozen=True, eq=False)
class _Blow:
    """A blow in a piece of sound (n, n_channels) that begins at `origin`, s from the first sample heard.

    `times` (its bounces behind it) and `following` (the next blow; inf) count from there; `why` says why it
    is no tap, or ''.
    """

    sound: FloatArray
    origin: float
    times: tuple[float, ...]
    following: float
    why: str

    @property
    def key(self) -> tuple[float, ...]:
        """All that the vetting's result hangs on."""
        return (self.origin, *self.times, min(self.following, self.times[0] + VETTED))


@dataclass(frozen=True, eq=False)
class _Ahead:
    """A blow vetted ahead of its window's end: the blow's key, and the tap as vetted."""

    key: tuple[float, ...]
    tap: Tap


class Listener:
    """Tells taps from blocks.

    Parameters
    ----------
    sample_rate : float, Hz
    ear : Ear
    """

    def __init__(self, sample_rate: float, *, ear: Ear) -> None:
        self.sample_rate, self.ear = sample_rate, ear
        self._trigger = Trigger(sample_rate, keep=LEAD + 2.0 * NEAR + ear.window + 0.5, limits=ear.limits)
        self._blocks: deque[FloatArray] = deque()
        self._first = 0  # sample number of the first one kept
        self._heard = 0
        self._waiting: list[float] = []
        self._ahead: dict[float, _Ahead | None] = {}
        self._album: deque[Clip] = deque(maxlen=ALBUM)
        self._loudest = nan
        self._told = -inf
        self._last_blow = -inf
        self._mutes: deque[tuple[float, float]] = deque(maxlen=4)
        self._losses: deque[float] = deque(maxlen=16)

    @property
    def now(self) -> float:
        """Seconds heard so far."""
        return self._heard / self.sample_rate

    @property
    def open(self) -> bool:
        """Whether a tap's window is open."""
        return bool(self._waiting)

    @property
    def quiet_db(self) -> FloatArray:
        """Each band's quiet, dB re full scale, array (n_bands,)."""
        return self._trigger.quiet_db

    def mute(self, start: float, end: float) -> None:
        """Say that a sound of our own fills this time: a tap that it reaches into is refused."""
        self._mutes.append((start, end))

    def lost(self) -> None:
        """Say that the device lost sound just before the next block."""
        self._losses.append(self.now)

    def forget(self) -> None:
        """Drop the taps that others are held against: the microphone moved."""
        self._album.clear()
        self._waiting.clear()
        self._ahead.clear()

    def feed(self, block: FloatArray) -> list[Verdict | Passed]:
        """Take a block (n, n_channels); give what can be judged now."""
        if not len(block):
            return []
        self._blocks.append(block)
        self._heard += len(block)
        self._waiting += self._trigger.feed(np.ascontiguousarray(block[:, 0]))
        told: list[Verdict | Passed] = []
        for coarse, whole in self._due():
            if not whole:
                self._ahead[coarse] = self._vetted_ahead(coarse)
                continue
            self._waiting.remove(coarse)
            found = self._judge(coarse)
            self._ahead.pop(coarse, None)
            told += [found] if found is not None else []
        self._drop_old()
        return told

    def _due(self) -> list[tuple[float, bool]]:
        """Triggers with something to do now, by time: to be vetted ahead (False), to be judged (True)."""
        window = self.ear.window
        ahead = [(each + SEEN, False, each) for each in self._waiting if each not in self._ahead]
        whole = [(each + window + SLACK, True, each) for each in self._waiting]
        return [(each, last) for at, last, each in sorted([*ahead, *whole]) if at <= self.now]

    def _drop_old(self) -> None:
        kept = LEAD + NEAR + self.ear.window + 3.0 * SLACK
        oldest = min([self.now - kept, *(time - LEAD - NEAR for time in self._waiting)])
        while self._blocks and self._first + len(self._blocks[0]) < oldest * self.sample_rate:
            self._first += len(self._blocks.popleft())

    def _piece(self, start: float, end: float) -> tuple[FloatArray, float]:
        """Sound between two times as far as it is kept, and the time of its first sample."""
        sound = np.concatenate(list(self._blocks))
        low = max(0, round(start * self.sample_rate) - self._first)
        high = max(low, round(end * self.sample_rate) - self._first)
        return sound[low:high], (self._first + low) / self.sample_rate

    def _blow(self, coarse: float, end: float) -> "_Blow | None":
        """Find the blow that a trigger stands for in the sound up to a time; None where there is none."""
        sound, origin = self._piece(coarse - LEAD - NEAR, end)
        curve = self._trigger.curve(origin, end)
        curve = replace(curve, times=curve.times - origin)
        found = _blow_near(sound[:, 0], self.sample_rate, curve, coarse - origin, self.ear)
        if found is None:
            return None
        blow, following = found
        levels = Levels(
            curve.times, curve.level_db, *self._trigger.low_levels(origin, origin + curve.times[-1])
        )
        why = why_no_blow(levels, blow, following, fall_db=self.ear.fall_db, start=self.ear.start)
        return _Blow(sound, origin, tuple(blow), min(following, default=inf), why)

    def _vetted_ahead(self, coarse: float) -> "_Ahead | None":
        """Vet a blow as soon as what the vetting looks at has been heard, so that its verdict waits for less.

        It is held against the taps accepted by then.
        """
        blow = self._blow(coarse, coarse + SEEN)
        if blow is None or blow.why or blow.origin + blow.times[0] - self._told < self._apart:
            return None
        return _Ahead(blow.key, self._vet(blow))

    def _vet(self, blow: "_Blow") -> Tap:
        """Measure and vet a blow beside the taps accepted before; times mean nothing."""
        clip = shorter(self._clip(blow), self.sample_rate)
        clips = [*(shorter(each, self.sample_rate) for each in self._album), clip]
        bounces = [time - blow.times[0] for time in blow.times[1:]]
        return vet_clips(clips, self.sample_rate, ear=self.ear, bounces=bounces, only_last=True)[-1]

    @property
    def _apart(self) -> float:
        """Seconds from a blow within which nothing more is told."""
        return self.ear.limits.double_hit_within

    def _judge(self, coarse: float) -> Verdict | Passed | None:
        """Judge the blow that a trigger stands for; None where it was told already."""
        blow = self._blow(coarse, coarse + self.ear.window + SLACK)
        at, _ = self._piece(coarse - PEAK_BEFORE, coarse + NEAR)
        peak_dbfs = _peak_dbfs(at[:, 0])
        if blow is None:
            return Passed(coarse, peak_dbfs, "no_start")
        if blow.origin + blow.times[0] - self._told < self._apart:
            return None
        self._told = blow.origin + blow.times[0]
        why = blow.why
        if peak_dbfs < (FAINTEST_DBFS if isnan(self._loudest) else self._loudest + FAINTEST_DB):
            why = "faint"
        if why:
            return Passed(coarse, peak_dbfs, why)
        ahead = self._ahead.get(coarse)
        return self._verdict(
            blow, ahead.tap if ahead is not None and ahead.key == blow.key else self._vet(blow)
        )

    def _verdict(self, blow: "_Blow", judged: Tap) -> Verdict | Passed:
        """Accept or refuse a vetted blow, or pass it over: by its window, by what live listening knows."""
        onset = blow.origin + blow.times[0]
        after = blow.following - blow.times[0]
        end = onset + min(after - END_GAP, self.ear.window)
        before_db = self._trigger.above_quiet_db(onset - BEFORE[0], onset - BEFORE[1])
        sounds_on = before_db >= RINGING_DB and judged.snr_db < RINGING_SNR_DB
        why = _not_of_this_bench(judged, self.ear)
        if (sounds_on and onset - self._last_blow > RINGING_FOR) or judged.snr_db < LEVEL_SNR_DB:
            why = "talk"
        if why and not self._muted(onset, end):
            return Passed(onset, judged.peak_dbfs, why)
        faults = self._faults(judged, onset, end, rings=sounds_on)
        if after < self.ear.limits.overlap_within:
            faults.append(Fault("overlaps_next", {"after": after}))
        kept = not refusing(judged, faults, self.ear)
        tap = replace(judged, onset=onset, end=end, faults=tuple(faults), kept=kept)
        clip = self._clip(blow)
        if kept:
            self._album.append(clip)
            self._loudest = max(tap.peak_dbfs, -inf if isnan(self._loudest) else self._loudest)
        if {fault.code for fault in faults} <= REAL:
            self._last_blow = onset
        return Verdict(tap, clip, onset + self.ear.window)

    def _clip(self, blow: "_Blow") -> Clip:
        """Cut a blow's tap out, up to the end of its window or the next blow."""
        at = blow.times[0]
        first = max(0, round((at - LEAD) * self.sample_rate))
        end = round(min(at + self.ear.window, blow.following - END_GAP) * self.sample_rate)
        return Clip(blow.sound[first:end].copy(), at - first / self.sample_rate)

    def _muted(self, onset: float, end: float) -> bool:
        """Whether a sound of our own reaches into a tap."""
        return any(start < end and onset - MUTE_LEAD < stop for start, stop in self._mutes)

    def _faults(self, tap: Tap, onset: float, end: float, *, rings: bool) -> list[Fault]:
        """Faults of a vetted tap, and those that only live listening knows."""
        faults = list(tap.faults)
        if rings:
            faults = [fault for fault in faults if fault.code != "too_quiet"]
            values = {"snr_db": tap.snr_db, "after": onset - self._last_blow}
            faults.append(Fault("still_ringing", values))
        if self._muted(onset, end):
            faults.append(Fault("too_soon"))
        if any(onset - MUTE_LEAD <= time <= end for time in self._losses):
            faults.append(Fault("sound_lost"))
        return faults


def _not_of_this_bench(tap: Tap, ear: Ear) -> str:
    """Say 'faint' of a thud so dull and faint that it comes from elsewhere, 'talk' of a voice coming in."""
    if any(float(f.values["ratio_db"]) > LOUDER_AGAIN_DB for f in tap.faults if f.code == "double_hit"):
        return "talk"
    very_dull = tap.reach < max(ear.lowest_reach, VERY_DULL * ear.limits.dull_below)
    faint = very_dull and tap.snr_db < THUD_SNR_DB
    lost = tap.snr_db < LOST_SNR_DB and tap.reach < ear.limits.dull_below
    return "faint" if ear.alike and (faint or lost) else ""


def vet_clips(
    clips: Sequence[Clip],
    sample_rate: float,
    *,
    ear: Ear,
    bounces: Sequence[float] = (),
    only_last: bool = False,
) -> list[Tap]:
    """Measure and vet taps that were cut out, as if they followed each other in one recording.

    Parameters
    ----------
    bounces : times (s) after the last clip's onset of further blows in it
    only_last : look for second blows in the last one alone, to save time

    Returns
    -------
    list of Tap, as many as clips; times as in the joined sound
    """
    sound, onsets = joined(clips, sample_rate)
    mono = sound[:, 0]
    taps = measure_taps(mono, sample_rate, onsets)
    later: list[list[float]] = [[] for _ in clips[:-1]] + [[onsets[-1] + time for time in bounces]]
    if not ear.alike:
        only_last = True
        taps, later = taps[-1:], later[-1:]
    judged = [len(taps) - 1] if only_last else None
    return vet_taps(mono, sample_rate, taps, bounces=later, judged=judged, limits=ear.limits)


def joined(clips: Iterable[Clip], sample_rate: float) -> tuple[FloatArray, list[float]]:
    """Clips one behind the other, array (n_samples, n_channels), and the onset of each, s."""
    parts, onsets, n = [], [], 0
    for clip in clips:
        onsets.append(n / sample_rate + clip.lead)
        parts.append(clip.samples)
        n += len(clip.samples)
    return np.concatenate(parts), onsets


def shorter(clip: Clip, sample_rate: float) -> Clip:
    """Leave of a clip what vetting looks at."""
    return Clip(clip.samples[: round((clip.lead + VETTED) * sample_rate)], clip.lead)


def _blow_near(
    mono: FloatArray, rate: float, curve: DetectionCurve, coarse: float, ear: Ear
) -> tuple[list[float], list[float]] | None:
    """Refined times of a blow and its bounces, and of the blows after it; None where there is none."""
    fine = [[refine_onset(mono, rate, time) for time in group] for group in blows(curve, limits=ear.limits)]
    groups = join_bounces([group for group in fine if group[0] > 0.0], within=ear.limits.double_hit_within)
    near = [k for k, group in enumerate(groups) if any(abs(time - coarse) <= NEAR for time in group)]
    if not near:
        return None
    return groups[near[0]], [group[0] for group in groups[near[0] + 1 :]]


def _peak_dbfs(sound: FloatArray) -> float:
    """Largest sample, dB re full scale."""
    peak = float(np.max(np.abs(sound), initial=0.0))
    return 20.0 * float(np.log10(peak)) if peak > 0.0 else -inf


def refusing(tap: Tap, faults: Sequence[Fault], ear: Ear) -> bool:
    """Whether a vetted tap is refused: for dullness alone only where it shows nothing."""
    if any(fault.code != "dull" for fault in faults):
        return True
    refused_for_dullness = not tap.kept and [fault.code for fault in tap.faults] == ["dull"]
    return refused_for_dullness or tap.reach < ear.lowest_reach
