"""One piece of longer work: how far it is; then on to what it gave."""

from dataclasses import asdict

from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from resonance.bench.pages import get, page
from resonance.bench.state import bench_of, shop_of


def show(request: Request) -> Response:
    """Show a work, or go on from it when it is done; as JSON for the page's script."""
    work = bench_of(request).works.find(request.path_params["work"])
    if "application/json" in request.headers.get("accept", ""):
        return JSONResponse(asdict(work))
    if work.path:
        return RedirectResponse(work.path, 303)
    job = shop_of(request).job(work.job)
    return page(request, "work.html", work, job=job, status=422 if work.trouble else 200)


ROUTES = (get("/work/{work}", show),)
