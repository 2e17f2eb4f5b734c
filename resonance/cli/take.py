"""``resonance take``: record a tap set live, tap by tap; bowed notes and claps by the same command."""

import sys
from argparse import ArgumentParser, ArgumentTypeError, Namespace
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from resonance.cli import screen
from resonance.cli.conditions import add_conditions, add_places
from resonance.cli.keeping import LEFT, after_set, offer_unfinished
from resonance.cli.options import (
    Commands,
    UsageError,
    add_command,
    add_json,
    positive,
    repeat_kind,
    whole_number,
)
from resonance.cli.shop import open_shop
from resonance.errors import MicrophoneError
from resonance.report.blocks import Items

if TYPE_CHECKING:
    from resonance.jobs.job import Job
    from resonance.jobs.store import Shop
    from resonance.sound.microphone import Loudspeaker, Microphone, Stream
    from resonance.taking.keep import Noted
    from resonance.taking.runner import Taken, Watcher
    from resonance.taking.session import Plan

EXAMPLE = """\
resonance take my-viola
resonance take my-viola --places 1 --temperature 21 --humidity 45
resonance take my-viola --repeat "put back"
resonance take my-viola --bowed
resonance take --devices"""
MOST_PLACES = 4
CARE, HOW = "Take care", "How to"


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "take",
        does="record a tap set live, tap by tap",
        about="Start it once, then only tap. After about four taps it asks once to move the microphone. What "
        "is recorded is on the disk at once; a set that was cut off is offered at the next start.",
        example=EXAMPLE,
    )
    parser.add_argument("job", metavar="JOB", nargs="?", default="", help="name of the job")
    parser.add_argument("--places", type=_places, metavar="N", help="microphone places: 2 unless said")
    parser.add_argument(
        "--taps", type=whole_number, default=4, metavar="N", help="taps at each place: 4 unless said"
    )
    kind = parser.add_mutually_exclusive_group()
    kind.add_argument("--bowed", action="store_true", help="record bowed notes instead of taps")
    kind.add_argument("--clap", action="store_true", help="record claps, which show the room")
    parser.add_argument(
        "--repeat",
        metavar="KIND",
        type=repeat_kind,
        help="it repeats the last tap set: 'untouched', 'put back' or 'slackened and retuned'",
    )
    parser.add_argument("--repeat-of", metavar="SET", help="the tap set it repeats, if not the last one")
    _add_sound(parser)
    add_places(add_conditions(parser), each="place")
    parser.add_argument("--climate-file", metavar="CSV", help="air from the last line of a logger's file")
    parser.add_argument("--dry-run", action="store_true", help="try it; nothing is written")
    add_json(parser)
    parser.set_defaults(run=run)


def _add_sound(parser: ArgumentParser) -> None:
    group = parser.add_argument_group("microphone")
    group.add_argument("--devices", action="store_true", help="list the microphones, and stop")
    group.add_argument("--device", metavar="NAME", help="its name or a part of it; remembered for the shop")
    group.add_argument("--rate", type=positive, default=48_000.0, metavar="HZ", help="48000 unless said")
    group.add_argument("--silent", action="store_true", help="no sounds for accepted and refused")


def _places(text: str) -> int:
    value = whole_number(text)
    if value > MOST_PLACES:
        raise ArgumentTypeError(f"'{text}' is more than {MOST_PLACES} places; 1 or 2 will do")
    return value


def run(arguments: Namespace) -> int:
    """Take a set, keep it, and say what was found."""
    if arguments.devices:
        return _show_devices(arguments)
    if not arguments.job:
        raise UsageError("name the job: resonance take JOB")
    shop = open_shop(arguments)
    job = shop.job(arguments.job)
    repeat_of = _repeated(job, arguments)
    if not arguments.dry_run:
        offer_unfinished(shop, json=arguments.json)
    from resonance.sound.microphone import find_microphone

    microphone = find_microphone(arguments.device or shop.settings().device)
    noted = replace(_before(shop, job, microphone, arguments), repeat_of=repeat_of)
    if arguments.device and not arguments.dry_run and shop.settings().device != microphone.name:
        shop.set_settings(replace(shop.settings(), device=microphone.name))
    taken, spool = _take(shop, microphone, noted, arguments)
    return after_set(shop, taken, spool, noted, json=arguments.json)


def _show_devices(arguments: Namespace) -> int:
    from resonance.jobs.records import to_record
    from resonance.report.blocks import table_of
    from resonance.sound.microphone import NONE, microphones

    found = microphones()
    if arguments.json:
        screen.print_json({"microphones": to_record(found)})
        return 0
    if not found:
        raise MicrophoneError(NONE)
    rows = [(each.name, each.system, "the system's choice" if each.chosen else "") for each in found]
    screen.show(
        table_of(("Microphone", "Through", ""), rows), "Choose one by --device and a part of its name."
    )
    return 0


def _repeated(job: "Job", arguments: Namespace) -> str | None:
    """Give the tap set that this one repeats.

    Raises
    ------
    UsageError   when it is not said what was done in between, or there is none to repeat
    """
    from resonance.jobs.job import find_set

    if arguments.repeat_of and not arguments.repeat:
        raise UsageError(
            f"what was done since {arguments.repeat_of}? Add --repeat 'put back' or another kind"
        )
    if not arguments.repeat:
        return None
    if not job.sets:
        raise UsageError(f"{job.id} has no tap set to repeat yet; take one first")
    return find_set(job, arguments.repeat_of).id if arguments.repeat_of else job.sets[-1].id


