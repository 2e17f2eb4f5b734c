"""Daylight or dark: kept in a cookie, so that it works without scripts."""

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response

from resonance.bench.frame import LOOK, LOOKS
from resonance.bench.pages import done, post, text_of

YEAR = 365 * 24 * 3600  # s


def choose(request: Request, form: FormData) -> Response:
    """Choose a look, and stay on the page."""
    wanted, back = text_of(form, "look"), text_of(form, "back")
    answer = done(back if back.startswith("/") and not back.startswith(("//", "/\\")) else "/")
    answer.set_cookie(LOOK, wanted if wanted in LOOKS else "", max_age=YEAR, samesite="lax")
    return answer


ROUTES = (post("/look", choose),)
