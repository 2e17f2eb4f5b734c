"""``resonance job``: begin a job, see all or one, correct what is noted, order, export, import, delete."""

from argparse import SUPPRESS, Namespace
from collections.abc import Callable
from pathlib import Path
from typing import Any

from resonance.cli import ordering, screen
from resonance.cli.editing import edit_entry
from resonance.cli.modes import fitted
from resonance.cli.options import (
    Commands,
    Parser,
    UsageError,
    add_command,
    add_instrument,
    add_json,
    positive,
)
from resonance.cli.shop import open_shop
from resonance.report.blocks import Block, Paragraph, table_of

EXAMPLE = """\
resonance job new my-viola --family viola --maker "A. Maker" --body 405
resonance job list
resonance job show my-viola"""


def add_parser(commands: Commands) -> None:
    """Add the command and its own commands."""
    parser = add_command(
        commands, "job", does="begin a job, see all or one, correct, export, delete", example=EXAMPLE
    )
    actions = parser.add_subparsers(
        dest="action", metavar="ACTION", title="actions", required=True, parser_class=Parser
    )
    _add_new(actions)
    _add_list(actions)
    _add_show(actions)
    _add_edit(actions)
    _add_remark(actions)
    _add_confirm(actions)
    _add_move(actions)
    _add_export(actions)
    _add_import(actions)
    _add_delete(actions)


def _action(
    actions: Commands,
    name: str,
    run: Callable[[Namespace], None],
    *,
    does: str,
    example: str,
    job: bool = True,
) -> Parser:
    parser = add_command(actions, name, does=does, example=example)
    if job:
        parser.add_argument("job", metavar="JOB", help="name of the job")
    parser.set_defaults(run=run, command=f"job {name}")
    return parser


def _add_new(actions: Commands) -> None:
    parser = _action(
        actions,
        "new",
        run_new,
        does="begin a job for an instrument, or for a plate in the white",
        example="resonance job new my-viola --family viola --year 2025\n"
        'resonance job new "top of no. 12" --piece top',
        job=False,
    )
    parser.add_argument("name", metavar="NAME", help="how you call the instrument")
    add_instrument(parser, family=None, piece="whole")
    for key in ("maker", "year", "owner", "notes"):
        parser.add_argument(f"--{key}", metavar="TEXT", default="", help=f"{key}, in your words")
    parser.add_argument("--body", type=positive, metavar="MM", help="body length")
    parser.add_argument("--string-length", type=positive, metavar="MM", help="vibrating string length")
    add_json(parser)


def run_new(arguments: Namespace) -> None:
    """Begin a job."""
    from resonance.jobs.job import short_name
    from resonance.jobs.records import to_record
    from resonance.sets.instrument import Instrument

    shop = open_shop(arguments, make=True)
    nan = float("nan")
    name = " ".join(arguments.name.split())
    if not name:
        raise UsageError("the instrument needs a name, e.g. resonance job new my-viola")
    instrument = Instrument(
        name,
        family=arguments.family or shop.settings().family,
        piece=arguments.piece,
        maker=arguments.maker,
        year=arguments.year,
        owner=arguments.owner,
        body_mm=nan if arguments.body is None else arguments.body,
        string_length_mm=nan if arguments.string_length is None else arguments.string_length,
        notes=arguments.notes,
    )
    job = shop.new_job(instrument)
    taken = f"The name {short_name(name)} is taken: this job is called {job.id}."
    if job.id != short_name(name):
        screen.note(taken)
    if arguments.json:
        screen.print_json(to_record(job))
        return
    family = job.instrument.family
    assumed = f"Family assumed: {family}. If it is another: 'resonance job edit {job.id} family=viola'."
    screen.show(
        f"Job {job.id} begun: {kind_words(instrument)}. It is kept in {shop.folder}.",
        "" if arguments.family else assumed,
        f"Next, its first tap set: 'resonance take {job.id}' records it live, "
        f"'resonance add {job.id} FILE...' keeps one from recordings.",
    )


def kind_words(instrument: Any) -> str:
    """Say what an instrument is: 'viola', 'violin, free top plate'."""
    from resonance.report.facts import PIECE_WORDS

    return ", ".join(filter(None, [instrument.family, PIECE_WORDS.get(instrument.piece, instrument.piece)]))


def _add_list(actions: Commands) -> None:
    parser = _action(
        actions, "list", run_list, does="list the jobs of the shop", example="resonance job list", job=False
    )
    add_json(parser)


