"""Whether each job of the list is settled, worked out beside the page and remembered.

The histories themselves are kept in the shop's folder (`resonance.jobs.kept`), so that it is quick from the
second time on. Nothing is worked out while a tap set is in the taking.
"""

import logging
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from resonance.changes.course import CANNOT_TELL, NOT_YET, SETTLED, History
from resonance.errors import ResonanceError
from resonance.jobs.answers import histories_of, tracked
from resonance.jobs.lines import JobLine
from resonance.jobs.store import Shop

log = logging.getLogger("resonance.bench")
FEWEST = 3  # tap sets, below which nothing is said
PAUSE = 1.0  # s between two looks while a set is in the taking
WORDS = {SETTLED: "settled", NOT_YET: "not yet settled", CANNOT_TELL: "cannot tell yet if settled"}


class Settling:
    """What is known of the jobs of a shop; asked for in the list, worked out one job after another."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._known: dict[str, tuple[object, str]] = {}
        self._wanted: list[tuple[str, object]] = []
        self._thread: threading.Thread | None = None

    def words(self, line: JobLine) -> str:
        """Say whether a job is settled; '' where it is not known yet, or has too few tap sets."""
        with self._lock:
            mark, words = self._known.get(line.id, (None, ""))
        return words if mark == _mark(line) else ""

    def ask(self, folder: Path, lines: Sequence[JobLine], busy: Callable[[], bool]) -> None:
        """Work out what is not known of these jobs, without waiting for it."""
        missing = [
            (line.id, _mark(line))
            for line in lines
            if line.n_sets >= FEWEST and self._known.get(line.id, (None, ""))[0] != _mark(line)
        ]
        with self._lock:
            self._wanted = missing
            if not missing or (self._thread is not None and self._thread.is_alive()):
                return
            self._thread = threading.Thread(target=self._work, args=(folder, busy), daemon=True)
            self._thread.start()

    def wait(self, seconds: float) -> None:
        """Wait until all is known, or so long."""
        thread = self._thread
        if thread is not None:
            thread.join(seconds)

    def _work(self, folder: Path, busy: Callable[[], bool]) -> None:
        while True:
            while busy():
                time.sleep(PAUSE)
            with self._lock:
                if not self._wanted:
                    return
                job, mark = self._wanted.pop(0)
            words = _settled_words(folder, job)
            with self._lock:
                self._known[job] = (mark, words)


def _mark(line: JobLine) -> object:
    """What changes when a job goes on."""
    return (line.n_sets, line.n_adjustments, line.last)


def _settled_words(folder: Path, job_id: str) -> str:
    try:
        shop = Shop(folder)
        job = tracked(shop, shop.job(job_id))
        return settled_words(histories_of(shop, job))
    except ResonanceError:
        return ""
    except Exception as error:
        log.error("whether %s is settled could not be worked out", job_id, exc_info=error)
        return ""


def settled_words(histories: Sequence[History]) -> str:
    """Say in words whether the named modes of the last chapter are settled: the least settled one decides."""
    if not histories:
        return ""
    last = histories[-1].chapter
    named = [each.settled for each in histories if each.label and each.chapter == last]
    for verdict in (NOT_YET, CANNOT_TELL, SETTLED):
        if verdict in named:
            return WORDS[verdict]
    return ""
