"""Trouble, told in one plain line: as a page to people, as bare words to scripts."""

import logging

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response

from resonance.bench.frame import page
from resonance.bench.guard import TOO_LARGE, TooLarge
from resonance.errors import NotFoundError, ResonanceError
from resonance.report.words import sentence

log = logging.getLogger("resonance.bench")
WORDS = {
    404: "There is no such page; go back to the jobs.",
    405: "That cannot be done here; go back to the jobs.",
}
UNEXPECTED = "this should not happen ({kind}), please report it; nothing that was kept before is touched"


def trouble(request: Request, error: Exception) -> Response:
    """Tell what went wrong, and what to do."""
    if isinstance(error, NotFoundError):
        return _told(request, str(error), 404)
    if isinstance(error, ResonanceError):
        return _told(request, str(error), 422)
    if isinstance(error, TooLarge):
        return _told(request, TOO_LARGE, 413)
    if isinstance(error, HTTPException):
        return _told(request, WORDS.get(error.status_code, error.detail), error.status_code)
    log.error("unexpected", exc_info=error)
    return _told(request, UNEXPECTED.format(kind=type(error).__name__), 500)


def _told(request: Request, words: str, status: int) -> Response:
    line = sentence(words)
    if "text/html" not in request.headers.get("accept", "text/html"):
        return PlainTextResponse(line, status)
    return page(request, "trouble.html", line, status=status)
