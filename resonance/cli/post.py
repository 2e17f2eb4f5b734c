"""``resonance post``: what moving the post does on this instrument, from the moves so far."""

from argparse import Namespace
from typing import TYPE_CHECKING

from resonance.cli import screen
from resonance.cli.options import Commands, add_command, add_json
from resonance.cli.shop import open_shop

if TYPE_CHECKING:
    from resonance.changes.hint import Hint
    from resonance.changes.post import PostResponse
    from resonance.jobs.job import Job
    from resonance.jobs.store import Shop
    from resonance.report.blocks import Block

EXAMPLE = """\
resonance post my-viola
resonance post my-viola --hint"""


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "post",
        does="say what moving the post does on this instrument",
        about="From the moves since the last new chapter, three at least; never from one or two. --hint "
        "adds which way might lead nearer the tap set you aim at, where the moves so far bear it: at most "
        "half a millimetre, and off unless asked for.",
        example=EXAMPLE,
    )
    parser.add_argument("job", metavar="JOB", help="name of the job")
    parser.add_argument("--hint", action="store_true", help="which way might lead nearer the target")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> None:
    """Fit and print the post's response."""
    from resonance.jobs.answers import mixed_words, response_of, tracked
    from resonance.jobs.records import to_record
    from resonance.report.post_words import moves_words, post_blocks, track_names

    shop = open_shop(arguments)
    job = tracked(shop, shop.job(arguments.job))
    with screen.Progress() as progress:
        progress(0.2, "fitting the moves")
        response = response_of(shop, job)
    screen.note(mixed_words(job))
    hint, said = _hint(shop, job, response) if arguments.hint else (None, [])
    if arguments.json:
        record = {key: value for key, value in to_record(response).items() if key != "draws"}
        extra = {"hint": to_record(hint) if hint is not None else None} if arguments.hint else {}
        screen.print_json({"job": job.id, **record, **extra})
        return
    from resonance.report.blocks import Items

    moves = moves_words(response)
    blocks = [
        *post_blocks(response, track_names(response, job)),
        *([Items(moves, title="Moves")] if moves else []),
    ]
    screen.show(*blocks, *said)


def _hint(shop: "Shop", job: "Job", response: "PostResponse") -> "tuple[Hint | None, list[Block]]":
    """Find a hint towards the target and its words, or the words for why there is none."""
    from resonance.changes.distance import wanted_cents
    from resonance.changes.hint import suggest_move
    from resonance.jobs.answers import put_back_scatter, remedy_words
    from resonance.jobs.job import chapter_of, find_set
    from resonance.report.post_words import hint_blocks
    from resonance.report.words import set_words

    if job.target is None:
        return None, hint_blocks(
            None, "", "No hint: 'resonance target JOB SET' names the tap set you aim at first."
        )
    target = find_set(job, job.target)
    name = set_words(target.id)
    if not response.tracks:
        return None, hint_blocks(None, name, "No hint: too few moves of the post were read.")
    if chapter_of(job, target.id) != chapter_of(job, job.sets[-1].id):
        return None, hint_blocks(None, name, "No hint: the tap set you aim at is of an earlier chapter.")
    if target.analysis.method != job.sets[-1].analysis.method:
        return None, hint_blocks(None, name, f"No hint: {remedy_words(job)} first.")
    wanted, u = wanted_cents(job.sets[-1], target, response.tracks, put_back_scatter(job, shop=shop))
    hint = suggest_move(response, wanted, u)
    return hint, hint_blocks(hint, name)
