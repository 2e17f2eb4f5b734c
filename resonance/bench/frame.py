"""The frame around every page, and the rendering of one."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote

import jinja2
from starlette.requests import Request
from starlette.responses import HTMLResponse

from resonance import __version__
from resonance.bench.sections import SECTIONS
from resonance.jobs.job import Job
from resonance.report.facts import kind_of_instrument
from resonance.report.numbers import tied
from resonance.report.words import sentence

HERE = Path(__file__).parent
SAID, LOOK = "said", "look"  # cookies
LOOKS = {"": "as the system", "light": "daylight", "dark": "dark"}


@dataclass(frozen=True)
class Link:
    """A link of the frame; `here` where it leads to the page that is shown."""

    words: str
    path: str
    here: bool = False


@dataclass(frozen=True)
class Frame:
    """What stands around a page.

    Parameters
    ----------
    said : str   what the last act did, in one line
    look : 'light', 'dark' or ''   '' follows the system
    job, name, kind : of the job the page is about; '' for none
    sections : links to the parts of the job
    """

    said: str = ""
    look: str = ""
    job: str = ""
    name: str = ""
    kind: str = ""
    sections: tuple[Link, ...] = ()
    version: str = __version__
    looks: Mapping[str, str] | None = None
    path: str = "/"


def page(
    request: Request,
    template: str,
    view: object,
    *,
    job: Job | None = None,
    section: str = "",
    status: int = 200,
) -> HTMLResponse:
    """Render a page.

    Parameters
    ----------
    view : frozen dataclass   all that the page shows; the template knows it as `view`
    job : Job or None   the job it is about, for the frame
    section : str   key of the part of the job it belongs to (`resonance.bench.sections`)
    """
    frame = frame_of(request, job, section)
    text = templates().get_template(template).render(view=view, frame=frame, job=job)
    answer = HTMLResponse(text, status)
    if frame.said:
        answer.delete_cookie(SAID)
    return answer


def frame_of(request: Request, job: Job | None = None, section: str = "") -> Frame:
    """Give the frame of a page."""
    look = request.cookies.get(LOOK, "")
    frame = Frame(
        said=unquote(request.cookies.get(SAID, "")),
        look=look if look in LOOKS else "",
        looks=LOOKS,
        path=request.url.path if request.method == "GET" else "/",
    )
    if job is None:
        return frame
    there = quote(job.id, safe="")
    links = tuple(Link(each.words, each.path.format(job=there), each.key == section) for each in SECTIONS)
    kind = kind_of_instrument(job.instrument)
    return replace(frame, job=job.id, name=job.instrument.name, kind=kind, sections=links)


@cache
def templates() -> jinja2.Environment:
    """Give the templates; those of the report's blocks are `report/...`."""
    own = jinja2.FileSystemLoader(HERE / "templates")
    report = jinja2.PackageLoader("resonance.report")
    environment = jinja2.Environment(
        loader=jinja2.ChoiceLoader([own, jinja2.PrefixLoader({"report": report})]),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    filters: dict[str, Any] = {
        "tied": tied,
        "sentence": sentence,
        "segment": lambda text: quote(text, safe=""),
        "pair": lambda text: (text, text),
    }
    environment.filters.update(filters)
    return environment
