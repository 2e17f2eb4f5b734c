"""What a report is made of: a few kinds of block, all words, none of them knowing paper, screen or HTML.

The first section is the summary and fills the first page. Numbers are already text here, with unit and
uncertainty; whoever writes the report out lays it out and escapes it, and computes nothing.
"""

from base64 import b64encode
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime


@dataclass(frozen=True)
class Paragraph:
    """A few sentences; tone is 'plain', 'lead', 'caution' or 'small'."""

    text: str
    tone: str = "plain"
    kind: str = field(default="paragraph", init=False)


@dataclass(frozen=True)
class Items:
    """A list of sentences, with a line of words before it ('' for none); tone as for a paragraph."""

    items: tuple[str, ...]
    title: str = ""
    tone: str = "plain"
    kind: str = field(default="items", init=False)


@dataclass(frozen=True)
class Facts:
    """Pairs of name and words; `wide` when the words need a whole line."""

    pairs: tuple[tuple[str, str], ...]
    title: str = ""
    wide: bool = False
    kind: str = field(default="facts", init=False)


@dataclass(frozen=True)
class Table:
    """Rows of words under column heads.

    Parameters
    ----------
    columns : tuple of str
    rows : tuple of rows, each as long as `columns`
    numeric : tuple of int   columns set flush right
    title : str
    notes : tuple of (str, str)   mark and words, for the marks in the table
    """

    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[int, ...] = ()
    title: str = ""
    notes: tuple[tuple[str, str], ...] = ()
    kind: str = field(default="table", init=False)


@dataclass(frozen=True)
class Verdict:
    """One verdict: sign and words for it, the sentence, what limits it; `strong` sets it off."""

    sign: str
    verdict: str
    text: str
    reasons: tuple[str, ...] = ()
    strong: bool = False


@dataclass(frozen=True)
class Verdicts:
    """Verdicts, one a mode, by rising frequency."""

    verdicts: tuple[Verdict, ...]
    kind: str = field(default="verdicts", init=False)


@dataclass(frozen=True)
class Picture:
    """A figure as SVG with its caption, and where in the report it belongs.

    Parameters
    ----------
    place : 'summary', 'over time', 'changes', 'post', 'readings' or 'repeat'
    svg : str   one SVG element (`resonance.plots.style.figure_svg`)
    caption : str   says what is drawn and how to read it; also read out in place of the picture
    key : str   for 'changes' the ids of the two sets with a space between, for 'readings' the set's id
    floating : bool   on paper it may stand at the head or foot of a page, so that no page is left half empty
    """

    place: str
    svg: str
    caption: str
    key: str = ""
    floating: bool = True
    kind: str = field(default="picture", init=False)


@dataclass(frozen=True)
class Photo:
    """A photograph: the bytes of a JPEG or PNG file, and what it shows."""

    data: bytes
    form: str = "jpeg"
    caption: str = ""
    kind: str = field(default="photo", init=False)

    @property
    def address(self) -> str:
        """The photograph itself as a data address, for HTML."""
        return f"data:image/{self.form};base64,{b64encode(self.data).decode('ascii')}"


@dataclass(frozen=True)
class Signature:
    """Lines to be filled in by hand, each with the words under it."""

    lines: tuple[str, ...]
    kind: str = field(default="signature", init=False)


Block = Paragraph | Items | Facts | Table | Verdicts | Picture | Photo | Signature


@dataclass(frozen=True)
class Section:
    """A heading, what stands under it, and sections within it; `name` is an ASCII word for anchors."""

    title: str
    blocks: tuple[Block, ...] = ()
    sections: tuple["Section", ...] = ()
    name: str = ""


@dataclass(frozen=True)
class Heading:
    """The maker's own heading: name, lines under it such as the address, an image (None for none)."""

    name: str = ""
    lines: tuple[str, ...] = ()
    image: Photo | None = None


@dataclass(frozen=True)
class Attached:
    """A file that goes with the report: its name, what it holds, its kind (MIME), its text."""

    name: str
    about: str
    media_type: str
    text: str


@dataclass(frozen=True)
class Report:
    """A whole report.

    Parameters
    ----------
    title, subtitle : str
    notice : str   stands in a box before all else, e.g. that the job is invented; '' for none
    sections : tuple of Section
    footer : str
    heading : Heading   the maker's
    made : date or None   day of the report
    attached : tuple of Attached
    """

    title: str
    subtitle: str = ""
    notice: str = ""
    sections: tuple[Section, ...] = ()
    footer: str = ""
    heading: Heading = field(default_factory=Heading)
    made: datetime | None = None
    attached: tuple[Attached, ...] = ()


def pictures_of(report: Report) -> tuple[Picture, ...]:
    """Give the pictures of a report in their order."""
    sections = [part for section in report.sections for part in (section, *section.sections)]
    return tuple(block for part in sections for block in part.blocks if isinstance(block, Picture))


def table_of(
    columns: tuple[str, ...],
    rows: Sequence[tuple[str, ...]],
    *,
    numeric: tuple[str, ...] = (),
    title: str = "",
    notes: tuple[tuple[str, str], ...] = (),
) -> Table:
    """Make a table without the columns that hold nothing; `numeric` names the columns set flush right."""
    kept = [k for k in range(len(columns)) if any(row[k] for row in rows)]
    return Table(
        tuple(columns[k] for k in kept),
        tuple(tuple(row[k] for k in kept) for row in rows),
        tuple(n for n, k in enumerate(kept) if columns[k] in numeric),
        title,
        notes,
    )
