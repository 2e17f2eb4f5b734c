"""Signs that cannot be shown: replaced by □ and listed, so that no text stops a report or is lost unseen.

A page shows whatever the reader's computer has letters for; only what is no sign at all (controls, halves of
pairs, numbers without a sign) is replaced. A PDF shows what its embedded fonts hold: Latin, Greek, Cyrillic,
Hebrew, Arabic, and many symbols, but no Chinese and few emoji.
"""

import unicodedata
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass, replace
from datetime import datetime
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any, TypeVar

from resonance.report.blocks import Attached, Paragraph, Report
from resonance.report.words import count_words, list_words

BOX = "□"
NO_SIGN = ("Cc", "Cs", "Cn", "Co")  # controls, halves of pairs, numbers without a sign, private ones
BLANKS = "\t\n\v\f\r\x1c\x1d\x1e\x1f\x85\u2028\u2029"
LISTED = 12
# what every report is made of: ASCII, Latin-1, and the signs of `words` and `numbers`
_KNOWN = frozenset({chr(code) for code in (*range(0x20, 0x7F), *range(0xA1, 0x100))} - {"\xad"}) | frozenset(
    "\xa0±−–…→●○≈♯ζα’“”·□"
)
T = TypeVar("T")


def is_sign(sign: str) -> bool:
    """Whether a sign can be written at all."""
    return sign in _KNOWN or unicodedata.category(sign) not in NO_SIGN


def in_fonts(sign: str) -> bool:
    """Whether the fonts that a PDF embeds hold a sign."""
    return sign in _KNOWN or (is_sign(sign) and (ord(sign) in _held() or _unseen(sign)))


def shown(content: T, can: Callable[[str], bool]) -> tuple[T, Counter[str]]:
    """Replace what cannot be shown in all texts of some content, blanks of all kinds by spaces.

    Parameters
    ----------
    content : a report, or any of its parts, or text
    can : says of a sign whether it can be shown

    Returns
    -------
    (content, replaced) : and how often each sign was replaced
    """
    replaced: Counter[str] = Counter()

    def of_text(text: str) -> str:
        if all(sign in _KNOWN for sign in text):
            return text
        text = "".join(" " if sign in BLANKS else sign for sign in text)
        lost = [sign for sign in text if not can(sign)]
        replaced.update(lost)
        return "".join(BOX if sign in lost else sign for sign in text) if lost else text

    return _mapped(content, of_text), replaced


def replaced_words(replaced: Mapping[str, int], *, where: str) -> str:
    """Say which signs were replaced; '' where none was."""
    if not replaced:
        return ""
    told = [f"{sign_name(sign)} ({count_words(n, 'time')})" for sign, n in list(replaced.items())[:LISTED]]
    more = len(replaced) - LISTED
    if more > 0:
        told.append(f"{more} more")
    return f"{BOX} stands for a sign that {where} cannot show: {list_words(told)}."


def with_list(report: Report, replaced: Mapping[str, int], *, where: str) -> Report:
    """Say in the last section of a report which signs were replaced."""
    words = replaced_words(replaced, where=where)
    if not words or not report.sections:
        return report
    last = report.sections[-1]
    said = replace(last, blocks=(*last.blocks, Paragraph(words, "small")))
    return replace(report, sections=(*report.sections[:-1], said))


def written(report: Report) -> Report:
    """Give a report with no text in it that cannot be written at all, what was replaced listed at its end."""
    content, replaced = shown(report, is_sign)
    return with_list(content, replaced, where="a computer")


def sign_name(sign: str) -> str:
    """Name a sign by its number and its name in Unicode."""
    name = unicodedata.name(sign, "")
    return f"U+{ord(sign):04X}" + (f" {name.lower()}" if name else "")


def font_folder() -> Path:
    """Folder of the free fonts that matplotlib carries: DejaVu (Bitstream Vera licence).

    Raises
    ------
    RuntimeError   when matplotlib is not installed
    """
    found = find_spec("matplotlib")
    if found is None or not found.submodule_search_locations:
        raise RuntimeError("matplotlib is not installed, and a report takes its fonts from there")
    return Path(found.submodule_search_locations[0]) / "mpl-data" / "fonts" / "ttf"


@cache
def _held() -> frozenset[int]:
    """Code points that DejaVu Sans holds."""
    from fontTools.ttLib import TTFont  # matplotlib needs it too

    with TTFont(font_folder() / "DejaVuSans.ttf", lazy=True) as font:
        return frozenset(font.getBestCmap())


def _unseen(sign: str) -> bool:
    """Whether a sign has no picture of its own: joiners, marks of direction, soft hyphens."""
    return unicodedata.category(sign) == "Cf" and ord(sign) < 0xE0000


def _mapped(content: Any, of_text: Callable[[str], str]) -> Any:
    """Give the same content with every text changed; pictures and attached files stay as they are."""
    if isinstance(content, Attached):
        return content
    if isinstance(content, str):
        return of_text(content)
    if isinstance(content, tuple):
        return tuple(_mapped(each, of_text) for each in content)
    if is_dataclass(content) and not isinstance(content, type):
        names = [f.name for f in fields(content) if f.init and f.name not in ("svg", "data")]
        return replace(content, **{name: _mapped(getattr(content, name), of_text) for name in names})
    if isinstance(content, datetime | bytes | int | float) or content is None:
        return content
    raise TypeError(f"{type(content).__name__} does not belong in a report")
