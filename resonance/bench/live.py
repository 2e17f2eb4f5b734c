"""A set in the taking, for all who look on: the recorder's own engine in a thread, its state as one picture.

There is one microphone, so there is one set at a time. Pages draw `LiveSet.picture`, a frozen value that is
replaced as a whole at each change; any of them may press. What is recorded is on the disk before anything
else looks at it; when the set is over it is analysed and kept by the same thread.
"""

import threading
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, replace
from math import isfinite
from pathlib import Path

from resonance.bench.sight import POINTS, Sight, in_steps
from resonance.errors import ResonanceError
from resonance.jobs.answers import put_back_scatter
from resonance.jobs.recording import KeptRecording
from resonance.jobs.store import Shop
from resonance.modes.ranges import search_of
from resonance.report.live import advice_line, event_lines, large_words, reading_words
from resonance.report.words import sentence
from resonance.sound.microphone import Microphone, Stream, open_loudspeaker, open_microphone
from resonance.sound.recording import FloatArray
from resonance.spectra.spectrum import pitch_points
from resonance.taking.chime import chime
from resonance.taking.keep import Noted, keep_spool, note_of
from resonance.taking.readings import Readings, Refits
from resonance.taking.runner import SoundStream, Taken, take_set
from resonance.taking.session import Checked, Dropped, Event, Hint, Judged, Session
from resonance.taking.spool import create, discard, read

OVER = ("kept", "over")
RATE = 48_000.0
BUTTON = "the large button"
Opener = Callable[[Microphone, float], AbstractContextManager[Stream]]


@dataclass(frozen=True)
class Reading:
    """One reading so far: name, words, and where it stands in the spectrum."""

    name: str
    words: str
    frequency: float


@dataclass(frozen=True)
class Picture:
    """All that a page shows of a set in the taking, in words.

    Parameters
    ----------
    stage : 'opening', 'listening', 'moving', 'keeping', 'kept' or 'over' (nothing was kept)
    large : str   in the largest letters, its sign first
    line : str   behind it
    notes : of the level check, and what would help
    kept, wanted : int   taps of this place
    place, take, n_places : where the microphone is, or is to go
    held : spectrum of the last accepted tap, a step a point (`resonance.bench.sight`)
    progress : float, 0 to 1   of the analysis
    set_id : str   of the tap set it was kept as
    """

    job: str
    stage: str = "opening"
    large: str = "WAIT"
    line: str = "Waiting for the microphone."
    notes: tuple[str, ...] = ()
    kept: int = 0
    wanted: int = 4
    place: str = ""
    take: int = 0
    n_places: int = 1
    verdicts: tuple[str, ...] = ()
    readings: tuple[Reading, ...] = ()
    advice: str = ""
    held: tuple[int, ...] = ()
    progress: float = 0.0
    set_id: str = ""


class Heard:
    """A microphone that lets the eye see along."""

    def __init__(self, stream: SoundStream, sight: Sight) -> None:
        self.sample_rate, self.n_channels = stream.sample_rate, stream.n_channels
        self._stream, self._sight = stream, sight

    def read(self, frames: int = 1024) -> tuple[FloatArray, bool]:
        """Give the next block."""
        block, lost = self._stream.read(frames)
        self._sight.hear(block)
        return block, lost


def _opened(microphone: Microphone, rate: float) -> AbstractContextManager[Stream]:
    return open_microphone(microphone, sample_rate=rate)


