"""A set in the taking: microphone to spool to session, with keys, readings and sounds.

A thread reads the microphone and does nothing else, so that no sound is lost; another writes each block to
the spool as it comes and flushes it twice a second, so that neither the microphone nor a verdict waits for a
slow disk; a third sees that the system records from the same microphone still. The caller's own thread judges
taps, so that what it shows is in order. Fits run in a process of their own
(`resonance.taking.readings`).
"""

import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from typing import Protocol

from resonance.errors import MicrophoneError, ResonanceError
from resonance.sound.recording import FloatArray
from resonance.taking.readings import Readings, Refits
from resonance.taking.session import Began, Done, Dropped, Ended, Event, Judged, Lost, Plan, Session
from resonance.taking.soundserver import Source, gone_over, source_in_use
from resonance.taking.spool import Spool

FLUSH_EVERY = 0.5  # s
LOOK_EVERY = 2.0  # s between two looks at what the sound server records from
TICK = 0.05  # s between two looks at the keys when no sound comes
FIRST_BLOCK = 5.0  # s that a microphone may take to give its first sound
SILENT = 3.0  # s without any sound from an open device: it is gone
JOURNALLED = {Began: "began", Ended: "ended", Dropped: "drop", Lost: "lost", Done: "done"}


class SoundStream(Protocol):
    """What the runner needs of a microphone (`resonance.sound.microphone.Stream`)."""

    sample_rate: float
    n_channels: int

    def read(self, frames: int = ...) -> tuple[FloatArray, bool]:
        """Give the next block and whether sound before it was lost; wait for it."""
        ...


class Watcher(Protocol):
    """Who shows the set and gives the keys."""

    def show(self, event: Event, session: Session) -> None:
        """Show what happened."""
        ...

    def show_readings(self, readings: Readings, session: Session) -> None:
        """Show readings so far."""
        ...

    def tick(self, session: Session) -> None:
        """Show what changes by itself: the level."""
        ...

    def pressed(self) -> list[str]:
        """Give the keys pressed since the last call, without waiting: see `Session.press`."""
        ...


@dataclass(frozen=True, eq=False)
class Taken:
    """A set as far as it was taken.

    Parameters
    ----------
    session : Session
    started : aware datetime   when the first block came
    began, ended : sample at which each take began and ended
    lost : samples at which sound was lost
    trouble : ResonanceError or None   what ended it before its time
    latencies : tuple of float, s   from the end of each tap's window to its verdict, by this computer's clock
    """

    session: Session
    started: datetime | None = None
    began: tuple[int, ...] = ()
    ended: tuple[int, ...] = ()
    lost: tuple[int, ...] = ()
    trouble: ResonanceError | None = None
    latencies: tuple[float, ...] = ()


@dataclass
class _Log:
    """What is gathered on the way."""

    began: list[int] = field(default_factory=list)
    ended: list[int] = field(default_factory=list)
    lost: list[int] = field(default_factory=list)
    latencies: list[float] = field(default_factory=list)


def take_set(
    plan: Plan,
    stream: SoundStream,
    watcher: Watcher,
    *,
    spool: Spool | None,
    refits: Refits | None = None,
    chime: Callable[[str], None] | None = None,
    ask_source: Callable[[], Source | None] = source_in_use,
) -> Taken:
    """Take a set from an open stream; returns when it is over, or when something ends it.

    Parameters
    ----------
    spool : Spool or None   None keeps nothing (a trial)
    refits : Refits or None   None gives no readings
    chime : called with 'accepted' or 'refused', returns at once
    ask_source : gives the sound server's input
    """
    session = Session(plan, stream.sample_rate)
    blocks: queue.SimpleQueue[tuple[FloatArray, bool, float] | ResonanceError] = queue.SimpleQueue()
    stop = threading.Event()
    writer = _Writer(spool) if spool is not None else None
    threads = [
        threading.Thread(target=_read, args=(stream, writer, blocks, stop), daemon=True),
        threading.Thread(target=_see_source, args=(ask_source, blocks, stop), daemon=True),
    ]
    for thread in threads:
        thread.start()
    log = _Log()
    started: datetime | None = None
    trouble: ResonanceError | None = None
    last_sound = time.monotonic()
    try:
        while session.stage != "done":
            try:
                item = blocks.get(timeout=TICK)
            except queue.Empty:
                item = None
            trouble = item if isinstance(item, ResonanceError) else writer.error if writer else None
            if trouble is not None:
                break
            assert not isinstance(item, ResonanceError)
            events: list[Event] = []
            if item is not None:
                block, lost, came = item
                last_sound = time.monotonic()
                started = started or datetime.now().astimezone()
                events = session.feed(block, lost=lost)
                _note_latencies(events, came, log)
            elif time.monotonic() - last_sound > (SILENT if started else FIRST_BLOCK):
                trouble = _no_sound()
                break
            for key in watcher.pressed():
                events += session.press(key)
            for event in events:
                _note(event, session, writer, log)
                watcher.show(event, session)
                if isinstance(event, Judged):
                    if event.chime and chime is not None:
                        chime(event.chime)
                    if event.tap.kept and refits is not None:
                        refits.ask(session)
            if refits is not None and (readings := refits.poll()) is not None:
                session.enough = readings.enough
                watcher.show_readings(readings, session)
            watcher.tick(session)
    finally:
        stop.set()
        threads[0].join(timeout=1.0)
        if writer is not None:
            writer.close()
            trouble = trouble or writer.error
    return Taken(
        session, started, tuple(log.began), tuple(log.ended), tuple(log.lost), trouble, tuple(log.latencies)
    )


