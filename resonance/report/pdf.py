"""A job's report as a PDF that will open in thirty years: PDF/A-3a and PDF/UA-1, laid out by typst.

Fonts are embedded (Libertinus Serif, SIL Open Font Licence, from typst; DejaVu, from matplotlib),
pictures are vectors, the readings are attached as files, and the same content gives the same bytes.
"""

import json
import re
import tempfile
from dataclasses import asdict
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from resonance.report.blocks import Block, Heading, Photo, Picture, Report, Section
from resonance.report.numbers import tied
from resonance.report.signs import font_folder, in_fonts, shown, with_list

PAPERS = {"a4": "a4", "letter": "us-letter"}
UNDATED = datetime(2000, 1, 1, tzinfo=UTC)
LONGEST_WORD = 40  # letters, beyond which a line may break anywhere
LONGEST_ALT = 600
MOST_TRIES = 40


def write_pdf(report: Report, *, paper: str = "a4") -> bytes:
    """Lay a report out as a PDF.

    Parameters
    ----------
    report : Report
    paper : 'a4' or 'letter'

    Returns
    -------
    bytes   of the file; signs that no embedded font holds are replaced and listed in it

    Raises
    ------
    ValueError   when there is no such paper
    """
    import typst

    if paper not in PAPERS:
        raise ValueError(f"paper is '{paper}'; it is one of {', '.join(PAPERS)}")
    lost: set[str] = set()
    for _ in range(MOST_TRIES):
        content, replaced = shown(report, lambda sign: sign not in lost and in_fonts(sign))
        try:
            return _compiled(with_list(content, replaced, where="this document"), paper)
        except typst.TypstError as error:
            beyond = re.search(r"the text `\"(.*?)\"` could not be displayed", str(error.message), re.DOTALL)
            if beyond is None:
                raise
            lost.update(_spelt(beyond.group(1)))
    raise RuntimeError(f"more than {MOST_TRIES} kinds of sign that the fonts promise and do not hold")


def _spelt(text: str) -> str:
    r"""Give the signs that a message names, ``\u{200b}`` among them."""
    return re.sub(r"\\u\{([0-9a-f]+)\}", lambda code: chr(int(code.group(1), 16)), text)


def _compiled(report: Report, paper: str) -> bytes:
    """Write all that the template reads into a folder of its own, and compile it there."""
    import typst

    made = report.made or UNDATED
    with tempfile.TemporaryDirectory(prefix="resonance-") as folder:
        room = Path(folder)
        content = _content(report, PAPERS[paper], room)
        (room / "report.json").write_text(json.dumps(content, ensure_ascii=False), encoding="utf-8")
        template = files("resonance.report") / "templates" / "report.typ"
        (room / "report.typ").write_text(template.read_text("utf-8"), encoding="utf-8")
        compiler = typst.Compiler(
            room / "report.typ", root=room, font_paths=_fonts(), ignore_system_fonts=True
        )
        written = compiler.compile(format="pdf", pdf_standards=["a-3a", "ua-1"], timestamp=made)
    if not isinstance(written, bytes):
        raise RuntimeError("typst gave no PDF")
    return written


@cache
def _fonts() -> Any:
    import typst

    return typst.Fonts(include_system_fonts=False, font_paths=[font_folder()])


def _content(report: Report, paper: str, room: Path) -> dict[str, Any]:
    """Give all that the template reads; files go into the folder."""
    made = report.made
    for attached in report.attached:
        (room / attached.name).write_bytes(attached.text.encode("utf-8", "backslashreplace"))
    return {
        "title": _text(report.title),
        "running": _text(_cut(report.title)),
        "author": report.heading.name,
        "subtitle": _text(report.subtitle),
        "notice": _text(report.notice),
        "footer": _text(report.footer),
        "date": [made.year, made.month, made.day] if made else None,
        "paper": paper,
        "heading": _heading(report.heading, room),
        "sections": [_section(section, room) for section in report.sections],
        "attached": [{k: getattr(a, k) for k in ("name", "about", "media_type")} for a in report.attached],
    }


def _heading(heading: Heading, room: Path) -> dict[str, Any]:
    image = heading.image
    return {
        "name": _text(heading.name),
        "lines": [_text(line) for line in heading.lines],
        "image": {"file": _kept(image.data, f"heading.{image.form}", room), "alt": heading.name or "heading"}
        if image
        else None,
    }


def _section(section: Section, room: Path) -> dict[str, Any]:
    return {
        "title": _text(section.title),
        "blocks": [_block(block, room) for block in section.blocks],
        "sections": [_section(part, room) for part in section.sections],
    }


def _block(block: Block, room: Path) -> dict[str, Any]:
    number = len(list(room.iterdir()))
    if isinstance(block, Picture):
        file = _kept(block.svg.encode("utf-8"), f"picture-{number}.svg", room)
        caption = _text(block.caption)
        alt = block.caption[:LONGEST_ALT]
        return {"kind": "picture", "file": file, "caption": caption, "alt": alt, "floating": block.floating}
    if isinstance(block, Photo):
        file = _kept(block.data, f"photo-{number}.{block.form}", room)
        return {"kind": "photo", "file": file, "caption": _text(block.caption or "photograph")}
    return {key: _texts(value) for key, value in asdict(block).items()}


def _kept(data: bytes, name: str, room: Path) -> str:
    (room / name).write_bytes(data)
    return name


def _texts(value: Any) -> Any:
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, list | tuple):
        return [_texts(each) for each in value]
    return {key: _texts(each) for key, each in value.items()} if isinstance(value, dict) else value


def _text(text: str) -> str:
    """Keep numbers with their units, and let a word too long for a line break anywhere."""
    if len(text) <= LONGEST_WORD:
        return tied(text)
    return tied(re.sub(rf"\S{{{LONGEST_WORD},}}", lambda word: "\u200b".join(word.group()), text))


def _cut(title: str, longest: int = 80) -> str:
    return title if len(title) <= longest else title[: longest - 1].rstrip() + "…"
