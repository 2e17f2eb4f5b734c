"""``resonance target``: the tap set a maker aims at, and how far every other one is from it."""

from argparse import Namespace
from typing import TYPE_CHECKING

from resonance.cli import screen
from resonance.cli.options import Commands, UsageError, add_command, add_json
from resonance.cli.shop import open_shop

if TYPE_CHECKING:
    from resonance.jobs.job import Job
    from resonance.jobs.store import Shop

EXAMPLE = """\
resonance target my-viola set3
resonance target my-viola
resonance target my-viola --clear"""


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands, "target", does="choose the tap set you aim at; see how far each is from it", example=EXAMPLE
    )
    parser.add_argument("job", metavar="JOB", help="name of the job")
    parser.add_argument("set", metavar="SET", nargs="?", help="tap set, such as set3")
    parser.add_argument("--clear", action="store_true", help="aim at none")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> None:
    """Set or clear the target."""
    if arguments.set and arguments.clear:
        raise UsageError("name a tap set, or --clear to aim at none")
    shop = open_shop(arguments)
    if arguments.set or arguments.clear:
        job = shop.set_target(arguments.job, None if arguments.clear else arguments.set)
    else:
        job = shop.job(arguments.job)
        if job.target is None:
            raise UsageError(f"{job.id} aims at no tap set yet; name one, such as set3")
    _print(shop, job, arguments)


def _print(shop: "Shop", job: "Job", arguments: Namespace) -> None:
    """Say the target and how far every tap set is from it."""
    from resonance.changes.distance import distances
    from resonance.jobs.answers import mixed_words, put_back_scatter
    from resonance.jobs.job import find_set
    from resonance.jobs.records import to_record
    from resonance.jobs.tables import with_tracks
    from resonance.report.distances import distance_blocks
    from resonance.report.words import set_words

    if job.target is None:
        if arguments.json:
            screen.print_json({"job": job.id, "target": None})
        else:
            screen.show("You aim at no tap set now.")
        return
    job = with_tracks(job)
    target = find_set(job, job.target or "")
    alike = [s for s in job.sets if s.analysis.method == target.analysis.method]
    if arguments.json and arguments.set:
        screen.print_json({"job": job.id, "target": job.target})
        return
    found = distances(alike, target, put_back_scatter(job, method=target.analysis.method, shop=shop))
    screen.note(mixed_words(job) if len(alike) < len(job.sets) else "")
    if arguments.json:
        screen.print_json({"job": job.id, "target": job.target, "distances": [to_record(d) for d in found]})
        return
    screen.show(f"You aim at {set_words(target.id)}.", *distance_blocks(job, found))
