"""``resonance tables``: readings, shifts, levels and histories of a job as CSV and JSON."""

from argparse import Namespace
from pathlib import Path

from resonance.cli import screen
from resonance.cli.options import Commands, add_command, add_json
from resonance.cli.shop import open_shop
from resonance.errors import ResonanceError

EXAMPLE = """\
resonance tables my-viola --out my-viola-tables
resonance tables my-viola --out for-the-owner --for customer"""


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "tables",
        does="write readings, shifts, levels and histories as CSV and JSON",
        about="One CSV a table, all of them in data.json, and columns.csv, which says what each column "
        "holds, in which unit, and how it was obtained. Names of columns are kept from version to version.",
        example=EXAMPLE,
    )
    parser.add_argument("job", metavar="JOB", help="name of the job")
    parser.add_argument("--out", required=True, metavar="DIR", help="a folder, made if need be")
    parser.add_argument(
        "--for",
        dest="audience",
        choices=("customer", "bench"),
        default="bench",
        help="bench unless said; for a customer guessed names, remarks and levels are left out",
    )
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> None:
    """Write the tables."""
    from resonance.cli.report import write_whole
    from resonance.jobs.answers import pairs_of
    from resonance.report.build import attached_to, find_out

    out = Path(arguments.out)
    shop = open_shop(arguments)
    job = shop.job(arguments.job)
    with screen.Progress() as progress:
        findings = find_out(shop, job.id, most_compared=len(pairs_of(job)), progress=progress)
        files = attached_to(findings, audience=arguments.audience, made=shop.clock())
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as trouble:
        raise ResonanceError(f"{out} cannot be made: {trouble.strerror}; choose another --out") from trouble
    for file in files:
        write_whole(out / file.name, file.text.encode("utf-8", "backslashreplace"))
    if arguments.json:
        screen.print_json({"job": job.id, "out": str(out), "files": [file.name for file in files]})
    else:
        screen.show(f"Written to {out}: {', '.join(file.name for file in files)}")
