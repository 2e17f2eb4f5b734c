"""``resonance label``: name a resonance yourself; your name stays, whatever the program guesses."""

from argparse import Namespace
from collections.abc import Sequence
from math import isfinite, nan

from resonance.cli import screen
from resonance.cli.options import Commands, UsageError, add_command, add_json, positive
from resonance.cli.shop import open_shop
from resonance.modes.mode import Mode

EXAMPLE = """\
resonance label my-viola set1 437 B1+
resonance label my-viola set1 437 --clear"""


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "label",
        does="name a resonance yourself",
        about="The resonance nearest to HZ takes the name, if one lies within 2 % (9 Hz at 450 Hz)."
        "\nConfirm a guess by giving the same name.",
        example=EXAMPLE,
    )
    parser.add_argument("job", metavar="JOB", help="name of the job")
    parser.add_argument("set", metavar="SET", help="tap set, such as set1")
    parser.add_argument("hertz", metavar="HZ", type=positive, help="where the resonance lies, hertz")
    parser.add_argument("name", metavar="NAME", nargs="?", help="A0, CBR, B1-, B1+, or a name of your own")
    parser.add_argument("--clear", action="store_true", help="take the name away")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> None:
    """Give a name or take it away."""
    from resonance.jobs.job import find_set
    from resonance.jobs.records import to_record
    from resonance.report.verdicts import mode_words
    from resonance.report.words import set_words

    name = (arguments.name or "").strip().replace("−", "-").replace("–", "-")
    if bool(name) == arguments.clear:
        raise UsageError("give a NAME, or --clear to take the name away")
    shop = open_shop(arguments)
    holder = _holder(find_set(shop.job(arguments.job), arguments.set).modes, name)
    mode = shop.label(arguments.job, arguments.set, arguments.hertz, name or None)
    if arguments.json:
        screen.print_json(to_record(mode))
        return
    off = mode.frequency - arguments.hertz
    given = f", {abs(off):.1f} Hz from the {arguments.hertz:g} Hz you gave" if abs(off) >= 0.05 else ""
    where = set_words(find_set(shop.job(arguments.job), arguments.set).id)
    done = "Named" if name else "No name now"
    screen.show(f"{done}: {mode_words(mode)} in {where}{given}.", *_doubts(mode, holder))


def _holder(modes: Sequence[Mode], name: str) -> float:
    """Give the frequency of the mode that bears the name already, NaN when none does."""
    return next((mode.frequency for mode in modes if name and mode.label == name), nan)


def _doubts(mode: Mode, holder: float) -> list[str]:
    """Say what may be a slip: a name taken from another resonance, or given to no resonance of the body."""
    said = []
    if isfinite(holder) and abs(holder - mode.frequency) > 0.01 * mode.frequency:
        said.append(f"That name stood at {holder:.1f} Hz in this tap set. 'resonance undo' puts it back.")
    if mode.kind not in ("body", "air"):
        kind = {"string": "a string", "hum": "mains hum", "room": "the room"}.get(mode.kind, "unsure")
        said.append(f"The program took this one for {kind}.")
    return said
