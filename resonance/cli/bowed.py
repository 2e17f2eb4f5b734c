"""``resonance bowed``: look at bowed notes once, keep them with a job, list, show and compare bowed sets."""

from argparse import ArgumentTypeError, Namespace
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from resonance.cli import analysing, screen
from resonance.cli.options import Commands, UsageError, add_command, add_json, moment, positive
from resonance.cli.shop import open_shop
from resonance.errors import ResonanceError
from resonance.report.blocks import Block, Paragraph
from resonance.sets.instrument import FAMILIES

if TYPE_CHECKING:
    from resonance.jobs.job import Job
    from resonance.jobs.store import Shop
    from resonance.sets.bowedset import BowedSet

EXAMPLE = """\
resonance bowed scale.wav --family cello
resonance bowed g-string.wav d-string.wav --string G3 --string D4
resonance bowed scale.wav --keep my-cello --mic "1 m, in front" --player Anna
resonance bowed up.wav down.wav --slide
resonance bowed --job my-cello
resonance bowed --job my-cello rec2
resonance bowed --job my-cello rec1 rec2
resonance bowed --job my-cello rec2 --severity 2"""
PAUSE = 0.7  # s between before and after


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "bowed",
        does="look at bowed notes: pitch, evenness, wolves; keep and compare them",
        about="Bow the open strings and the semitones around the suspect note, each twice, two seconds long "
        "and with a short silence between; or a scale of all semitones. No vibrato, bow half-way between "
        "bridge and fingerboard.",
        example=EXAMPLE,
    )
    parser.add_argument(
        "what", nargs="*", metavar="FILE", help="recordings; with --job: bowed sets, such as rec1"
    )
    parser.add_argument("--family", choices=FAMILIES, help="violin unless said; the job's with --keep")
    for_all = "once, or once a file"
    _add(parser, "--string", "NOTE", f"string it was played on, such as G3; {for_all}", several=True)
    parser.add_argument(
        "--pitch", type=positive, metavar="HZ", help="A4 that notes are held against: the shop's, else 440"
    )
    parser.add_argument(
        "--slide",
        action="store_true",
        help="the files are slow slides up or down one string: show the body's hills under them",
    )
    job = parser.add_argument_group("with a job")
    where = job.add_mutually_exclusive_group()
    where.add_argument("--keep", metavar="JOB", help="keep the files as a bowed set of this job")
    where.add_argument("--job", metavar="JOB", help="list, show or compare the bowed sets of this job")
    _add(job, "--mic", "PLACE", f"microphone place; {for_all}", several=True)
    _add(job, "--player", "WHO", "who played, with which bow")
    _add(job, "--remark", "TEXT", "a remark in your own words")
    job.add_argument("--taken", type=moment, metavar="WHEN", help="2025-03-01T14:30")
    job.add_argument(
        "--severity",
        type=_severity,
        metavar="N",
        help="the wolf by your own ear: 0 none, 1 slight, 2 bothersome, 3 unplayable",
    )
    _add(job, "--listen", "FILE", "write two sets, one after the other, at equal loudness (.wav or .flac)")
    add_json(parser)
    parser.set_defaults(run=run)


def _add(parser: Any, option: str, name: str, what: str, *, several: bool = False) -> None:
    if several:
        parser.add_argument(option, action="append", default=[], metavar=name, help=what)
    else:
        parser.add_argument(option, default="", metavar=name, help=what)


def _severity(text: str) -> int:
    if text.strip() not in ("0", "1", "2", "3"):
        raise ArgumentTypeError(f"'{text}' is no severity; write 0 (no wolf), 1, 2 or 3 (unplayable)")
    return int(text)


def run(arguments: Namespace) -> None:
    """Look at files, or at the bowed sets of a job."""
    if arguments.slide:
        run_slide(arguments)
        return
    if arguments.job:
        run_job(arguments)
        return
    if arguments.listen:
        raise UsageError("--listen needs two bowed sets of a job, e.g. --job my-cello rec1 rec2")
    if not arguments.what:
        raise UsageError("name recordings, or a job with --job")
    run_files(arguments)


