"""Options that several commands share, and how their values are read.

Wrong usage ends with exit code 2 and one line; see `UsageError`.
"""

import argparse
import sys
import textwrap
from collections.abc import Sequence
from datetime import datetime
from math import isfinite
from typing import Any, NoReturn

from resonance.cli import screen
from resonance.sets.instrument import FAMILIES, PIECES
from resonance.sets.tapset import CHECKS, REPEAT_KINDS

NAME_COLUMN = 4 + len("recompute")  # the longest name of a command, where it is listed
Commands = Any  # what add_subparsers() gives: argparse has no public name for it


class UsageError(Exception):
    """The command was written wrongly; the message says what would be right. Exit code 2."""


class Parser(argparse.ArgumentParser):
    """An argument parser whose errors are one line, and whose help keeps the layout of its example."""

    def __init__(self, *, example: str = "", **kwargs: Any) -> None:
        kwargs.setdefault("formatter_class", _help_format)
        kwargs.setdefault("allow_abbrev", False)
        if example:
            title = "examples" if "\n" in example else "example"
            kwargs["epilog"] = "\n".join([f"{title}:", *(f"  {line}" for line in example.splitlines())])
        super().__init__(**kwargs)

    def error(self, message: str) -> NoReturn:
        """Say what is wrong in one line and end with exit code 2."""
        screen.error(f"{message} (see {self.prog} --help)")
        sys.exit(2)

    def _check_value(self, action: argparse.Action, value: Any) -> None:
        """Refuse a value that is none of the choices, naming the likeliest, else all."""
        if action.choices is not None and value not in action.choices:
            choices = [str(each) for each in action.choices]
            hint = did_you_mean(str(value), choices) or f"write one of: {', '.join(choices)}"
            raise argparse.ArgumentError(action, f"there is no '{value}'; {hint}")


def did_you_mean(word: str, choices: Sequence[str]) -> str:
    """Ask after the choice that a word comes near to, e.g. ``did you mean viola?``; '' where none is near."""
    import difflib

    near = difflib.get_close_matches(word.casefold(), choices, n=1, cutoff=0.6)
    return f"did you mean {near[0]}?" if near else ""


def _help_format(prog: str) -> argparse.HelpFormatter:
    layout = argparse.RawDescriptionHelpFormatter(prog, max_help_position=30, width=screen.line_width())
    layout._action_max_length = NAME_COLUMN  # argparse forgets that commands stand further in than options
    return layout


def add_command(commands: Commands, name: str, *, does: str, example: str, about: str = "") -> Parser:
    """Add a command with its one-line purpose, an example, and the options every command takes.

    Parameters
    ----------
    commands : what ``add_subparsers()`` gave
    name : str   the word after ``resonance``
    does : str   one line, shown in the list of commands
    example : str   one command a line, as typed
    about : str   more, shown by the command's own ``--help``, one paragraph a line
    """
    lines = [f"{does[:1].upper()}{does[1:]}.", *(["", *about.splitlines()] if about else [])]
    text = "\n".join(textwrap.fill(line, screen.line_width(), break_on_hyphens=False) for line in lines)
    parser: Parser = commands.add_parser(name, help=does, description=text, example=example)
    add_global(parser, hidden=True)
    return parser


def add_global(parser: argparse.ArgumentParser, *, hidden: bool = False) -> None:
    """Add what may stand before or after any command: --shop and --debug.

    A command's own parser takes them too, without showing them or a default of its own.
    """
    default: Any = argparse.SUPPRESS if hidden else None
    shop = "folder of the shop (else $RESONANCE_SHOP, else the usual place on this computer)"
    debug = "show where the program was when something unexpected happens"
    group = parser.add_argument_group("before or after any command")
    group.add_argument("--shop", metavar="DIR", default=default, help=argparse.SUPPRESS if hidden else shop)
    group.add_argument(
        "--debug",
        action="store_true",
        default=default if hidden else False,
        help=argparse.SUPPRESS if hidden else debug,
    )


def add_clap(parser: argparse.ArgumentParser) -> None:
    """Add ``--clap``."""
    parser.add_argument(
        "--clap",
        action="append",
        default=[],
        metavar="FILE",
        help="recording of a clap where you tapped: what rings in it is the room's",
    )


def add_json(parser: argparse.ArgumentParser) -> None:
    """Add --json."""
    parser.add_argument("--json", action="store_true", help="print one JSON object instead of text")


def add_instrument(parser: argparse.ArgumentParser, *, family: str | None, piece: str | None) -> None:
    """Add --family and --piece with the given defaults."""
    usual = _default(family) or "violin, or the shop's usual one, unless said"
    parser.add_argument("--family", choices=FAMILIES, default=family, help=usual)
    parser.add_argument(
        "--piece",
        choices=PIECES,
        default=piece,
        help=f"whole or a free plate{_default(piece, ', ')}",
    )


