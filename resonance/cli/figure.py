"""``resonance figure``: one picture of a job."""

from resonance.cli.options import Commands, add_command


def add_parser(commands: Commands) -> None:
    """Add the command."""
    add_command(commands, "figure", does="x", example="resonance figure")