class _Writer:
    """Writes a spool in a thread of its own.

    `error` is what ended it, such as a full disk; nothing more is written then.
    """

    def __init__(self, spool: Spool) -> None:
        self._spool = spool
        self.error: ResonanceError | None = None
        self._due: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def write(self, block: FloatArray) -> None:
        """Write a block soon."""
        self._due.put(partial(self._spool.write, block))

    def note(self, sample: int, what: str) -> None:
        """Write a line of the journal soon, after the blocks given before it."""
        self._due.put(partial(self._spool.note, sample, what))

    def close(self) -> None:
        """Write what is due, flush, and close the spool."""
        self._due.put(None)
        self._thread.join()
        self._spool.close()

    def _run(self) -> None:
        flush = time.monotonic() + FLUSH_EVERY
        try:
            while True:
                try:
                    write = self._due.get(timeout=max(0.0, flush - time.monotonic()))
                    if write is None:
                        return
                    write()
                except queue.Empty:
                    pass
                if time.monotonic() >= flush:
                    self._spool.sync()
                    flush = time.monotonic() + FLUSH_EVERY
        except ResonanceError as error:
            self.error = error


def _read(
    stream: SoundStream,
    writer: _Writer | None,
    blocks: "queue.SimpleQueue[tuple[FloatArray, bool, float] | ResonanceError]",
    stop: threading.Event,
) -> None:
    """Read until told to stop; each block goes to the disk and to its judge."""
    try:
        while not stop.is_set():
            block, lost = stream.read()
            came = time.monotonic()
            if stop.is_set():
                return
            if writer is not None:
                writer.write(block)
            blocks.put((block, lost, came))
    except ResonanceError as error:
        blocks.put(error)


def _note(event: Event, session: Session, writer: _Writer | None, log: _Log) -> None:
    """Keep what is needed to cut the takes, and to judge the set again from the spool."""
    sample = round(session.now * session.sample_rate)
    if isinstance(event, Began):
        log.began.append(event.sample)
    elif isinstance(event, Ended):
        log.ended.append(event.sample)
    elif isinstance(event, Lost):
        log.lost.append(event.sample)
    what = JOURNALLED.get(type(event))
    if writer is not None and what is not None:
        writer.note(sample, what)


def _note_latencies(events: list[Event], came: float, log: _Log) -> None:
    """Time from the end of each tap's window to its verdict: sound heard since, and time spent since."""
    now = time.monotonic()
    log.latencies += [event.behind + now - came for event in events if isinstance(event, Judged)]


def _see_source(
    ask_source: Callable[[], Source | None],
    blocks: "queue.SimpleQueue[tuple[FloatArray, bool, float] | ResonanceError]",
    stop: threading.Event,
) -> None:
    """See that the system still records from the microphone it began with; it may go over in silence."""
    first = ask_source()
    while not stop.wait(LOOK_EVERY):
        now = ask_source()
        first = first or now
        if words := gone_over(first, now):
            blocks.put(MicrophoneError(words))
            return


def _no_sound() -> ResonanceError:
    return MicrophoneError(
        "no sound comes from the microphone; see that it is plugged in and on: what was recorded is kept"
    )
