"""A job's report as one self-contained HTML file: figures inside, style inside, nothing fetched."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from resonance.changes.comparison import Comparison
from resonance.jobs.job import Job
from resonance.report.blocks import Picture, Report
from resonance.report.content import build_report
from resonance.report.numbers import tied
from resonance.report.signs import written


def report_html(
    job: Job,
    comparisons: Sequence[Comparison] = (),
    figures: Sequence[Picture] = (),
    *,
    audience: str = "customer",
    made: datetime | None = None,
    notice: str = "",
) -> str:
    """Write a job's report as one HTML page that needs nothing else.

    Parameters
    ----------
    job, comparisons, audience, made, notice : as for `resonance.report.content.build_report`
    figures : sequence of Picture   put in their places; see `resonance.report.pictures`

    Returns
    -------
    str   the page; whatever the maker wrote is escaped, only the figures' own SVG is not
    """
    report = build_report(job, comparisons, figures, audience=audience, made=made, notice=notice)
    return write_html(report)


def write_html(report: Report) -> str:
    """Lay a report out as HTML."""
    return str(_environment().get_template("report.html.j2").render(report=written(report)))


def _environment() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("resonance.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["tied"] = tied
    return environment
