"""One thread for the many small matrix products of a fit: more only wait for each other on a busy machine."""

from collections.abc import Callable
from functools import cache, wraps
from typing import TYPE_CHECKING, ParamSpec, TypeVar

if TYPE_CHECKING:
    from threadpoolctl import ThreadpoolController

P = ParamSpec("P")
R = TypeVar("R")


def in_one_thread(work: Callable[P, R]) -> Callable[P, R]:
    """Let a function's linear algebra run in one thread, whatever the environment says."""

    @wraps(work)
    def limited(*args: P.args, **kwargs: P.kwargs) -> R:
        with _pools().limit(limits=1, user_api="blas"):
            return work(*args, **kwargs)

    return limited


@cache
def _pools() -> "ThreadpoolController":
    import scipy.linalg  # noqa: F401  (its pool is found only once it is loaded)
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()
