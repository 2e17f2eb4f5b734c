"""``resonance settings``: what holds for all jobs of the shop: the heading of reports, pitch, mains."""

from argparse import Namespace

from resonance.cli import screen
from resonance.cli.options import Commands, add_command, add_json
from resonance.cli.shop import open_shop

EXAMPLE = """\
resonance settings
resonance settings heading="Atelier Bench" maker="A. Maker" address="Long Lane 3; 12345 Town"
resonance settings --image sign.png
resonance settings pitch_a4=442 mains=60"""


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "settings",
        does="show or change what holds for all jobs: the heading of reports, pitch, mains",
        about="heading, maker and address stand at the head of every report; ';' begins a new line of the "
        "address. --image takes a picture, such as the sign of the workshop, --no-image takes it away.",
        example=EXAMPLE,
    )
    parser.add_argument("words", nargs="*", metavar="KEY=VALUE", help="what to change")
    image = parser.add_mutually_exclusive_group()
    image.add_argument("--image", metavar="FILE", help="picture for the heading, JPEG or PNG")
    image.add_argument("--no-image", action="store_true", help="take the heading's picture away")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> None:
    """Change the settings where asked to, and show them."""
    from resonance.jobs.images import heading_image_of, keep_heading_image
    from resonance.jobs.records import to_record
    from resonance.jobs.settings import apply_settings
    from resonance.report.blocks import Facts

    shop = open_shop(arguments, make=bool(arguments.words or arguments.image))
    if arguments.words:
        shop.set_settings(apply_settings(shop.settings(), arguments.words))
    if arguments.image or arguments.no_image:
        keep_heading_image(shop, arguments.image)
    record = to_record(shop.settings())
    image = heading_image_of(shop)
    if arguments.json:
        screen.print_json({**record, "heading_image": image is not None})
        return
    pairs = [(key, str(value)) for key, value in record.items() if value != ""]
    screen.show(Facts((*pairs, *((("image", "kept"),) if image else ())), wide=True))
