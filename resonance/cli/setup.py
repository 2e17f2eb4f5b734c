"""``resonance setup``: note post, bridge, strings, tail and fittings as they are now."""

from argparse import Namespace

from resonance.cli import screen
from resonance.cli.editing import as_typed
from resonance.cli.options import Commands, add_command, add_json
from resonance.cli.shop import open_shop
from resonance.report.blocks import Block, Facts, Items, table_of

EXAMPLE = """\
resonance setup my-viola post.behind_mm=2.5 post.inward_mm=1 bridge.height_mm=34
resonance setup my-viola strings.A4.gauge_note="medium, synthetic" stage=strung
resonance setup my-viola"""


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "setup",
        does="note post, bridge, strings, tail, fittings as they are now",
        about="Without KEY=VALUE it shows what is noted and every key there is. An empty value clears an "
        "entry.\nThis notes how things stand; a change you make to the instrument is 'resonance adjust'.",
        example=EXAMPLE,
    )
    parser.add_argument("job", metavar="JOB", help="name of the job")
    parser.add_argument("words", nargs="*", metavar="KEY=VALUE", help="what to note")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> None:
    """Note the setup, or show it."""
    from resonance.jobs.assign import apply_setup, changed_setup, setup_keys
    from resonance.jobs.records import to_record
    from resonance.report.facts import setup_facts

    shop = open_shop(arguments)
    job = shop.job(arguments.job)
    with as_typed():
        setup = apply_setup(job.setup, arguments.words)
    changes = changed_setup(job.setup, setup)
    if changes:
        job = shop.set_setup(job.id, setup)
    if arguments.json:
        screen.print_json({"job": job.id, "setup": to_record(job.setup)})
        return
    rows = [(key, _words(before), _words(after)) for key, before, after in changes]
    blocks: list[Block | str] = []
    if rows:
        blocks.append(table_of(("Entry", "Was", "Is now"), rows))
    elif arguments.words:
        blocks.append("It said so already; nothing was changed.")
    noted = setup_facts(job.setup)
    blocks.append(Facts(noted, title="Setup as it is now", wide=True) if noted else "No setup is noted yet.")
    if not arguments.words:
        blocks.append(Items((", ".join(setup_keys()),), title="Keys"))
    screen.show(*blocks)


def _words(value: object) -> str:
    if value is None or value == "" or value != value:
        return "not noted"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float) else str(value)
