"""``resonance photo``: a photograph of the instrument, for its report."""

from argparse import Namespace

from resonance.cli import screen
from resonance.cli.options import Commands, UsageError, add_command, add_json
from resonance.cli.shop import open_shop

EXAMPLE = """\
resonance photo my-viola front.jpg
resonance photo my-viola --remove"""


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "photo",
        does="keep a photograph of the instrument, for its report",
        about="JPEG or PNG. A copy is kept with the job, upright and no larger than a page needs; where it "
        "was taken and with what camera is left out.",
        example=EXAMPLE,
    )
    parser.add_argument("job", metavar="JOB", help="name of the job")
    parser.add_argument("file", nargs="?", metavar="FILE", help="the photograph")
    parser.add_argument("--remove", action="store_true", help="take the photograph away")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> None:
    """Keep a photograph, or take it away."""
    from resonance.jobs.images import keep_photo

    if bool(arguments.file) == arguments.remove:
        raise UsageError("name the photograph, or --remove")
    shop = open_shop(arguments)
    job = shop.job(arguments.job)
    image = keep_photo(shop, job.id, arguments.file)
    if arguments.json:
        screen.print_json({"job": job.id, "photo": image is not None})
    else:
        screen.show(f"A photograph of {job.id} is kept." if image else f"{job.id} has no photograph now.")
