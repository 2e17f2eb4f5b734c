"""``resonance undo``: take back the last thing done, or one further back."""

from argparse import Namespace
from typing import TYPE_CHECKING

from resonance.cli import screen
from resonance.cli.options import Commands, UsageError, add_command, add_json
from resonance.cli.shop import open_shop
from resonance.report.blocks import table_of

if TYPE_CHECKING:
    from resonance.jobs.database import Act

EXAMPLE = """\
resonance undo
resonance undo my-viola
resonance undo --list
resonance undo --act 12"""


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "undo",
        does="take back the last thing done, or one further back",
        about="Once more takes back the one before. Recordings stay in the shop's folder.\n"
        "Nothing is ever erased: --list shows the last 30 days, and what is older can be taken back too. "
        "A deletion, a name or a judged tap further back is taken back by its number; all later work stays.",
        example=EXAMPLE,
    )
    parser.add_argument("job", metavar="JOB", nargs="?", help="in this job only; the whole shop if left out")
    parser.add_argument("--list", action="store_true", help="show what was done in the last 30 days")
    parser.add_argument("--act", type=int, metavar="N", help="take back the one with this number in --list")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> None:
    """Undo an act, or list what can be undone."""
    from resonance.jobs.records import to_record
    from resonance.jobs.undoing import undo_act, undoable
    from resonance.report.words import moment_words

    if arguments.act is not None and (arguments.list or arguments.job):
        raise UsageError("--act stands alone: its number says which job it is in")
    shop = open_shop(arguments)
    if arguments.list:
        _list(undoable(shop, arguments.job), as_json=arguments.json)
        return
    act = undo_act(shop, arguments.act) if arguments.act is not None else shop.undo(arguments.job)
    if arguments.json:
        screen.print_json(to_record(act))
        return
    where = f" (job {act.job})" if act.job and act.job not in act.text else ""
    screen.show(f"Taken back: {act.text}{where}, done {moment_words(act.made)}.")


def _list(acts: "tuple[Act, ...]", *, as_json: bool) -> None:
    """List acts, newest first."""
    from resonance.jobs.records import to_record
    from resonance.report.words import moment_words

    if as_json:
        screen.print_json({"acts": to_record(acts)})
    elif acts:
        rows = [(str(act.id), moment_words(act.made), act.text) for act in acts]
        screen.show(table_of(("No.", "When", "What was done"), rows, numeric=("No.",)))
    else:
        screen.show("Nothing was done in the last 30 days.")