def run_list(arguments: Namespace) -> None:
    """List the jobs."""
    from resonance.jobs.records import to_record
    from resonance.report.words import day_words

    shop = open_shop(arguments)
    lines = shop.jobs()
    if arguments.json:
        screen.print_json({"jobs": to_record(lines)})
        return
    rows = [
        (
            line.id,
            line.instrument.name if line.instrument.name != line.id else "",
            kind_words(line.instrument),
            str(line.n_sets),
            str(line.n_adjustments),
            day_words(line.last or line.created),
        )
        for line in lines
    ]
    columns = ("Job", "Instrument", "Kind", "Tap sets", "Adjustments", "Last")
    if rows:
        screen.show(table_of(columns, rows, numeric=("Tap sets", "Adjustments")))
    else:
        screen.show(f"No job yet in {shop.folder}. 'resonance job new NAME' begins one.")


def _add_show(actions: Commands) -> None:
    parser = _action(
        actions,
        "show",
        run_show,
        does="show what is noted of a job, or the readings of one tap set",
        example="resonance job show my-viola\nresonance job show my-viola set2",
    )
    parser.add_argument("set", nargs="?", metavar="SET", help="a tap set, such as set2")
    add_json(parser)


def run_show(arguments: Namespace) -> None:
    """Show a job or one of its tap sets."""
    from resonance.jobs.job import find_set
    from resonance.jobs.recording import recordings
    from resonance.jobs.records import to_record

    shop = open_shop(arguments)
    job = shop.job(arguments.job)
    if arguments.set is not None:
        tap_set = find_set(job, arguments.set)
        if arguments.json:
            screen.print_json(to_record(tap_set))
        else:
            screen.show(*one_set_blocks(job, tap_set))
        return
    others = recordings(shop, job.id)
    if arguments.json:
        screen.print_json({**to_record(job), "recordings": to_record(others)})
    else:
        screen.show(*job_blocks(job), *recorded_blocks(others))


def one_set_blocks(job: Any, tap_set: Any) -> list[Block]:
    """Say all that is noted and found of one tap set, in a table that fits the screen."""
    from resonance.report.blocks import Table
    from resonance.report.readings import set_blocks
    from resonance.report.words import set_words

    title = Paragraph(f"{set_words(tap_set.id).capitalize()} of {job.id}")
    blocks = set_blocks(tap_set, bench=True)
    return [title, *(fitted(block) if isinstance(block, Table) else block for block in blocks)]


def job_blocks(job: Any) -> list[Block]:
    """Say what is noted of a job, in order, with its readings over time."""
    from resonance.jobs.tables import with_tracks
    from resonance.report.facts import instrument_facts, setup_facts
    from resonance.report.readings import over_time_tables
    from resonance.report.words import set_words

    name = job.id if job.instrument.name == job.id else f"{job.id}: {job.instrument.name}"
    target = f"Aim: {set_words(job.target)}." if job.target else ""
    blocks: list[Block] = [
        Paragraph(name),
        *_facts(instrument_facts(job.instrument, owner=True)),
        *_facts(setup_facts(job.setup), title="Setup as it is now"),
        *ordering.order_blocks(job),
        *over_time_tables(with_tracks(job)),
    ]
    return blocks + [Paragraph(text) for text in (target, job.notes) if text]


def recorded_blocks(others: Any) -> list[Block]:
    """Say what was recorded beside the tap sets: bowed notes and claps."""
    from resonance.report.blocks import Items
    from resonance.report.words import count_words, moment_words

    lines = []
    for each in others:
        what = count_words(len(each.events), "bowed note" if each.what == "bowed" else "clap")
        places = ", ".join(filter(None, dict.fromkeys(take.microphone_place for take in each.takes)))
        where = f", microphone: {places}" if places else ""
        lines.append(f"{each.id}: {moment_words(each.taken)}, {what}{where}")
    return [Items(tuple(lines), title="Recorded beside the tap sets")] if lines else []


def _facts(pairs: tuple[tuple[str, str], ...], title: str = "") -> list[Block]:
    from resonance.report.blocks import Facts

    return [Facts(pairs, title=title, wide=True)] if pairs else []


def _add_edit(actions: Commands) -> None:
    parser = _action(
        actions,
        "edit",
        run_edit,
        does="correct what is noted of an instrument, a tap set or an adjustment",
        example='resonance job edit my-viola owner="B. Player" year=2025\n'
        "resonance job edit my-viola set2 temperature_c=21 holding=cradle taken=2025-03-01T14:30\n"
        'resonance job edit my-viola adj1 along_mm=0.5 note="a touch back"',
    )
    parser.add_argument(
        "words", nargs="+", metavar="[ENTRY] KEY=VALUE", help="set2, adj1 or nothing, then what to change"
    )
    add_json(parser)


