"""``resonance repeat``: how far readings wander by themselves, as repeat tap sets show it."""

from argparse import Namespace

from resonance.cli import screen
from resonance.cli.options import Commands, add_command, add_json
from resonance.cli.shop import open_shop

EXAMPLE = """\
resonance repeat my-viola"""
USUAL = 460.0  # Hz; where a lower main body note of a violin lies


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "repeat",
        does="show how far readings wander by themselves (put-back scatter)",
        about="From the repeat tap sets of a job (add --repeat); the scatter is the yardstick for 'moved'.",
        example=EXAMPLE,
    )
    parser.add_argument("job", metavar="JOB", help="name of the job")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> None:
    """Print the put-back scatter."""
    from resonance.jobs.answers import mixed_words, put_back_scatter, tracked
    from resonance.jobs.records import to_record
    from resonance.report.readings import tracks_of
    from resonance.report.scatter import repeat_blocks

    shop = open_shop(arguments)
    job = tracked(shop, shop.job(arguments.job))
    found = put_back_scatter(job, shop=shop)
    screen.note(mixed_words(job))
    if arguments.json:
        screen.print_json({"job": job.id, **to_record(found)})
        return
    main = [m.frequency for s in job.sets[-1:] for m in s.modes if m.label in ("B1-", "B1", "T1")]
    screen.show(*repeat_blocks(found, frequency=main[0] if main else USUAL, names=dict(tracks_of(job))))
