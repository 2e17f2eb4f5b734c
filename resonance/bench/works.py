"""Work that takes longer than a page may: done in a thread, looked at until it is done."""

import logging
import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace

from resonance.errors import NotFoundError, ResonanceError
from resonance.report.words import sentence

log = logging.getLogger("resonance.bench")
Progress = Callable[[float, str], None]
MOST = 100  # works remembered


@dataclass(frozen=True)
class Work:
    """A piece of work as it stands.

    Parameters
    ----------
    job : str   id of the job it is for
    title : str   what is done
    fraction, text : how far it is
    path : str   where to go on once it is done, '' until then
    trouble : str   why it could not be done; `back` leads to where it was asked for
    """

    id: str
    job: str
    title: str
    back: str
    fraction: float = 0.0
    text: str = ""
    path: str = ""
    trouble: str = ""

    @property
    def over(self) -> bool:
        """Whether nothing more will come."""
        return bool(self.path or self.trouble)


class Works:
    """The works of a bench, one after another: each keeps a whole core busy."""

    def __init__(self) -> None:
        self._lock, self._turn = threading.Lock(), threading.Lock()
        self._works: dict[str, Work] = {}

    def begin(self, job: str, title: str, back: str, work: Callable[[Progress], str]) -> Work:
        """Begin a work; `work(progress)` gives the path to go on to."""
        begun = Work(secrets.token_hex(8), job, title, back, text="Waiting for its turn.")
        self._put(begun)
        threading.Thread(target=self._do, args=(begun.id, work), daemon=True).start()
        return begun

    def find(self, work_id: str) -> Work:
        """Give a work as it stands.

        Raises
        ------
        NotFoundError   when there is none of that name, or it is long over
        """
        with self._lock:
            found = self._works.get(work_id)
        if found is None:
            raise NotFoundError("that work is over; go back to the job")
        return found

    def _put(self, work: Work) -> None:
        with self._lock:
            self._works[work.id] = work
            for old in list(self._works)[: max(0, len(self._works) - MOST)]:
                del self._works[old]

    def _do(self, work_id: str, work: Callable[[Progress], str]) -> None:
        def progress(fraction: float, text: str) -> None:
            self._put(replace(self.find(work_id), fraction=fraction, text=sentence(text)))

        with self._turn:
            try:
                path = work(progress)
                self._put(replace(self.find(work_id), fraction=1.0, path=path))
            except ResonanceError as error:
                self._put(replace(self.find(work_id), trouble=sentence(str(error))))
            except Exception as error:
                log.error("unexpected", exc_info=error)
                why = (
                    f"this should not happen ({type(error).__name__}), please report it; nothing was changed"
                )
                self._put(replace(self.find(work_id), trouble=sentence(why)))
