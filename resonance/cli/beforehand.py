"""Before a set is taken: conditions as last time, confirmed at a key; the quick checks; the air."""

import re
import sys
from argparse import ArgumentTypeError, Namespace
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from resonance.cli import screen
from resonance.cli.conditions import climate_of, conditions_of
from resonance.cli.options import UsageError, number
from resonance.errors import ResonanceError
from resonance.report.blocks import Block, Facts, Paragraph
from resonance.sets.tapset import CHECKS, Climate, Conditions, TapSet
from resonance.sound.recording import Recording, Take
from resonance.taking.climate import COLDEST, WARMEST, last_climate

if TYPE_CHECKING:
    from resonance.jobs.job import Job

STALE = 2.0  # hours
TAKEN = {
    "taps": "this tap set is taken",
    "bowed": "these bowed notes are recorded",
    "clap": "these claps are recorded, where you tap",
}


def conditions_before(arguments: Namespace, job: "Job", device: str) -> Conditions:
    """Give the conditions: as typed, else as in the last tap set; the microphone is the one recorded from."""
    from resonance.taking.usual import usual_conditions

    return usual_conditions(job, conditions_of(arguments), device)


def places_before(arguments: Namespace, job: "Job") -> tuple[str, tuple[str, ...]]:
    """Give tap place and microphone places: as typed, else as in the last tap set, else the usual ones.

    Raises
    ------
    UsageError   when more places are named than are asked for
    """
    from resonance.taking.usual import usual_places, usual_tap_place

    said = tuple(arguments.mic)
    places = usual_places(job, said, wanted=arguments.places)
    if len(said) > len(places) or len(arguments.place) > 1:
        raise UsageError(f"--mic is given {len(said)} times for {len(places)} places; give it once a place")
    return usual_tap_place(job, *arguments.place), places


def air(arguments: Namespace) -> Climate:
    """Give the air: as typed, else from the last line of the logger's file.

    Raises
    ------
    ResonanceError   when the file cannot be read, or holds none
    """
    said = climate_of(arguments)
    if arguments.climate_file is None:
        return said
    path = Path(arguments.climate_file)
    try:
        text = path.read_bytes().decode("utf-8", "replace")
        hours = (datetime.now().timestamp() - path.stat().st_mtime) / 3600.0
    except OSError as error:
        raise ResonanceError(f"{path} cannot be read: {error.strerror or error}") from error
    found = last_climate(text, name=path.name)
    if hours > STALE:
        screen.note(f"{path.name} was last written {hours:.0f} hours ago: see that the logger runs.")
    return Climate(
        found.temperature_c if said.temperature_c is None else said.temperature_c,
        found.humidity_percent if said.humidity_percent is None else said.humidity_percent,
        said.hours_in_room,
    )


def confirmed(
    job: "Job",
    conditions: Conditions,
    climate: Climate,
    tap_place: str,
    places: tuple[str, ...],
    *,
    looked_for: str = "taps",
) -> tuple[Conditions, Climate, str, tuple[str, ...]]:
    """Show how the set will be taken and let the maker confirm it, or change it line by line.

    To type the air confirms the rest: one action for both.
    """
    from resonance.report.facts import climate_words

    while True:
        screen.show(*_how_blocks(job, conditions, climate, tap_place, places, looked_for))
        if not screen.can_ask():
            return conditions, climate, tap_place, places
        answer = _ask("Enter: so it is    21 45: so it is, air 21 °C, 45 %    c: change")
        if not answer:
            break
        if answer in ("c", "change"):
            conditions, climate, tap_place, places = _changed(conditions, climate, tap_place, places)
            continue
        typed = _air_typed(answer)
        if typed is None:
            screen.note(f"'{answer}' is neither c nor the air: degrees Celsius, and humidity in percent.")
        else:
            climate = replace(typed, hours_in_room=climate.hours_in_room)
            screen.note(f"Air: {climate_words(climate)}.")
            break
    if looked_for != "clap":  # a clap tells of the room alone
        conditions = _checked(conditions)
    return conditions, climate, tap_place, places


def _air_typed(text: str) -> Climate | None:
    """Read temperature and humidity, or temperature alone, from what was typed; None where it is neither."""
    words = [word.rstrip(",") for word in re.sub("[°%C;/]", " ", text).split() if word != ","]
    try:
        figures = [number(word) for word in words]
    except ArgumentTypeError:
        return None
    sensible = 1 <= len(figures) <= 2 and COLDEST <= figures[0] <= WARMEST
    if not sensible or not all(0.0 < figure <= 100.0 for figure in figures[1:]):
        return None
    return Climate(figures[0], figures[1] if len(figures) > 1 else None)