def run_edit(arguments: Namespace) -> None:
    """Correct what is noted."""
    shop = open_shop(arguments)
    words = list(arguments.words)
    entry = "" if "=" in words[0] else words.pop(0)
    if not words:
        raise UsageError(f"say what to change of {entry} with KEY=VALUE")
    record, text = edit_entry(shop, arguments.job, entry, words)
    if arguments.json:
        screen.print_json(record)
    else:
        screen.show(text)


def _add_remark(actions: Commands) -> None:
    parser = _action(
        actions,
        "remark",
        run_remark,
        does="note a remark in your own words",
        example='resonance job remark my-viola "owner finds the A string brighter"',
    )
    parser.add_argument("text", metavar="TEXT", help="the remark, in quotes")


def run_remark(arguments: Namespace) -> None:
    """Note a remark."""
    shop = open_shop(arguments)
    if not arguments.text.strip():
        raise UsageError("the remark is empty; write it in quotes")
    shop.add_remark(arguments.job, arguments.text.strip())
    screen.show("Noted.")


def _add_confirm(actions: Commands) -> None:
    _action(
        actions,
        "confirm",
        run_confirm,
        does="say that the order of tap sets and adjustments is right as shown",
        example="resonance job confirm my-viola",
    )


def run_confirm(arguments: Namespace) -> None:
    """Confirm the order as it stands."""
    shop = open_shop(arguments)
    job = shop.confirm_order(arguments.job)
    screen.show(*ordering.order_blocks(job), "Confirmed in this order.")


def _add_move(actions: Commands) -> None:
    parser = _action(
        actions,
        "move",
        run_move,
        does="move a tap set, adjustment or remark in the order",
        example="resonance job move my-viola set2 --after adj1",
    )
    parser.add_argument("entry", metavar="ENTRY", help="set2, adj1, rem1")
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--before", metavar="ENTRY", help="it was before this one")
    where.add_argument("--after", metavar="ENTRY", help="it was after this one")


def run_move(arguments: Namespace) -> None:
    """Move one line of the order."""
    shop = open_shop(arguments)
    job = shop.move_entry(arguments.job, arguments.entry, before=arguments.before, after=arguments.after)
    screen.show(*ordering.order_blocks(job))


def _add_export(actions: Commands) -> None:
    parser = _action(
        actions,
        "export",
        run_export,
        does="write a whole job into a folder: sound, readings, notes",
        example="resonance job export my-viola my-viola-2025",
    )
    parser.add_argument("folder", metavar="FOLDER", help="a new or empty folder")


def run_export(arguments: Namespace) -> None:
    """Export a job."""
    from resonance.jobs.archive import export_job

    shop = open_shop(arguments)
    with screen.Progress() as progress:
        folder = export_job(shop, arguments.job, Path(arguments.folder), progress=progress)
    screen.show(f"Written to {folder}. 'resonance job import {folder}' reads it back.")


def _add_import(actions: Commands) -> None:
    parser = _action(
        actions,
        "import",
        run_import,
        does="read back a job that was exported",
        example="resonance job import my-viola-2025",
        job=False,
    )
    parser.add_argument("folder", metavar="FOLDER", help="a folder that 'job export' wrote")


def run_import(arguments: Namespace) -> None:
    """Import a job."""
    from resonance.jobs.archive import import_job
    from resonance.report.words import count_words

    shop = open_shop(arguments, make=True)
    with screen.Progress() as progress:
        job = import_job(shop, Path(arguments.folder), progress=progress)
    screen.show(f"Job {job.id} read back: {count_words(len(job.sets), 'tap set')}.")


def _add_delete(actions: Commands) -> None:
    parser = _action(
        actions,
        "delete",
        run_delete,
        does="take a job off the list, or a tap set, adjustment or remark out of a job",
        example="resonance job delete my-viola set2\nresonance job delete my-viola",
    )
    parser.add_argument("entry", nargs="?", metavar="ENTRY", help="set2, adj1, rem1; if left out, the job")
    parser.add_argument("--yes", action="store_true", help=SUPPRESS)


def run_delete(arguments: Namespace) -> None:
    """Delete a job or one entry; nothing is erased."""
    shop = open_shop(arguments)
    job = shop.job(arguments.job)
    what = f"{arguments.entry} of {job.id}" if arguments.entry else f"job {job.id}"
    if screen.can_ask() and not arguments.yes and not screen.confirm(f"Take {what} out?"):
        screen.show("Nothing was changed.")
        return
    if arguments.entry:
        shop.delete_entry(job.id, arguments.entry)
    else:
        shop.delete_job(job.id)
    screen.show(f"Taken out: {what}. 'resonance undo' brings it back.")
