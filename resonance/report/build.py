"""One way to a report, for command, page and demo: `build` gives the bytes of a file."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from math import isfinite

import numpy as np

from resonance.changes.comparison import Comparison
from resonance.changes.course import History
from resonance.changes.post import PostResponse
from resonance.jobs.answers import compare_all, histories_of, pairs_of, put_back_scatter, response_of, tracked
from resonance.jobs.images import Image, heading_image_of, photo_of
from resonance.jobs.job import Job, chapters
from resonance.jobs.kept import mark_of, worked_out
from resonance.jobs.records import to_record
from resonance.jobs.settings import Settings
from resonance.jobs.store import Shop
from resonance.report.blocks import Attached, Heading, Photo, Report
from resonance.report.bowed import bowed_section_of
from resonance.report.content import build_report
from resonance.report.gallery import job_pictures
from resonance.report.tables import attachments

FORMS = {
    "pdf": "application/pdf",
    "html": "text/html; charset=utf-8",
    "txt": "text/plain; charset=utf-8",
}
MOST_MOVES = 12  # of the post, fitted within a report; `resonance post` fits any number
MOST_COMPARED = 12  # comparisons told in full: the last ones of many
Progress = Callable[[float, str], None]


@dataclass(frozen=True)
class Built:
    """A report as a file: a name to save it under, its kind (MIME), its bytes."""

    name: str
    media_type: str
    data: bytes


@dataclass(frozen=True, eq=False)
class Findings:
    """All that a report tells of a job beyond what is noted; modes of `job` have tracks."""

    job: Job
    comparisons: tuple[Comparison, ...] = ()
    histories: tuple[History, ...] = ()
    response: PostResponse | None = None
    scatter_cents: float = float("nan")


def build(
    shop: Shop,
    job: str,
    *,
    audience: str = "customer",
    form: str = "pdf",
    paper: str = "a4",
    made: datetime | None = None,
    notice: str = "",
    progress: Progress | None = None,
) -> Built:
    """Give the report of a job as a file.

    Parameters
    ----------
    shop : Shop
    job : str   its id or name
    audience : 'customer' (no owner's data, bench notes or guessed names) or 'bench' (all)
    form : 'pdf', 'html' or 'txt'
    paper : 'a4' or 'letter', for PDF
    made : datetime or None   day of the report; now when None. The same job and day give the same bytes
    notice : str   stands before all else
    progress : called with the fraction done and a short text

    Raises
    ------
    ValueError   when audience, form or paper is none of these
    ResonanceError   when the job is not there or its sound is missing
    """
    if form not in FORMS:
        raise ValueError(f"form is '{form}'; it is one of {', '.join(FORMS)}")
    tell = progress or (lambda done, text: None)
    made = made or shop.clock()
    findings = find_out(shop, job, progress=lambda done, text: tell(0.6 * done, text))
    report = report_of(
        shop,
        findings,
        audience=audience,
        made=made,
        notice=notice,
        drawn=form != "txt",
        attached=attached_to(findings, audience=audience, made=made) if form == "pdf" else (),
        progress=lambda done, text: tell(0.6 + 0.3 * done, text),
    )
    tell(0.9, "writing")
    return Built(
        f"{findings.job.id}-{made:%Y-%m-%d}.{form}", FORMS[form], write_report(report, form=form, paper=paper)
    )


def write_report(report: Report, *, form: str, paper: str = "a4") -> bytes:
    """Lay a report out as the bytes of a file."""
    if form == "pdf":
        from resonance.report.pdf import write_pdf

        return write_pdf(report, paper=paper)
    if form == "html":
        from resonance.report.html import write_html

        return write_html(report).encode("utf-8")
    from resonance.report.text import write_text

    return write_text(report).encode("utf-8")


def find_out(
    shop: Shop, job: str, *, most_compared: int = MOST_COMPARED, progress: Progress | None = None
) -> Findings:
    """Compare, follow and fit what a report of a job tells; what was worked out before is read back."""
    tell = progress or (lambda done, text: None)
    bare = shop.job(job)
    pairs = pairs_of(bare)[-most_compared:]
    comparisons = compare_all(shop, bare, pairs=pairs, progress=lambda done, text: tell(0.6 * done, text))
    tell(0.6, "following the resonances")
    followed = tracked(shop, bare)
    tell(0.75, "reading all tap sets together")
    histories = tuple(histories_of(shop, followed)) if len(followed.sets) > 1 else ()
    tell(0.95, "reading the moves of the post")
    scatter = put_back_scatter(followed, shop=shop).pooled.scatter_cents
    return Findings(followed, comparisons, histories, kept_response(shop, followed, histories), scatter)


def kept_response(shop: Shop, job: Job, histories: Sequence[History]) -> PostResponse | None:
    """Fit what moving the post does, where it was moved; the draws behind it are not kept.

    None where the moves of the last chapter are too many to fit in the time a report takes.
    """
    last = chapters(job)[-1].adjustments
    moved = [a for a in last if isfinite(a.along_mm) or isfinite(a.across_mm)]
    if not 0 < len(moved) <= MOST_MOVES or not histories:
        return None
    return worked_out(
        shop.folder,
        "post",
        [[mark_of(each) for each in (*job.sets, *histories)], to_record(job.adjustments), job.suspected],
        PostResponse,
        lambda: replace(response_of(shop, job, histories=histories), draws=np.zeros((0, 0, 5))),
    )


def report_of(
    shop: Shop,
    findings: Findings,
    *,
    audience: str,
    made: datetime,
    notice: str = "",
    drawn: bool = True,
    attached: Sequence[Attached] = (),
    progress: Progress | None = None,
) -> Report:
    """Give the content of a report, pictures drawn where they are wanted."""
    job = findings.job
    pictures = (
        job_pictures(
            shop,
            job,
            findings.comparisons,
            histories=findings.histories,
            response=findings.response,
            scatter_cents=findings.scatter_cents,
            guesses=audience == "bench",
            progress=progress,
        )
        if drawn
        else []
    )
    return build_report(
        job,
        findings.comparisons,
        pictures,
        audience=audience,
        made=made,
        notice=notice,
        histories=findings.histories,
        response=findings.response,
        heading=heading_of(shop.settings(), heading_image_of(shop)),
        photo=_photo(photo_of(shop, job.id)),
        attached=attached,
        further=(bowed_section_of(shop, job),),
    )


def attached_to(findings: Findings, *, audience: str, made: datetime | None = None) -> tuple[Attached, ...]:
    """Give the tables that go with a report."""
    return attachments(findings.job, findings.comparisons, findings.histories, audience=audience, made=made)


def heading_of(settings: Settings, image: Image | None = None) -> Heading:
    """Give the maker's heading from the shop's settings."""
    name = settings.heading or settings.maker
    lines = [settings.maker] if settings.heading and settings.maker else []
    lines += [line.strip() for line in settings.address.split(";")]
    return Heading(name, tuple(filter(None, lines)), _photo(image))


def _photo(image: Image | None) -> Photo | None:
    return Photo(image.data, image.form) if image else None
