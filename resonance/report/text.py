"""A job's report as plain text."""

import textwrap
import unicodedata
from collections.abc import Sequence
from datetime import datetime

from resonance.changes.comparison import Comparison
from resonance.jobs.job import Job
from resonance.report.blocks import (
    Block,
    Facts,
    Items,
    Paragraph,
    Photo,
    Picture,
    Report,
    Section,
    Signature,
    Table,
    Verdicts,
)
from resonance.report.content import build_report
from resonance.report.numbers import NO_BREAK, tied
from resonance.report.signs import written

WIDTH = 96
GAP = "  "


def report_text(
    job: Job,
    comparisons: Sequence[Comparison] = (),
    *,
    audience: str = "customer",
    made: datetime | None = None,
    notice: str = "",
    width: int = WIDTH,
) -> str:
    """Write a job's report as plain text.

    Parameters
    ----------
    job, comparisons, audience, made, notice : as for `resonance.report.content.build_report`
    width : int   columns to keep within; tables may be wider where their columns need it

    Returns
    -------
    str, ending with a newline
    """
    report = build_report(job, comparisons, audience=audience, made=made, notice=notice)
    return write_text(report, width=width)


def write_text(report: Report, *, width: int = WIDTH) -> str:
    """Lay a report out as plain text."""
    report = written(report)
    heading = [line for line in (report.heading.name, *report.heading.lines) if line]
    lines = [*heading, ""] if heading else []
    lines += [report.title, "=" * columns(report.title)]
    if report.subtitle:
        lines += _wrapped(report.subtitle, width)
    if report.notice:
        lines += ["", *_wrapped(f"! {report.notice}", width, "  ")]
    for section in report.sections:
        lines += _section_lines(section, width, level=0)
    if report.footer:
        lines += ["", *_wrapped(report.footer, width)]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def blocks_text(blocks: Sequence[Block], *, width: int = WIDTH) -> str:
    """Lay single blocks out as plain text, e.g. `resonance.report.readings.set_blocks` of one tap set."""
    parts = ["\n".join(line.rstrip() for line in _block_lines(block, width)) for block in blocks]
    return "\n\n".join(part for part in parts if part)


def columns(text: str) -> int:
    """Columns that text takes up: wide signs two, combining ones none."""
    signs = [sign for sign in text if not unicodedata.combining(sign)]
    return sum(2 if unicodedata.east_asian_width(sign) in "WF" else 1 for sign in signs)


def _section_lines(section: Section, width: int, *, level: int) -> list[str]:
    lines = (
        ["", "", section.title, "-" * columns(section.title)] if level == 0 else ["", f"# {section.title}"]
    )
    for block in section.blocks:
        lines += ["", *_block_lines(block, width)]
    for part in section.sections:
        lines += _section_lines(part, width, level=level + 1)
    return lines


def _block_lines(block: Block, width: int) -> list[str]:
    if isinstance(block, Paragraph):
        mark = "! " if block.tone == "caution" else ""
        return _wrapped(mark + block.text, width, "  " if mark else "")
    if isinstance(block, Items):
        title = [f"{block.title}:"] if block.title else []
        mark = "! " if block.tone == "caution" else "- "
        return title + [line for item in block.items for line in _wrapped(mark + item, width, "  ")]
    if isinstance(block, Facts):
        return _facts_lines(block, width)
    if isinstance(block, Verdicts):
        return _verdicts_lines(block, width)
    if isinstance(block, Table):
        return _table_lines(block, width)
    if isinstance(block, Signature):
        return ["", *(f"{'.' * 40}  {words}" for words in block.lines)]
    return _picture_lines(block, width)


def _picture_lines(picture: Picture | Photo, width: int) -> list[str]:
    return _wrapped(f"(Picture, in the report as a page: {picture.caption})", width)


def _facts_lines(facts: Facts, width: int) -> list[str]:
    lines = [f"{facts.title}:"] if facts.title else []
    name_width = max((columns(name) for name, _ in facts.pairs), default=0)
    for name, words in facts.pairs:
        start = name + " " * (name_width - columns(name)) + GAP
        lines += _wrapped(start + " ".join(words.split()), width, " " * (name_width + len(GAP)), keep=True)
    return lines


def _verdicts_lines(block: Verdicts, width: int) -> list[str]:
    lines = []
    for verdict in block.verdicts:
        lines += _wrapped(f"{verdict.sign or ' '} {verdict.text}", width, "  ")
        for reason in verdict.reasons:
            lines += _wrapped(f"    {reason}", width, "    ", keep=True)
    return lines


def _table_lines(table: Table, width: int) -> list[str]:
    """Lay a table out; columns of words are narrowed and wrapped where it would be too wide."""
    heads = [textwrap.wrap(head, 11, break_long_words=False) or [""] for head in table.columns]
    rows = [[[cell] for cell in row] for row in table.rows]
    widths = _column_widths([heads, *rows])
    spare = width - sum(widths) - len(GAP) * (len(widths) - 1)
    for k in sorted(range(len(widths)), key=lambda k: -widths[k]):
        if spare < 0 and k not in table.numeric:
            narrow = max(14, widths[k] + spare)
            rows = [[_cut(cell, narrow) if n == k else cell for n, cell in enumerate(row)] for row in rows]
            spare += widths[k]
            widths[k] = _column_widths([heads, *rows])[k]
            spare -= widths[k]
    lines = [f"{table.title}:"] if table.title else []
    lines += _row_lines(heads, widths, table.numeric)
    lines.append(GAP.join("-" * w for w in widths))
    for row in rows:
        lines += _row_lines(row, widths, table.numeric)
    for mark, words in table.notes:
        lines += _wrapped(f"{mark}: {words}", width, " " * (len(mark) + 2))
    return lines


def _column_widths(rows: Sequence[Sequence[Sequence[str]]]) -> list[int]:
    return [max(columns(line) for row in rows for line in row[k]) for k in range(len(rows[0]))]


def _cut(cell: Sequence[str], width: int) -> list[str]:
    return textwrap.wrap(" ".join(cell), width, break_on_hyphens=False, break_long_words=False) or [""]


def _row_lines(row: Sequence[Sequence[str]], widths: Sequence[int], numeric: Sequence[int]) -> list[str]:
    """Give one row of cells, each of one or more lines; words stand at the top, column heads at the foot."""
    height = max(len(cell) for cell in row)
    return [
        GAP.join(
            _padded(cell[n] if n < len(cell) else "", widths[k], k in numeric) for k, cell in enumerate(row)
        )
        for n in range(height)
    ]


def _padded(text: str, width: int, right: bool) -> str:
    space = " " * (width - columns(text))
    return space + text if right else text + space


def _wrapped(text: str, width: int, indent: str = "", *, keep: bool = False) -> list[str]:
    """Wrap text, no line ending inside a measure; continued lines are indented; `keep` keeps spaces."""
    text = tied(text if keep else " ".join(text.split()))
    lines = textwrap.wrap(text, width, subsequent_indent=indent, break_on_hyphens=False)
    return [line.replace(NO_BREAK, " ") for line in lines] or [""]
