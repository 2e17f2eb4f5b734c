"""Answers that pages show, such as comparisons: worked out beside the page, remembered until the next act.

A page asks `known_or_begun`. What is there at once is shown at once; for what takes longer the maker sees how
far it is, and is led back to the page. Answers are remembered for the last act of the shop: after any act
they are asked for anew, which is quick where nothing that they hang on was touched (`resonance.jobs.kept`).
"""

import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import TYPE_CHECKING, TypeVar

from starlette.responses import RedirectResponse

from resonance.bench.works import Progress, Work, Works
from resonance.errors import NotFoundError, ResonanceError

if TYPE_CHECKING:
    from resonance.bench.state import Bench

T = TypeVar("T")
MOST = 24  # answers remembered
PATIENCE = 1.5  # s that a page waits before it shows how far the work is
EVERY = 0.02  # s


class Known:
    """The answers asked for last, and the works that are making some."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: OrderedDict[Hashable, object] = OrderedDict()
        self._making: dict[Hashable, Work] = {}

    def find(self, key: Hashable) -> object | None:
        """Give an answer, None where it is not known."""
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
            return self._kept.get(key)

    def making(self, key: Hashable, works: Works, begin: Callable[[], Work]) -> Work:
        """Give the work that makes an answer: the one under way, else a new one."""
        with self._lock:
            self._making = {k: work for k, work in self._making.items() if _under_way(works, work)}
            if key not in self._making:
                self._making[key] = begin()
            return self._making[key]

    def keep(self, key: Hashable, answer: object) -> None:
        """Remember an answer, and forget what was asked for longest ago."""
        with self._lock:
            self._kept[key] = answer
            while len(self._kept) > MOST:
                self._kept.popitem(last=False)


def known_or_begun(
    bench: "Bench",
    job: str,
    key: tuple[str, ...],
    work: Callable[[Progress], T],
    *,
    kind: type[T],
    title: str,
    back: str,
) -> T | RedirectResponse:
    """Give an answer, or lead to the work that makes it.

    Parameters
    ----------
    key : tuple of str   what is asked for, within the job
    work : function of progress   gives the answer; runs in a thread of its own
    kind : type of the answer
    title, back : str   what is done meanwhile, in words; address of the page that asks

    Raises
    ------
    ResonanceError   when the work ended with trouble before the page was answered
    """
    whole = (job, _last_act(bench), *key)
    found = bench.known.find(whole)
    if isinstance(found, kind):
        return found

    def kept(progress: Progress) -> str:
        bench.known.keep(whole, work(progress))
        return back

    begun = bench.known.making(whole, bench.works, lambda: bench.works.begin(job, title, back, kept))
    begun = _over_soon(bench.works, begun)
    if begun.trouble:
        raise ResonanceError(begun.trouble)
    found = bench.known.find(whole)
    return found if isinstance(found, kind) else RedirectResponse(f"/work/{begun.id}", 303)


def _under_way(works: Works, work: Work) -> bool:
    try:
        return not works.find(work.id).over
    except NotFoundError:
        return False


def _last_act(bench: "Bench") -> int:
    last = bench.shop.acts(limit=1)
    return last[0].id if last else 0


def _over_soon(works: Works, work: Work) -> Work:
    """Wait a moment for a work; give it as it then stands."""
    until = time.monotonic() + PATIENCE
    while not work.over and time.monotonic() < until:
        time.sleep(EVERY)
        work = works.find(work.id)
    return work