def run_files(arguments: Namespace) -> None:
    """Look at recordings as one bowed set; keep it where a job is named."""
    shop = open_shop(arguments) if arguments.keep else None
    job = shop.job(arguments.keep) if shop else None
    paths = analysing.sound_paths(arguments.what)
    if shop and job:
        shop.refuse_duplicates(job.id, paths)
    if len(arguments.string) not in (0, 1, len(paths)):
        raise UsageError(f"--string is given {len(arguments.string)} times for {len(paths)} files")
    with screen.Progress() as progress:
        takes = analysing.read_takes(paths, microphone_places=arguments.mic, progress=progress)
        bowed = _analysed(takes, arguments, job, shop, progress)
        if shop and job:
            bowed = _kept(shop, job, bowed, paths, arguments)
    modes = _modes(job, bowed)
    if arguments.json:
        screen.print_json(record(bowed, modes))
        return
    kept = [Paragraph(f"Kept as {bowed.id} of {job.id}.")] if job else []
    screen.show(*kept, *shown(bowed, modes))


def _analysed(
    takes: list[Any], arguments: Namespace, job: "Job | None", shop: "Shop | None", progress: screen.Progress
) -> "BowedSet":
    from resonance.sets.bowedset import analyse_bowed
    from resonance.sets.tapset import Conditions

    family = arguments.family or (job.instrument.family if job else "violin")
    settled = shop.settings().pitch_a4 if shop else 440.0
    with analysing.one_thread():
        return analyse_bowed(
            takes,
            family=family,
            pitch_a4=arguments.pitch or settled,
            strings=arguments.string,
            taken=arguments.taken,
            conditions=Conditions(tapper=arguments.player, remark=arguments.remark),
            progress=progress.part(analysing.READING, 1.0),
        )


def _kept(shop: "Shop", job: "Job", bowed: "BowedSet", paths: list[Path], arguments: Namespace) -> "BowedSet":
    from resonance.jobs.bowed import add_bowed

    if not bowed.notes:
        raise ResonanceError("no held note was found, so nothing was kept; bow notes of two seconds")
    strings = list(arguments.string) * (len(paths) if len(arguments.string) == 1 else 1)
    marked = replace(bowed, severity=arguments.severity, setup=job.setup)
    return add_bowed(shop, job.id, marked, paths, strings=strings)


def run_slide(arguments: Namespace) -> None:
    """Show the body's hills under slides, held against the last tap set of the job named with --job."""
    from resonance.jobs.records import to_record
    from resonance.report.bowed import slide_blocks
    from resonance.sets.slide import match_hills
    from resonance.spectra.slide import slide_curve

    if arguments.keep or arguments.listen:
        raise UsageError("--slide is a look at recordings; it goes with neither --keep nor --listen")
    if not arguments.what:
        raise UsageError("name recordings of slides")
    job = open_shop(arguments).job(arguments.job) if arguments.job else None
    modes = job.sets[-1].modes if job and job.sets else ()
    family = arguments.family or (job.instrument.family if job else "violin")
    with screen.Progress() as progress, analysing.one_thread():
        takes = analysing.read_takes(analysing.sound_paths(arguments.what), progress=progress)
        curve = slide_curve(takes, family=family)
    matches = match_hills(curve, modes)
    if arguments.json:
        screen.print_json({"notes": [], "slide": to_record(curve), "hills": to_record(matches)})
    else:
        screen.show(*slide_blocks(curve, matches))


