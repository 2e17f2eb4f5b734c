"""How a set was taken: the options that say so, and what they give."""

from argparse import ArgumentParser, Namespace
from math import nan
from typing import Any

from resonance.cli.options import UsageError, check_answers, key_value, number, positive
from resonance.sets.tapset import Climate, Conditions


def add_conditions(parser: ArgumentParser) -> Any:
    """Add the options that say how a set was taken; give their group."""
    group = parser.add_argument_group("how it was taken")
    group.add_argument("--temperature", type=number, metavar="C", help="degrees Celsius")
    group.add_argument("--humidity", type=number, metavar="PERCENT", help="relative humidity")
    group.add_argument("--hours-in-room", type=number, metavar="H", help="how long it has been in the room")
    for option, what in (
        ("--holding", "cradle, neck in hand, lap, endpin, or your words"),
        ("--string-damping", "how the strings were quietened"),
        ("--tapper", "who tapped, with what"),
        ("--microphone", "which microphone"),
        ("--remark", "a remark in your own words"),
    ):
        group.add_argument(option, default="", metavar="TEXT", help=what)
    group.add_argument("--mass", type=positive, metavar="G", help="weight of instrument or plate, grams")
    group.add_argument(
        "--check",
        nargs="+",
        action="extend",
        type=key_value,
        default=[],
        metavar="CHECK=yes|no",
        help="quick checks: seams, post, bridge-upright, at-pitch",
    )
    return group


def add_places(group: Any, *, each: str) -> None:
    """Add --place and --mic, once or once for each file or take."""
    for option, what in (("--place", "tap place"), ("--mic", "microphone place")):
        group.add_argument(
            option, action="append", default=[], metavar="PLACE", help=f"{what}; once, or once a {each}"
        )


def conditions_of(arguments: Namespace) -> Conditions:
    """Give what was said of how the set was taken."""
    return Conditions(
        holding=arguments.holding,
        string_damping=arguments.string_damping,
        tapper=arguments.tapper,
        microphone=arguments.microphone,
        checks=check_answers(arguments.check),
        mass_g=nan if arguments.mass is None else arguments.mass,
        remark=arguments.remark,
    )


def climate_of(arguments: Namespace) -> Climate:
    """Give what was said of the air.

    Raises
    ------
    UsageError   for a temperature or humidity that no workshop has
    """
    temperature, humidity = arguments.temperature, arguments.humidity
    if temperature is not None and not -30.0 <= temperature <= 60.0:
        raise UsageError(f"--temperature {temperature:g} is no room's; give degrees Celsius, e.g. 21")
    if humidity is not None and not 1.0 < humidity <= 100.0:
        raise UsageError(f"--humidity {humidity:g} is out of range; give percent, e.g. 45")
    if arguments.hours_in_room is not None and arguments.hours_in_room < 0.0:
        raise UsageError("--hours-in-room cannot be below 0")
    return Climate(temperature, humidity, arguments.hours_in_room)
