"""``resonance same``: say that two resonances of two tap sets are one; it stays said."""

import argparse
from argparse import Namespace
from math import isfinite

from resonance.cli import screen
from resonance.cli.options import Commands, add_command, add_json, positive
from resonance.cli.shop import open_shop

EXAMPLE = """\
resonance same my-viola set1:437 set4:431.5"""


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "same",
        does="say that two resonances of two tap sets are one",
        about="For a resonance that the program lost sight of, or took for another. Your word stays, "
        "whatever a later analysis says; 'resonance undo' takes it back.",
        example=EXAMPLE,
    )
    parser.add_argument("job", metavar="JOB", help="name of the job")
    parser.add_argument("first", metavar="SET:HZ", type=place, help="tap set and hertz, such as set1:437")
    parser.add_argument("second", metavar="SET:HZ", type=place, help="the same resonance in another tap set")
    add_json(parser)
    parser.set_defaults(run=run)


def place(text: str) -> tuple[str, float]:
    """Read a tap set and a frequency in hertz, e.g. ``set1:437``.

    Raises
    ------
    argparse.ArgumentTypeError   when it is not written so
    """
    set_id, sign, hertz = text.partition(":")
    if not sign or not set_id.strip():
        raise argparse.ArgumentTypeError(f"'{text}' is not SET:HZ; write it like set1:437")
    return set_id.strip(), positive(hertz.lower().removesuffix("hz"))


def run(arguments: Namespace) -> None:
    """Tie two modes together."""
    from resonance.jobs.job import find_set
    from resonance.jobs.records import to_record
    from resonance.report.verdicts import mode_words
    from resonance.report.words import set_words

    shop = open_shop(arguments)
    places = (arguments.first, arguments.second)
    modes = shop.same_mode(arguments.job, *places)
    job = shop.job(arguments.job)
    ids = [find_set(job, set_id).id for set_id, _ in places]
    if arguments.json:
        found = [{"set": set_id, **to_record(mode)} for set_id, mode in zip(ids, modes, strict=True)]
        screen.print_json({"job": job.id, "track": modes[0].track, "modes": found})
        return
    said = [f"{mode_words(mode)} in {set_words(set_id)}" for set_id, mode in zip(ids, modes, strict=True)]
    apart = [
        abs(mode.frequency - hertz) for mode, (_, hertz) in zip(modes, places, strict=True) if isfinite(hertz)
    ]
    off = "" if max(apart) < 0.05 else " They are the nearest to the hertz you gave."
    screen.show(f"One resonance from now on: {said[0]}, and {said[1]}.{off}")
