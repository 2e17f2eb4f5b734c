"""What a job's report says, built once; text, HTML and PDF only lay it out.

For the customer (the default) the owner's data, bench notes (the maker's remarks, notes of job and
instrument, who tapped, file names, analysis details), guessed names, hum and unsure resonances that tell
nothing are left out, and what is attached holds no more than what is shown. The bench gets all.
"""

from collections.abc import Sequence
from datetime import datetime
from math import nan

from resonance import __version__
from resonance.changes.comparison import Comparison
from resonance.changes.course import History
from resonance.changes.post import PostResponse
from resonance.jobs.job import Job
from resonance.report.blocks import (
    Attached,
    Block,
    Heading,
    Items,
    Paragraph,
    Photo,
    Picture,
    Report,
    Section,
)
from resonance.report.cautions import caution_items
from resonance.report.comparisons import band_of, changes_section
from resonance.report.courses import history_blocks
from resonance.report.customer import for_customer
from resonance.report.instrument import checks_section, instrument_section
from resonance.report.method import end_section, method_blocks
from resonance.report.post_words import post_blocks, track_names
from resonance.report.readings import over_time_tables, set_blocks
from resonance.report.repeat import repeat_section
from resonance.report.summary import report_subtitle, report_title, summary_section
from resonance.report.timeline import done_section
from resonance.report.words import count_words, day_words, set_words
from resonance.sets.tapset import TapSet

AUDIENCES = ("customer", "bench")
SETS_SHOWN = 24  # tap sets whose readings stand in full: the last ones
TOGETHER = (
    "Here all tap sets are read together, and settling and weather are taken apart from what was done. "
    "“Before and after” holds two tap sets against each other and nothing else."
)


def build_report(
    job: Job,
    comparisons: Sequence[Comparison] = (),
    pictures: Sequence[Picture] = (),
    *,
    audience: str = "customer",
    made: datetime | None = None,
    notice: str = "",
    histories: Sequence[History] = (),
    response: PostResponse | None = None,
    heading: Heading | None = None,
    photo: Photo | None = None,
    attached: Sequence[Attached] = (),
    further: Sequence[Section] = (),
) -> Report:
    """Build the content of a job's report.

    Parameters
    ----------
    job : Job
    comparisons : sequence of Comparison, in the order of the job; the last one stands in the summary
    pictures : sequence of Picture   figures, each with its place
    audience : 'customer' or 'bench'
    made : datetime or None   day of the report; left out when None
    notice : str   stands before all else, e.g. that the job is invented
    histories : sequence of History   of the job's tracks
    response : PostResponse or None   what moving the post does
    heading : Heading or None   the maker's
    photo : Photo or None   of the instrument
    attached : sequence of Attached   files that go with it
    further : sequence of Section   put behind the tap sets, e.g. bowed notes

    Raises
    ------
    ValueError   when `audience` is neither
    """
    if audience not in AUDIENCES:
        raise ValueError(f"audience is '{audience}'; it is one of {', '.join(AUDIENCES)}")
    bench = audience == "bench"
    comparisons = [each if bench else for_customer(each) for each in comparisons]
    summary = summary_section(
        job,
        comparisons,
        histories=histories,
        band=band_of(job, comparisons[-1]) if comparisons else (nan, nan),
        picture=next((picture for picture in pictures if picture.place == "summary"), None),
        photo=photo,
        guesses=bench,
    )
    sections = [
        summary,
        done_section(job, bench=bench),
        changes_section(job, comparisons, pictures, guesses=bench),
        _over_time(job, histories, pictures, bench=bench),
        _post(job, response, pictures, guesses=bench),
        _tap_sets(job, pictures, bench=bench),
        *further,
        instrument_section(job, bench=bench),
        checks_section(job),
        repeat_section(job, pictures),
        Section(
            "How this was measured", (*method_blocks(job, guesses=bench), *_attached(attached)), name="method"
        ),
        Section("Take care", (Items(caution_items(job.instrument)),), name="care"),
        end_section(),
    ]
    kept = tuple(section for section in sections if section.blocks or section.sections)
    return Report(
        report_title(job.instrument),
        report_subtitle(job),
        notice,
        kept,
        _footer(made),
        heading or Heading(),
        made,
        tuple(attached),
    )


def _footer(made: datetime | None) -> str:
    return " · ".join(filter(None, [f"Written by resonance {__version__}", day_words(made) if made else ""]))


def _attached(attached: Sequence[Attached]) -> tuple[Block, ...]:
    """Say which files go with the report."""
    if not attached:
        return ()
    return (Items(tuple(f"{each.name}: {each.about}." for each in attached), "Attached to this file"),)


def shown_sets(job: Job) -> tuple[TapSet, ...]:
    """Give the tap sets whose readings a report shows in full: the last ones of many."""
    return job.sets[-SETS_SHOWN:]


def _over_time(
    job: Job, histories: Sequence[History], pictures: Sequence[Picture], *, bench: bool
) -> Section:
    """Give the readings over time, with what each adjustment did apart from settling and weather."""
    shown: list[Block] = [picture for picture in pictures if picture.place == "over time"]
    if histories:
        shown += [Paragraph(TOGETHER, "small")]
        shown += history_blocks(job, histories, guesses=bench, remarks=bench)
    if len(job.sets) > 1:
        shown += over_time_tables(job, guesses=bench)
    return Section("Over the weeks", tuple(shown), name="time")


def _post(job: Job, response: PostResponse | None, pictures: Sequence[Picture], *, guesses: bool) -> Section:
    """Say what moving the post does, where it was moved."""
    if response is None or not response.moves:
        return Section("The post", name="post")
    blocks = post_blocks(response, track_names(response, job, guesses=guesses))
    drawn = [picture for picture in pictures if picture.place == "post"]
    return Section("The post", (blocks[0], *drawn, *blocks[1:]), name="post")


def _tap_sets(job: Job, pictures: Sequence[Picture], *, bench: bool) -> Section:
    """Give the readings of every tap set shown."""
    shown = shown_sets(job)
    parts = []
    for tap_set in shown:
        drawn = [p for p in pictures if p.place == "readings" and p.key == tap_set.id]
        blocks: list[Block] = [*drawn, *set_blocks(tap_set, guesses=bench, bench=bench)]
        when = f", {day_words(tap_set.taken)}" if tap_set.taken else ""
        name = set_words(tap_set.id)
        parts.append(Section(name[:1].upper() + name[1:] + when, tuple(blocks), name=tap_set.id))
    left = len(job.sets) - len(shown)
    words = f"The last {len(shown)} of {count_words(len(job.sets), 'tap set')}."
    return Section("Every tap set", (Paragraph(words),) if left else (), tuple(parts), name="sets")
