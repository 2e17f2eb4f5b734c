"""``resonance add``: keep a tap set; files given together are one tap set."""

from argparse import ArgumentParser, Namespace
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from resonance.cli import analysing, ordering, screen
from resonance.cli.conditions import add_conditions, add_places, climate_of, conditions_of
from resonance.cli.modes import analysis_settings, set_blocks, set_record
from resonance.cli.options import (
    Commands,
    add_band,
    add_clap,
    add_command,
    add_json,
    check_repeat,
    moment,
    repeat_kind,
)
from resonance.cli.places import place_questions
from resonance.cli.shop import open_shop
from resonance.errors import ResonanceError
from resonance.report.blocks import Paragraph
from resonance.sets.tapset import TapSet

if TYPE_CHECKING:
    from resonance.jobs.job import Job
    from resonance.jobs.store import Shop

EXAMPLE = """\
resonance add my-viola before.wav --temperature 21 --humidity 45
resonance add my-viola near.wav side.wav --mic "near f-hole" --mic "bass side" --after adj1
resonance add my-viola again.wav --repeat-of set1 --repeat "put back"
resonance add my-viola taps.wav --holding cradle --check seams=yes post=yes --taken 2025-03-01"""


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "add",
        does="keep a tap set; files given together are one tap set",
        about="A tap set is one sitting with one setup: several recordings, if you like, at several places.\n"
        "It goes behind what the job has already, unless a date, --before or --after says otherwise.",
        example=EXAMPLE,
    )
    parser.add_argument("job", metavar="JOB", help="name of the job")
    parser.add_argument("files", nargs="+", metavar="FILE", help="recordings of taps")
    _add_order(parser)
    group = add_conditions(parser)
    add_places(group, each="file")
    add_band(parser)
    add_clap(parser)
    parser.add_argument("--anyway", action="store_true", help="keep it even if no tap in it can be used")
    add_json(parser)
    parser.set_defaults(run=run)


def _add_order(parser: ArgumentParser) -> None:
    group = parser.add_argument_group("when")
    group.add_argument(
        "--taken",
        metavar="WHEN",
        type=_taken,
        help="2025-03-01T14:30, or 'file' for the date of the file",
    )
    where = group.add_mutually_exclusive_group()
    where.add_argument("--before", metavar="ADJ", help="taken before this adjustment, such as adj1")
    where.add_argument("--after", metavar="ADJ", help="taken after this adjustment")
    group.add_argument("--repeat-of", metavar="SET", help="tap set that this one repeats")
    group.add_argument(
        "--repeat",
        metavar="KIND",
        type=repeat_kind,
        help="what was done in between: 'untouched', 'put back' or 'slackened and retuned'",
    )


def _taken(text: str) -> datetime | str:
    return "file" if text.strip().lower() == "file" else moment(text)


def run(arguments: Namespace) -> None:
    """Analyse the files, keep them as a tap set, say what was found and where it stands."""
    conditions, climate = conditions_of(arguments), climate_of(arguments)
    settings = analysis_settings(arguments)
    check_repeat(arguments.repeat_of, arguments.repeat, options=("--repeat-of ", "--repeat "))
    shop = open_shop(arguments)
    job = shop.job(arguments.job)
    paths = analysing.sound_paths(arguments.files)
    claps = [path for path in analysing.sound_paths([*arguments.files, *arguments.clap]) if path not in paths]
    shop.refuse_duplicates(job.id, [*paths, *claps])
    repeats = _set_repeated(job, arguments)
    _check_order(job, arguments)
    with screen.Progress() as progress:
        takes = analysing.read_takes(
            paths, tap_places=arguments.place, microphone_places=arguments.mic, progress=progress
        )
        tap_set = analysing.analyse(
            takes,
            progress=progress,
            family=job.instrument.family,
            piece=job.instrument.piece,
            setup=job.setup,
            climate=climate,
            conditions=conditions,
            pitch_a4=shop.settings().pitch_a4,
            claps=analysing.read_takes(claps, progress=progress),
            **settings,
        )
        if not any(tap.kept for tap in tap_set.taps) and not arguments.anyway:
            progress.clear()
            _refuse(tap_set, paths)
        taken = _when(arguments, paths, progress)
        tap_set = replace(tap_set, taken=taken, repeat_of=repeats, repeat_kind=arguments.repeat or "")
        kept = _keep(shop, job, tap_set, [*paths, *claps], arguments)
    _print(shop, job.id, kept, paths, arguments)
    screen.note(ordering.future_words(kept.taken), *place_questions(job, kept))


def _set_repeated(job: "Job", arguments: Namespace) -> str | None:
    from resonance.jobs.job import find_set

    return find_set(job, arguments.repeat_of).id if arguments.repeat_of else None


def _check_order(job: "Job", arguments: Namespace) -> None:
    """Turn --before and --after into ids, before the long work."""
    from resonance.jobs.job import find_adjustment

    if arguments.before:
        arguments.before = find_adjustment(job, arguments.before).id
    if arguments.after:
        arguments.after = find_adjustment(job, arguments.after).id


def _refuse(tap_set: TapSet, paths: list[Path]) -> None:
    from resonance.report.readings import tap_lines

    name = paths[0].name if len(paths) == 1 else "these recordings"
    screen.note(*tap_lines(tap_set))
    raise ResonanceError(
        f"no tap in {name} can be used, so nothing was kept; record again, or keep it with --anyway"
    )


def _when(arguments: Namespace, paths: list[Path], progress: screen.Progress) -> datetime | None:
    """Give when the set was taken: as said; the file's date only when the maker says that it is right."""
    from resonance.report.words import moment_words
    from resonance.sound.files import proposed_time

    if isinstance(arguments.taken, datetime):
        return arguments.taken
    proposed = min(filter(None, map(proposed_time, paths)), default=None)
    if arguments.taken == "file" or proposed is None:
        return proposed
    if arguments.json or not screen.can_ask():
        return None
    progress.clear()
    asked = f"Taken {moment_words(proposed)}? (the date of the file; n leaves it open)"
    return proposed if screen.confirm(asked) else None


def _keep(shop: "Shop", job: "Job", tap_set: TapSet, paths: list[Path], arguments: Namespace) -> TapSet:
    from resonance.sets.setup import Setup

    if len(tap_set.takes) != len(paths):
        raise ValueError(f"{len(tap_set.takes)} takes for {len(paths)} files")
    bare = replace(tap_set, setup=Setup())  # the shop fills in the setup that held at its place
    return shop.add_tap_set(job.id, bare, paths, before=arguments.before, after=arguments.after)


def _print(shop: "Shop", job_id: str, kept: TapSet, paths: list[Path], arguments: Namespace) -> None:
    from resonance.jobs.job import unconfirmed
    from resonance.report.differences import differs_blocks
    from resonance.report.words import set_words

    job = shop.job(job_id)
    waits = kept.id in [entry.id for entry in unconfirmed(job)]
    if arguments.json:
        screen.print_json({**set_record(kept), "job": job.id, "confirmed": not waits})
        screen.note(ordering.unconfirmed_words(job) if waits else "")
        return
    screen.show(
        Paragraph(f"Kept as {set_words(kept.id)} of {job.id}."),
        *set_blocks(kept, paths),
        *differs_blocks(job, kept),
    )
    if not waits:
        return
    if screen.can_ask() and ordering.ask_for_order(job):
        shop.confirm_order(job.id)
        screen.note("Confirmed.")
        return
    screen.gap()
    screen.show(*ordering.order_blocks(job, last=6), ordering.unconfirmed_words(job))
