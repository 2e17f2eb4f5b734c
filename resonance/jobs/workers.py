"""A few processes for work that comes in many like pieces, started afresh so that it works everywhere."""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from concurrent.futures import ProcessPoolExecutor

WORKERS = 2
WORTH_PROCESSES = 4  # pieces of about a second; a process takes about that long to start


def pool_of(workers: int = WORKERS) -> "ProcessPoolExecutor":
    """Give a pool whose processes leave Ctrl-C to their parent."""
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    return ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_leave_stopping)


def _leave_stopping() -> None:
    """Let Ctrl-C stop the parent, which stops the workers, without a word from each."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)
