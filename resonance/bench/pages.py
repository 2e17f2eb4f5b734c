"""What every page's module is made with: routes, what was typed, where to go on.

A page is one module with a frozen dataclass that holds all it shows, a plain function that makes it, and
`ROUTES`; and one template. Its functions run in a thread, so they may wait for the shop.
"""

from collections.abc import Callable
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from resonance.bench.frame import SAID, page
from resonance.bench.trouble import trouble
from resonance.report.words import sentence

__all__ = ["Act", "Show", "done", "get", "job_path", "page", "post", "text_of"]

FIELDS, FILES = 500, 100  # most of one form

Show = Callable[[Request], Response]
Act = Callable[[Request, FormData], Response]


def get(path: str, show: Show) -> Route:
    """Make the route of a page."""

    async def endpoint(request: Request) -> Response:
        try:
            return await run_in_threadpool(show, request)
        except Exception as error:
            return await run_in_threadpool(trouble, request, error)

    return Route(path, endpoint, methods=["GET"])


def post(path: str, act: Act) -> Route:
    """Make the route of a form; `act` is given what was typed, files among it on the disk already."""

    async def endpoint(request: Request) -> Response:
        try:
            async with request.form(max_files=FILES, max_fields=FIELDS) as form:
                return await run_in_threadpool(act, request, form)
        except Exception as error:
            return await run_in_threadpool(trouble, request, error)

    return Route(path, endpoint, methods=["POST"])


def done(path: str, said: str = "") -> RedirectResponse:
    """Go on to a page after an act, which says there in one line what was done."""
    answer = RedirectResponse(path, 303)
    if said:
        answer.set_cookie(SAID, quote(sentence(said)), max_age=30, httponly=True, samesite="lax")
    return answer


def job_path(job: str, *parts: str) -> str:
    """Give the address of a page of a job."""
    return "/".join(["/job", *(quote(part, safe="") for part in (job, *parts))])


def text_of(form: FormData, name: str) -> str:
    """Give what was typed into a field, without space around it; '' where it was not there."""
    value = form.get(name, "")
    return " ".join(value.split()) if isinstance(value, str) else ""