def _how_blocks(
    job: "Job",
    conditions: Conditions,
    climate: Climate,
    tap_place: str,
    places: tuple[str, ...],
    looked_for: str,
) -> list[Block]:
    from resonance.report.differences import difference_blocks
    from resonance.report.facts import climate_words
    from resonance.report.words import list_words

    tapped = (
        ("Strings damped", conditions.string_damping or "not noted"),
        ("Tapper", conditions.tapper or "not noted"),
        ("Tapped at", tap_place or "not noted"),
    )
    pairs = (
        ("Held", conditions.holding or "not noted"),
        *(tapped if looked_for == "taps" else ()),
        ("Microphone", conditions.microphone or "not named"),
        ("It stands at", list_words([place or "not named" for place in places], last="then")),
        ("Air", climate_words(climate) or "not noted"),
    )
    blocks: list[Block] = [Facts(pairs, title=f"{job.instrument.name}: how {TAKEN[looked_for]}")]
    if looked_for != "taps":
        return blocks
    if job.sets:
        blocks += difference_blocks(job.sets[-1], _beforehand(conditions, climate, tap_place, places))
    else:
        blocks.append(Paragraph("The first tap set of this job.", "small"))
    return blocks


def _beforehand(conditions: Conditions, climate: Climate, tap_place: str, places: tuple[str, ...]) -> TapSet:
    """Give what is known of a set before it is taken, to hold it against the last one."""
    import numpy as np

    empty = Recording(np.zeros((0, 1)), 48_000.0)
    takes = tuple(Take(empty, tap_place, place) for place in places)
    return TapSet("", None, (), takes=takes, climate=climate, conditions=conditions)


def _changed(
    conditions: Conditions, climate: Climate, tap_place: str, places: tuple[str, ...]
) -> tuple[Conditions, Climate, str, tuple[str, ...]]:
    """Ask for each line; Enter leaves it."""
    conditions = replace(
        conditions,
        holding=_ask(f"Held [{conditions.holding}]:") or conditions.holding,
        string_damping=_ask(f"Strings damped [{conditions.string_damping}]:") or conditions.string_damping,
        tapper=_ask(f"Tapper [{conditions.tapper}]:") or conditions.tapper,
    )
    tap_place = _ask(f"Tapped at [{tap_place}]:") or tap_place
    places = tuple(_ask(f"Microphone at [{place}]:") or place for place in places)
    text = _ask("Air, °C and % humidity:")
    typed = _air_typed(text) if text else climate
    if typed is None:
        screen.note(f"'{text}' is not the air: degrees Celsius, and humidity in percent, as in 21 45.")
        typed = climate
    return conditions, replace(typed, hours_in_room=climate.hours_in_room), tap_place, places


def _checked(conditions: Conditions) -> Conditions:
    """Ask for the quick checks that were not answered: all well at one key, else one by one."""
    open_ = [check for check in CHECKS if check not in conditions.checks]
    if not open_:
        return conditions
    print(f"Checked, ten seconds: {', '.join(open_)}?", file=sys.stderr)
    answer = _ask("y: all well    n: one by one    Enter: not checked")
    answers: dict[str, bool | None] = {"y": True, "yes": True, "n": False, "no": False}
    if answer in ("y", "yes"):
        found: dict[str, bool | None] = dict.fromkeys(open_, True)
    elif answer in ("n", "no"):
        found = {check: answers.get(_ask(f"  {check}: y, n, or Enter for not checked:")) for check in open_}
    else:
        found = dict.fromkeys(open_, None)
    return replace(conditions, checks={**conditions.checks, **found})


def set_right(conditions: Conditions) -> None:
    """Say what was found out of order, and record all the same only where the maker says so.

    Raises
    ------
    ResonanceError   when the maker would rather set it right first
    """
    wrong = [check for check, well in conditions.checks.items() if well is False]
    if not wrong:
        return
    told = f"Not in order: {', '.join(wrong)}. Readings would tell of that."
    if not screen.can_ask():
        screen.note(told)
    elif not screen.confirm(f"{told} Record all the same?", default=False):
        raise ResonanceError("nothing was recorded; set it right, then start again")


def _ask(question: str) -> str:
    """Ask on stderr; give what was typed."""
    print(question, end=" ", file=sys.stderr, flush=True)
    try:
        return sys.stdin.readline().strip()
    except KeyboardInterrupt:
        print(file=sys.stderr)  # what is said next begins a line of its own
        raise