def _before(shop: "Shop", job: "Job", microphone: "Microphone", arguments: Namespace) -> "Noted":
    """Say how the set is taken, what it costs, what to take care of; the maker confirms it."""
    from resonance.cli.beforehand import air, conditions_before, confirmed, places_before, set_right
    from resonance.report.live import cautions
    from resonance.taking.keep import Noted
    from resonance.taking.session import Plan
    from resonance.taking.usual import usual_peak

    tap_place, places = places_before(arguments, job)
    looked_for = "bowed" if arguments.bowed else "clap" if arguments.clap else "taps"
    taps = looked_for == "taps"
    places = places if taps else places[:1]
    with _aside(arguments.json):
        how = confirmed(
            job,
            conditions_before(arguments, job, microphone.name),
            air(arguments),
            tap_place,
            places,
            looked_for=looked_for,
        )
        conditions, climate, tap_place, places = how
        set_right(conditions)
        care = cautions(looked_for=looked_for, piece=job.instrument.piece, n_places=len(places))
        screen.show(Items(care, title=HOW if looked_for != "taps" else CARE, tone="caution"))
    plan = Plan(
        job.instrument.family,
        job.instrument.piece,
        looked_for=looked_for,
        tap_place=tap_place,
        microphone_places=places,
        wanted=arguments.taps,
        most=2 * arguments.taps,
        chimes=not arguments.silent,
        mains=shop.settings().mains,
        tap_peak_dbfs=usual_peak(job, conditions.microphone),
    )
    return Noted(job.id, plan, microphone.name, conditions, climate, None, arguments.repeat or "")


@contextmanager
def _aside(json: bool) -> Iterator[None]:
    """Send what is said to stderr where stdout is for one JSON object."""
    from contextlib import redirect_stdout

    if not json:
        yield
        return
    with redirect_stdout(sys.stderr):
        yield


def _take(
    shop: "Shop", microphone: "Microphone", noted: "Noted", arguments: Namespace
) -> tuple["Taken", Path | None]:
    """Record; what is recorded stays in the spool, whatever happens."""
    from resonance.cli.keys import open_keys
    from resonance.cli.live import calm_libraries
    from resonance.jobs.answers import put_back_scatter
    from resonance.sound.microphone import open_loudspeaker, open_microphone
    from resonance.taking.keep import note_of
    from resonance.taking.readings import Refits
    from resonance.taking.runner import take_set
    from resonance.taking.spool import create

    pitch = shop.settings().pitch_a4
    known = (
        None if arguments.dry_run else shop
    )  # to ask all jobs leaves what was worked out in the shop's folder
    scatter = put_back_scatter(shop.job(noted.job), shop=known).pooled.scatter_cents
    taps = noted.plan.looked_for == "taps"
    refits = Refits(noted.plan, pitch_a4=pitch, scatter_cents=scatter) if taps else None

    try:
        with ExitStack() as stack:
            stack.enter_context(calm_libraries())
            stream = stack.enter_context(open_microphone(microphone, sample_rate=arguments.rate))
            sound = None
            if not arguments.silent:
                loudspeaker = stack.enter_context(open_loudspeaker(sample_rate=arguments.rate))
                sound = partial(_chime, loudspeaker, arguments.rate)
            keys = stack.enter_context(open_keys())
            spool = None
            if not arguments.dry_run:
                spool = create(
                    shop.folder,
                    note_of(noted),
                    sample_rate=stream.sample_rate,
                    n_channels=stream.n_channels,
                    started=shop.clock(),
                )
            watcher = stack.enter_context(_watcher(keys, noted.plan, noted.job, stream, arguments))
            taken = take_set(
                noted.plan,
                stream,
                watcher,
                spool=spool,
                refits=refits,
                chime=sound,
            )
    except KeyboardInterrupt:
        if not arguments.dry_run:
            screen.note(f"Stopped. What was recorded is kept: {LEFT}.")
        raise
    finally:
        if refits is not None:
            refits.close()
    return taken, spool.folder if spool is not None else None


def _chime(loudspeaker: "Loudspeaker", rate: float, name: str) -> None:
    from resonance.taking.chime import chime

    loudspeaker.play(chime(name, rate))


@contextmanager
def _watcher(
    keys: object, plan: "Plan", job_id: str, stream: "Stream", arguments: Namespace
) -> "Iterator[Watcher]":
    """Give who shows the set: a picture on a terminal, lines elsewhere."""
    from resonance.cli.keys import Keys
    from resonance.cli.live import Lines, Picture, draws, whole_screen
    from resonance.report.live import cautions, hint_line
    from resonance.taking.soundserver import source_in_use, source_reasons

    assert isinstance(keys, Keys)
    out = sys.stderr if arguments.json else sys.stdout
    for reason in source_reasons(source_in_use(), sample_rate=stream.sample_rate):
        print(hint_line(reason), file=out, flush=True)
    if not draws(out):
        yield Lines(keys, stream=out, wanted=plan.wanted)
        return
    n_places = len(plan.microphone_places)
    with whole_screen(out):
        yield Picture(
            keys,
            stream=out,
            title=job_id,
            wanted=plan.wanted,
            n_places=n_places,
            cautions=cautions(looked_for=plan.looked_for, piece=plan.piece, n_places=n_places),
            readings=plan.looked_for == "taps",
        )
