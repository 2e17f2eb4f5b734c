"""The ``resonance`` command: finds the command asked for, runs it, turns trouble into one plain line.

Exit codes: 0 done, 1 could not, 2 wrong usage, 130 stopped by Ctrl-C.
"""

import os
import sys
import traceback
from argparse import Namespace
from collections.abc import Sequence
from importlib import import_module

from resonance import __version__
from resonance.cli import screen
from resonance.cli.options import Parser, UsageError, add_global
from resonance.errors import ResonanceError

COMMANDS = (
    "modes",
    "bowed",
    "job",
    "take",
    "bench",
    "add",
    "setup",
    "adjust",
    "label",
    "same",
    "target",
    "compare",
    "history",
    "post",
    "repeat",
    "report",
    "figure",
    "tables",
    "photo",
    "settings",
    "recompute",
    "check",
    "backup",
    "restore",
    "undo",
    "demo",
)

EXAMPLE = """\
resonance modes tap1.wav tap2.wav                         look at some taps, nothing is kept
resonance job new my-viola --family viola                 start a job for an instrument
resonance take my-viola                                   record a tap set, tap by tap
resonance add my-viola before.wav                         or keep one recorded elsewhere
resonance adjust my-viola --part soundpost --along 0.25   note what you changed
resonance add my-viola after.wav
resonance compare my-viola                                what moved, and what could not be seen
resonance report my-viola --out my-viola.pdf"""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    argv : sequence of str or None   words after ``resonance``; those of the process by default

    Returns
    -------
    int, the exit code
    """
    screen.use_utf8()
    parser = build_parser()
    words = sys.argv[1:] if argv is None else list(argv)
    if not words:
        parser.print_help(sys.stderr)
        return 2
    try:
        arguments = parser.parse_args(words)
    except SystemExit as stop:
        return int(stop.code or 0)
    debug = arguments.debug or bool(os.environ.get("RESONANCE_DEBUG"))
    return _guarded(arguments, debug)


def build_parser() -> Parser:
    """Build the parser of all commands; each command file adds its own part."""
    parser = Parser(
        prog="resonance",
        description="What did that adjustment do? Body modes of violins, violas, cellos and basses from "
        "recorded taps,\nwith honest uncertainty; before and after, kept job by job.",
        example=EXAMPLE,
    )
    parser.add_argument("--version", action="version", version=f"resonance {__version__}")
    add_global(parser)
    commands = parser.add_subparsers(
        dest="command", metavar="COMMAND", title="commands", required=True, parser_class=Parser
    )
    for name in COMMANDS:
        import_module(f"resonance.cli.{name}").add_parser(commands)
    return parser


def _guarded(arguments: Namespace, debug: bool) -> int:
    try:
        code: int | None = arguments.run(arguments)
        sys.stdout.flush()
        return code or 0
    except UsageError as wrong:
        return _failed(f"{wrong} (see resonance {arguments.command} --help)", 2, debug)
    except ResonanceError as trouble:
        return _failed(str(trouble), 1, debug)
    except KeyboardInterrupt:
        return _failed("stopped; what was kept before is whole, and nothing is half written", 130, False)
    except BrokenPipeError:
        sys.stdout = open(os.devnull, "w")  # the reader of our output has gone; leave without a word
        return 1
    except OSError as trouble:
        return _failed(_os_error(trouble), 1, debug)
    except MemoryError:
        return _failed("not enough memory for this; give fewer or shorter recordings at a time", 1, debug)
    except Exception as unexpected:
        return _failed(_unexpected(unexpected, debug), 1, debug)


def _failed(text: str, code: int, debug: bool) -> int:
    if debug:
        traceback.print_exc()
    screen.error(text)
    return code


def _os_error(trouble: OSError) -> str:
    what = trouble.strerror or str(trouble) or type(trouble).__name__
    return f"{trouble.filename}: {what}" if trouble.filename else what


def _unexpected(trouble: Exception, debug: bool) -> str:
    again = "" if debug else "; run it again with --debug and send us what it prints"
    return f"this should not happen ({type(trouble).__name__}: {trouble}), please report it{again}"


if __name__ == "__main__":
    sys.exit(main())
