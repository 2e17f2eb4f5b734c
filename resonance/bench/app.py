"""The bench as one application: its pages' routes, the guard before them, trouble told in one line."""

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.responses import Response
from starlette.routing import Mount
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

from resonance.bench import (
    adjust,
    copies,
    files,
    help,
    job,
    jobs,
    looks,
    moved,
    overrule,
    photo,
    setup,
    tap,
    tapset,
    weeks,
    work,
)
from resonance.bench.frame import HERE
from resonance.bench.guard import Guard, TooLarge
from resonance.bench.state import Bench
from resonance.bench.trouble import trouble
from resonance.errors import ResonanceError

PAGES = (
    jobs,
    help,
    job,
    tap,
    files,
    adjust,
    setup,
    photo,
    tapset,
    moved,
    weeks,
    overrule,
    copies,
    work,
    looks,
)


class OwnFiles(StaticFiles):
    """Style, scripts and drawings; asked for anew each time, answered with 'as it was' while unchanged."""

    async def get_response(self, path: str, scope: Scope) -> Response:
        """Give one file."""
        answer = await super().get_response(path, scope)
        answer.headers["Cache-Control"] = "no-cache"
        return answer


def make_app(bench: Bench) -> Starlette:
    """Make the application of a bench."""
    own = Mount("/static", OwnFiles(directory=HERE / "static"), name="static")
    app = Starlette(
        routes=[*(route for each in PAGES for route in each.ROUTES), own],
        middleware=[Middleware(Guard, bench=bench)],
        exception_handlers={
            ResonanceError: trouble,
            TooLarge: trouble,
            HTTPException: trouble,
        },
    )
    app.state.bench = bench
    return app
