"""``resonance bench``: the whole job on a page, on this computer and, if shared, on a tablet beside it."""

from argparse import ArgumentTypeError, Namespace
from importlib import import_module

from resonance.cli.options import Commands, add_command

EXAMPLE = """\
resonance bench
resonance bench --share
resonance bench --port 8400 --no-browser"""
SERVER = "resonance.bench.serve"  # started by its name: the command line knows nothing else of the page
LAST_PORT = 65535


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "bench",
        does="the whole job on a page in your browser",
        about="Opens a page on this computer for all of it: jobs, setup, tap sets live, adjustments, what "
        "moved, reports. Stop it with Ctrl-C.",
        example=EXAMPLE,
    )
    parser.add_argument(
        "--port", type=_port, metavar="N", help="8321 or the next one free unless said; 0 for any"
    )
    parser.add_argument(
        "--share",
        action="store_true",
        help="let a tablet on the local network use it, by a link with a key in it",
    )
    parser.add_argument("--no-browser", action="store_true", help="print the link only")
    parser.set_defaults(run=run)


def _port(text: str) -> int:
    if not text.isdecimal() or int(text) > LAST_PORT:
        raise ArgumentTypeError(f"'{text}' is no port; give a number up to {LAST_PORT}, 0 for any free one")
    return int(text)


def run(arguments: Namespace) -> None:
    """Serve the page until it is stopped."""
    from resonance.jobs.settings import shop_folder

    import_module(SERVER).serve(
        shop_folder(arguments.shop),
        port=arguments.port,
        shared=arguments.share,
        browser=not arguments.no_browser,
    )