def add_band(parser: argparse.ArgumentParser) -> None:
    """Add --band and --channel."""
    parser.add_argument(
        "--band",
        nargs=2,
        type=positive,
        metavar=("LO", "HI"),
        help="where to look for resonances, hertz (60 1200 for a violin unless said)",
    )
    parser.add_argument(
        "--channel", type=int, metavar="N", help="use this channel alone, counted from 1 (all unless said)"
    )


def _default(value: str | None, before: str = "") -> str:
    return f"{before}{value} unless said" if value else ""


def moment(text: str) -> datetime:
    """Read a date or a date and time; a time without a zone is local.

    Raises
    ------
    argparse.ArgumentTypeError   when it is neither
    """
    try:
        return datetime.fromisoformat(text.strip()).astimezone()
    except (ValueError, OverflowError):
        raise argparse.ArgumentTypeError(
            f"'{text}' is not a date; write it like 2025-03-01 or 2025-03-01T14:30"
        ) from None


def number(text: str) -> float:
    """Read a number; a decimal comma and a typographic minus are fine.

    Raises
    ------
    argparse.ArgumentTypeError   when it is no number
    """
    try:
        value = float(text.strip().replace(",", ".").replace("−", "-"))
    except ValueError:
        value = float("nan")
    if not isfinite(value):
        raise argparse.ArgumentTypeError(f"'{text}' is not a number; write it like 0.25 or -0.25")
    return value


def positive(text: str) -> float:
    """Read a number above 0.

    Raises
    ------
    argparse.ArgumentTypeError   when it is no number or not above 0
    """
    value = number(text)
    if value <= 0.0:
        raise argparse.ArgumentTypeError(f"'{text}' must be above 0")
    return value


def whole_number(text: str) -> int:
    """Read a whole number, 1 or more.

    Raises
    ------
    argparse.ArgumentTypeError   when it is none
    """
    if not text.strip().isdigit() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"'{text}' must be a whole number, 1 or more")
    return int(text)


def key_value(text: str) -> tuple[str, str]:
    """Read ``key=value``.

    Raises
    ------
    argparse.ArgumentTypeError   when there is no '=' or no key
    """
    key, sign, value = text.partition("=")
    if not sign or not key.strip():
        raise argparse.ArgumentTypeError(f"'{text}' is not KEY=VALUE; write it like seams=yes")
    return key.strip(), value.strip()


def check_answers(items: Sequence[tuple[str, str]]) -> dict[str, bool | None]:
    """Read the quick checks, e.g. ``seams=yes post=no``; ? is not checked.

    Raises
    ------
    UsageError   for a check that is not one of `CHECKS`, or an answer that is neither yes, no nor ?
    """
    answers = {"yes": True, "y": True, "ok": True, "no": False, "n": False, "?": None, "": None}
    found: dict[str, bool | None] = {}
    for key, value in items:
        name = key.lower().replace("_", " ").replace("-", " ")
        if name not in CHECKS:
            raise UsageError(f"there is no check '{key}'; the checks are: {', '.join(CHECKS)}")
        if value.lower() not in answers:
            raise UsageError(f"'{value}' does not answer {name}; write yes, no or ? for not checked")
        found[name] = answers[value.lower()]
    return found


def check_repeat(repeat_of: str | None, kind: str | None, *, options: tuple[str, str]) -> None:
    """See that a repeat says what was done in between, and that nothing else does.

    Parameters
    ----------
    options : how the two are written where they are asked for

    Raises
    ------
    UsageError   saying what to add
    """
    which, what = options
    if repeat_of and not kind:
        first, second, last = (f"'{each}'" for each in REPEAT_KINDS)
        raise UsageError(f"what was done since {repeat_of}? Add {what}{first}, {second} or {last}")
    if kind and not repeat_of:
        raise UsageError(f"which tap set does it repeat? Add {which}SET, such as set1")


def repeat_kind(text: str) -> str:
    """Read a kind of repeat set; hyphens and beginnings will do.

    Raises
    ------
    argparse.ArgumentTypeError   when it fits none of `REPEAT_KINDS`
    """
    wanted = text.strip().lower().replace("-", " ").replace("_", " ")
    fits = [kind for kind in REPEAT_KINDS if wanted and kind.startswith(wanted)]
    if len(fits) != 1:
        kinds = ", ".join(f"'{kind}'" for kind in REPEAT_KINDS)
        raise argparse.ArgumentTypeError(f"'{text}' is no kind of repeat; write one of {kinds}")
    return fits[0]