def run_job(arguments: Namespace) -> None:
    """List, show or compare the bowed sets of a job, or note how bad a wolf is."""
    from resonance.jobs.bowed import bowed_sets, find_bowed, set_severity, up_to_date

    if len(arguments.what) > 2:
        raise UsageError("name one bowed set to show, or two to compare")
    shop = open_shop(arguments)
    job = shop.job(arguments.job)
    with screen.Progress() as progress, analysing.one_thread():
        pitch = arguments.pitch or shop.settings().pitch_a4
        sets = up_to_date(shop, job, bowed_sets(shop, job.id), pitch_a4=pitch, progress=progress)
    chosen = [find_bowed(sets, name) for name in arguments.what]
    if arguments.severity is not None:
        if len(chosen) != 1:
            raise UsageError("--severity says how bad the wolf of one bowed set is; name it, such as rec1")
        chosen = [set_severity(shop, job.id, chosen[0].id, arguments.severity)]
    if len(chosen) == 2:
        _compare(shop, job, sets, chosen, arguments)
    elif chosen:
        modes = _modes(job, chosen[0])
        if arguments.json:
            screen.print_json(record(chosen[0], modes))
        else:
            screen.show(*shown(chosen[0], modes))
    else:
        _list(job, sets, arguments)


def _list(job: "Job", sets: "tuple[BowedSet, ...]", arguments: Namespace) -> None:
    from resonance.report.bowed import sets_table

    if arguments.json:
        screen.print_json({"bowed": [record(each, ()) for each in sets]})
    elif sets:
        screen.show(sets_table(sets))
    else:
        screen.show(f"{job.id} has no bowed set yet: 'resonance bowed FILE --keep {job.id}' keeps one.")


def _compare(
    shop: "Shop", job: "Job", sets: "tuple[BowedSet, ...]", pair: "list[BowedSet]", arguments: Namespace
) -> None:
    from resonance.changes.bowed import compare_bowed
    from resonance.jobs.bowed import repeats_of
    from resonance.jobs.records import to_record
    from resonance.report.bowed import comparison_blocks

    if pair[0].id == pair[1].id:
        raise ResonanceError(f"{pair[0].id} is named twice; a comparison needs two bowed sets")
    chosen = {each.id for each in pair}
    repeats = [each for each in repeats_of(job, sets) if {each[0].id, each[1].id} != chosen]
    comparison = compare_bowed(pair[0], pair[1], repeats=repeats)
    if arguments.listen:
        _write_listening(shop, pair, Path(arguments.listen))
    if arguments.json:
        screen.print_json(to_record(comparison))
    else:
        screen.show(*comparison_blocks(comparison))


def _write_listening(shop: "Shop", pair: "list[BowedSet]", out: Path) -> None:
    """Write before, a pause, after, at equal loudness (ITU-R BS.1770, by the library pyloudnorm)."""
    from resonance.cli.report import see_folder
    from resonance.jobs.bowed import listening
    from resonance.sound.files import write_recording

    see_folder(out)
    if out.suffix.lower() not in (".wav", ".flac"):
        raise UsageError(f"--listen {out.name} must end in .wav or .flac")
    recording, gain_db = listening(shop, pair[0], pair[1], pause=PAUSE)
    write_recording(recording, out)
    what = f"{pair[1].id} raised by {gain_db:.1f} dB" if gain_db >= 0 else f"lowered by {-gain_db:.1f} dB"
    screen.note(f"Written: {out}: {pair[0].id}, then {pair[1].id}, at equal loudness ({what}).")


def _modes(job: "Job | None", bowed: "BowedSet") -> tuple[Any, ...]:
    """Modes of the tap set nearest to a bowed set; none without a job."""
    from resonance.jobs.bowed import nearest_tap_set

    found = nearest_tap_set(job, bowed) if job else None
    return found.modes if found else ()


def record(bowed: "BowedSet", modes: tuple[Any, ...]) -> dict[str, Any]:
    """Give a bowed set as ``--json`` shows it: its fields, and what is judged from them."""
    from resonance.changes.evenness import evenness
    from resonance.jobs.records import to_record
    from resonance.sets.bowedset import average_bands, wolf_notes

    return {
        **to_record(bowed),
        "evenness": to_record(evenness(bowed.notes, modes)),
        "wolves": to_record(wolf_notes(bowed.notes, modes)),
        "average_db": to_record(list(average_bands(bowed.notes))),
    }


def shown(bowed: "BowedSet", modes: tuple[Any, ...]) -> list[Block]:
    """Give a bowed set as the screen shows it."""
    from resonance.report.bowed import bowed_blocks

    return bowed_blocks(bowed, modes)