class LiveSet:
    """One set in the taking. `start` it once; `picture` and `sight` are for looking, `press` for keys.

    Parameters
    ----------
    noted : how it is taken
    microphone : Microphone
    rate : float, Hz
    opener : opens the microphone
    """

    def __init__(
        self,
        shop: Shop,
        noted: Noted,
        microphone: Microphone,
        *,
        rate: float = RATE,
        opener: Opener | None = None,
    ) -> None:
        plan = noted.plan
        self.noted = noted
        self.sight = Sight(rate, search_of(plan.family, plan.piece).band)
        places = plan.microphone_places
        self.picture = Picture(
            noted.job, wanted=plan.wanted, n_places=len(places), place=places[0] if places else ""
        )
        self.version = 0
        self._shop, self._microphone, self._rate, self._opener = shop, microphone, rate, opener or _opened
        self._keys: deque[str] = deque()
        self._silent = False  # the note says that no sound came
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        """Begin to listen."""
        self._thread.start()

    def press(self, key: str) -> None:
        """Press 'go' (the microphone has moved), 'drop' (the last tap) or 'finish'."""
        self._keys.append(key)

    def wait(self, seconds: float) -> None:
        """Wait for the end, or so long."""
        self._thread.join(seconds)

    @property
    def over(self) -> bool:
        """Whether nothing more will come."""
        return self.picture.stage in OVER

    # What the recorder calls (`resonance.taking.runner.Watcher`)

    def pressed(self) -> list[str]:
        """Give the keys pressed since the last call."""
        return [self._keys.popleft() for _ in range(len(self._keys))]

    def show(self, event: Event, session: Session) -> None:
        """Take in what happened."""
        wanted = session.plan.wanted
        lines = event_lines(event, wanted, sample_rate=session.sample_rate, press=BUTTON)
        moving = session.stage == "moving"
        take = session.take + moving
        now = replace(
            self.picture,
            stage="moving" if moving else "listening",
            large=large_words(event, wanted) or self.picture.large,
            take=take,
            place=session.plan.microphone_places[take],
            kept=0 if moving else session.n_kept(),
        )
        if isinstance(event, Hint | Checked):
            now = replace(now, notes=tuple(lines[:2]))
            self._silent = isinstance(event, Checked) and any(
                reason.code == "no_sound" for reason in event.level.reasons
            )
        elif lines:
            now = replace(now, line=lines[0])
        if isinstance(event, Judged | Dropped):
            now = replace(now, verdicts=(lines[0], *now.verdicts)[:12])
        if isinstance(event, Judged) and event.tap.kept and session.heard[-1].clip is not None:
            sound = session.heard[-1].clip.samples[:, 0]
            seen = in_steps(pitch_points(sound, session.sample_rate, self.sight.band, POINTS))
            now = replace(now, held=tuple(seen))
        self._show(now)

    def show_readings(self, readings: Readings, session: Session) -> None:
        """Take in readings so far."""
        found = tuple(Reading(*reading_words(mode), mode.frequency) for mode in readings.modes)
        if found:
            self._show(replace(self.picture, readings=found, advice=advice_line(readings)))

    def tick(self, session: Session) -> None:
        """Take the note back that no sound came, once it comes; level and spectrum are looked at."""
        if self._silent and isfinite(session.meter_dbfs):
            self._silent = False
            self._show(replace(self.picture, notes=()))

    # The thread

    def _show(self, picture: Picture) -> None:
        self.picture = picture
        self.version += 1

    def _run(self) -> None:
        try:
            taken, folder = self._record()
            self._keep(taken, folder)
        except ResonanceError as error:
            self._end(str(error))
        except Exception as error:
            self._end(
                f"this should not happen ({type(error).__name__}), report it; what was recorded is kept"
            )
            raise

    def _end(self, why: str) -> None:
        self._show(replace(self.picture, stage="over", large="STOPPED", line=sentence(why)))

    def _record(self) -> tuple[Taken, Path]:
        shop, plan = self._shop, self.noted.plan
        scatter = put_back_scatter(shop.job(self.noted.job), shop=shop).pooled.scatter_cents
        pitch = shop.settings().pitch_a4
        refits = Refits(plan, pitch_a4=pitch, scatter_cents=scatter) if plan.looked_for == "taps" else None
        try:
            with self._opener(self._microphone, self._rate) as stream, self._sounds() as chimes:
                self.sight.sample_rate = stream.sample_rate
                spool = create(
                    shop.folder,
                    note_of(self.noted),
                    sample_rate=stream.sample_rate,
                    n_channels=stream.n_channels,
                    started=shop.clock(),
                )
                heard = Heard(stream, self.sight)
                return take_set(plan, heard, self, spool=spool, refits=refits, chime=chimes), spool.folder
        finally:
            if refits is not None:
                refits.close()

    @contextmanager
    def _sounds(self) -> Iterator[Callable[[str], None] | None]:
        """Give what sounds a verdict; None where the plan wants none."""
        if not self.noted.plan.chimes:
            yield None
            return
        with open_loudspeaker(sample_rate=self._rate) as loudspeaker:
            yield lambda name: loudspeaker.play(chime(name, self._rate))

    def _keep(self, taken: Taken, folder: Path) -> None:
        """Keep what was taken; after trouble it stays in the spool and is offered."""
        kept = sum(taken.session.n_kept(take) for take in range(taken.session.take + 1))
        if not kept:
            discard(folder)
            raise taken.trouble or ResonanceError("nothing was heard that can be used, so nothing was kept")
        if taken.trouble is not None:
            raise taken.trouble
        spool = read(folder)
        if spool is None:
            raise ResonanceError("the recording cannot be read back from the disk; see that the disk is well")
        self._show(replace(self.picture, stage="keeping", large="DONE", line="Reading the resonances."))
        judged = (taken.session, taken.began, taken.ended)
        stored = keep_spool(self._shop, spool, self.noted, judged=judged, progress=self._progress)
        set_id = "" if stored is None or isinstance(stored, KeptRecording) else stored.id
        self._show(replace(self.picture, stage="kept", line="Kept.", set_id=set_id, progress=1.0))

    def _progress(self, fraction: float, text: str) -> None:
        self._show(replace(self.picture, progress=fraction, line=sentence(text)))


class Microphones:
    """The one set at a time that the microphone of this computer can take."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._now: LiveSet | None = None

    @property
    def now(self) -> LiveSet | None:
        """The set in the taking, or the last one."""
        return self._now

    @property
    def busy(self) -> bool:
        """Whether a set is in the taking."""
        return self._now is not None and not self._now.over

    def begin(self, live: LiveSet) -> None:
        """Begin a set.

        Raises
        ------
        ResonanceError   when one is in the taking
        """
        with self._lock:
            if self._now is not None and not self._now.over:
                raise ResonanceError(f"a tap set of {self._now.noted.job} is in the taking; finish it first")
            self._now = live
            live.start()

    def clear(self) -> None:
        """Forget the last set once it is over, so that the next can begin."""
        with self._lock:
            if self._now is not None and self._now.over:
                self._now = None
