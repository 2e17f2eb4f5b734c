"""Running readings: the resonances of the taps so far, and whether more taps help.

The fit runs in a process of its own, so that a verdict never waits for it. It is the very estimator of
`resonance.modes.estimate`, over the accepted taps alone; the full analysis follows when the set is kept.
More taps help as long as the reading's own uncertainty is more than half of the put-back scatter: below, it
adds less than an eighth to the uncertainty of a shift (sqrt(1 + 1/4) = 1.12).
"""

import os
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Any

from resonance.errors import ResonanceError
from resonance.modes.estimate import find_modes
from resonance.modes.intervals import half_width
from resonance.modes.mode import Mode
from resonance.modes.names import name_modes
from resonance.modes.strings import assumed_strings
from resonance.sound.recording import Take
from resonance.taking.session import Plan, Session, clip_takes
from resonance.taps.tap import Tap
from resonance.units import cents

MAIN = 3  # resonances that decide
SHARE = 0.5  # of the put-back scatter
FEWEST = 2  # taps, for a reading's uncertainty to be known at all
SPREAD = 4  # taps, for the hand's spread to be known well enough to say that more do not help
NORMAL = 1.96  # standard uncertainties in half of a 95 % interval, where they are known well


@dataclass(frozen=True)
class Readings:
    """Readings so far.

    Parameters
    ----------
    modes : tuple of Mode   the main ones, by rising frequency
    n_taps : int   that they rest on
    enough : bool or None   whether more taps will not help; None when not known
    widest : Mode or None   of the main ones, the one known worst
    """

    modes: tuple[Mode, ...] = ()
    n_taps: int = 0
    enough: bool | None = None
    widest: Mode | None = None


def main_modes(modes: Sequence[Mode]) -> tuple[Mode, ...]:
    """Give the modes shown while taps come in: named ones, else the strongest, by rising frequency."""
    heard = [mode for mode in modes if mode.kind in ("body", "air")]
    strongest = sorted(heard, key=lambda mode: (not mode.label, -_level(mode)))
    return tuple(sorted(strongest[:MAIN], key=lambda mode: mode.frequency))


def read_taps(
    takes: Sequence[Take],
    taps: Sequence[Tap],
    *,
    family: str,
    piece: str,
    pitch_a4: float,
    scatter_cents: float,
) -> Readings:
    """Fit the taps so far.

    Parameters
    ----------
    scatter_cents : float   put-back scatter that a reading's uncertainty is held against
    """
    try:
        found = find_modes(
            takes, taps, family=family, piece=piece, open_strings=assumed_strings(family, pitch_a4=pitch_a4)
        )
    except ResonanceError:
        return Readings(n_taps=len(taps))
    modes = main_modes(name_modes(found.modes, family=family, piece=piece))
    off = [_u_cents(mode) for mode in modes]
    known = len(taps) >= FEWEST and all(isfinite(value) for value in off)
    if not modes or not known:
        return Readings(modes, len(taps))
    worst = max(range(len(modes)), key=lambda k: off[k])
    enough = len(taps) >= SPREAD and bool(off[worst] <= SHARE * scatter_cents)
    return Readings(modes, len(taps), enough, modes[worst])


def _u_cents(mode: Mode) -> float:
    """Uncertainty by the taps alone, as their interval amounts to it: wider where few tell it.

    What the room does to a reading stays out: more taps do not lessen that.
    """
    off = half_width(mode.frequency_u, mode.frequency_dof) / NORMAL
    return abs(float(cents(mode.frequency, mode.frequency + off)))


def _level(mode: Mode) -> float:
    return max((level.db for level in mode.levels), default=float("-inf"))


class Refits:
    """Fits one after another in a worker process; asked for after each tap, told when done.

    Parameters
    ----------
    plan : Plan
    pitch_a4, scatter_cents : see `read_taps`
    """

    def __init__(self, plan: Plan, *, pitch_a4: float = 440.0, scatter_cents: float = 7.0) -> None:
        from concurrent.futures import ProcessPoolExecutor
        from multiprocessing import get_context

        self._plan = plan
        self._settings = {"pitch_a4": pitch_a4, "scatter_cents": scatter_cents}
        context = get_context("spawn")
        self._pool = ProcessPoolExecutor(1, mp_context=context, initializer=_be_modest)
        self._running: Any = self._pool.submit(_warm_up)
        self._wanted: tuple[list[Take], list[Tap]] | None = None

    def ask(self, session: Session) -> None:
        """Ask for readings of the taps so far; only the newest question is answered."""
        clips = session.clips()
        if clips and self._plan.looked_for == "taps":
            self._wanted = clip_takes(
                clips,
                self._plan.microphone_places,
                tap_place=self._plan.tap_place,
                sample_rate=session.sample_rate,
            )

    def poll(self) -> Readings | None:
        """Give readings that have become ready, and begin on what was asked last."""
        from concurrent.futures import BrokenExecutor

        found = None
        if self._running is not None and self._running.done():
            try:
                found = self._running.result()
            except (BrokenExecutor, OSError):
                self._plan = Plan(looked_for="")  # the worker died: the set goes on without readings
                self._wanted = None
            self._running = None
        if self._running is None and self._wanted is not None:
            (takes, taps), self._wanted = self._wanted, None
            family, piece = self._plan.family, self._plan.piece
            self._running = self._pool.submit(
                read_taps, takes, taps, family=family, piece=piece, **self._settings
            )
        return found

    def close(self) -> None:
        """End the worker without waiting for it."""
        self._pool.shutdown(wait=False, cancel_futures=True)


def _be_modest() -> None:
    """Give way to the recorder, and leave Ctrl-C to it."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(os, "nice"):
        os.nice(5)
    threading.Thread(target=_leave_with_parent, daemon=True).start()


def _leave_with_parent() -> None:
    """End when the recorder ends, however it ended: a killed one leaves no process behind."""
    from multiprocessing import parent_process
    from multiprocessing.connection import wait

    parent = parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(0)


def _warm_up() -> None:
    """Load what a fit needs, before the first tap."""
    import scipy

    for name in ("linalg", "signal", "optimize", "stats"):
        getattr(scipy, name)
