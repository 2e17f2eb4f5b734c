"""``resonance history``: what each adjustment did, apart from settling and weather; what still moves."""

from argparse import Namespace
from typing import TYPE_CHECKING

from resonance.cli import screen
from resonance.cli.analysing import one_thread
from resonance.cli.comparing import mixed_words, put_back_scatter
from resonance.cli.options import Commands, add_command, add_json
from resonance.cli.shop import open_shop

if TYPE_CHECKING:
    from collections.abc import Callable

    from resonance.changes.course import History
    from resonance.jobs.job import Job
    from resonance.jobs.store import Shop

EXAMPLE = """\
resonance history my-viola
resonance history my-viola --json"""


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "history",
        does="say what each adjustment did, apart from settling and weather",
        about="Over all tap sets of the job, chapter by chapter: a new post, a full string change or an "
        "opened body begins a new one.",
        example=EXAMPLE,
    )
    parser.add_argument("job", metavar="JOB", help="name of the job")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> None:
    """Fit and print the histories."""
    from resonance.jobs.records import to_record
    from resonance.jobs.tables import with_tracks
    from resonance.report.courses import history_blocks

    shop = open_shop(arguments)
    job = with_tracks(shop.job(arguments.job))
    with screen.Progress() as progress:
        found = histories_of(shop, job, progress=progress)
    screen.note(mixed_words(job))
    if arguments.json:
        screen.print_json({"job": job.id, "histories": [to_record(each) for each in found]})
        return
    screen.show(*history_blocks(job, found))


def histories_of(
    shop: "Shop", job: "Job", *, progress: "Callable[[float, str], None] | None" = None
) -> "list[History]":
    """Fit the histories of a job whose modes have tracks, over the tap sets of the newest method."""
    from resonance.changes.history import fit_history

    method = max((tap_set.analysis.method for tap_set in job.sets), default=0)
    sets = [tap_set for tap_set in job.sets if tap_set.analysis.method == method]
    with one_thread():
        return fit_history(
            sets,
            job.adjustments,
            repeatability=put_back_scatter(job, method=method, shop=shop),
            progress=progress,
        )
