"""``resonance modes``: a one-off look at some taps; nothing is kept."""

from argparse import Namespace
from dataclasses import replace
from pathlib import Path
from typing import Any

from resonance.cli import analysing, screen
from resonance.cli.options import (
    Commands,
    UsageError,
    add_band,
    add_clap,
    add_command,
    add_instrument,
    add_json,
)
from resonance.report.blocks import Block, Items, Paragraph, Table
from resonance.sets.tapset import TapSet

FOR_PAPER = ("Named by", "Limited by")
EXAMPLE = """\
resonance modes taps.wav
resonance modes near.wav side.wav --family viola
resonance modes plate.flac --piece back --band 60 500"""


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "modes",
        does="look at some taps once; nothing is kept",
        about="Files together are one tap set: the same instrument, untouched in between.",
        example=EXAMPLE,
    )
    parser.add_argument("files", nargs="+", metavar="FILE", help="recordings of taps")
    add_instrument(parser, family="violin", piece="whole")
    add_band(parser)
    add_clap(parser)
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> None:
    """Analyse the files as one tap set and print it."""
    settings = analysis_settings(arguments)
    paths = analysing.sound_paths(arguments.files)
    with screen.Progress() as progress:
        takes = analysing.read_takes(paths, progress=progress)
        tap_set = analysing.analyse(
            takes,
            progress=progress,
            family=arguments.family,
            piece=arguments.piece,
            claps=analysing.read_takes(analysing.sound_paths(arguments.clap), progress=progress),
            **settings,
        )
    if arguments.json:
        screen.print_json(set_record(tap_set))
        return
    screen.show(taken_for_words(arguments), *set_blocks(tap_set, paths))


def taken_for_words(arguments: Namespace) -> str:
    """Say what the sound was taken for where neither family nor piece was said; '' where one was."""
    if (arguments.family, arguments.piece) != ("violin", "whole"):
        return ""
    return "Taken for a whole violin; for a free plate say --piece top, for a viola --family viola."


def analysis_settings(arguments: Namespace) -> dict[str, object]:
    """Give band and channel as the analysis takes them.

    Raises
    ------
    UsageError   when the band runs backwards, or the channel is not 1 or more
    """
    settings: dict[str, object] = {}
    if arguments.band is not None:
        low, high = arguments.band
        if not low < high:
            raise UsageError(f"--band {low:g} {high:g} runs backwards; give the lower frequency first")
        settings["band"] = (low, high)
    if arguments.channel is not None:
        if arguments.channel < 1:
            raise UsageError(f"--channel {arguments.channel}: channels count from 1")
        settings["channel"] = arguments.channel - 1
    return settings


def set_record(tap_set: TapSet) -> dict[str, Any]:
    """Give a tap set as ``--json`` shows it: its fields, and ``advice``, what would help most."""
    from resonance.jobs.records import to_record
    from resonance.sets.advice import what_helps

    return {**to_record(tap_set), "advice": to_record(what_helps(tap_set))}


def set_blocks(tap_set: TapSet, paths: list[Path]) -> list[Block]:
    """Say what was found in a tap set: taps, what limits it, the table, what would help."""
    from resonance.report.readings import advice_lines, tap_lines
    from resonance.report.words import reasons_words, sentence

    warnings = [reason for take in tap_set.takes for reason in take.recording.warnings]
    limits = tuple(map(sentence, reasons_words([*warnings, *tap_set.reasons])))
    blocks: list[Block] = [Paragraph(headline(tap_set, paths)), Items(tap_lines(tap_set))]
    blocks += readings_blocks(tap_set)
    blocks.append(Items(limits, title="What to bear in mind"))
    blocks.append(Items(advice_lines(tap_set), title="What would help"))
    return [block for block in blocks if not (isinstance(block, Items) and not block.items)]


def readings_blocks(tap_set: TapSet) -> list[Block]:
    """Give the table of wood and air within the width of a screen; strings, hum and room in a line each."""
    from resonance.report.readings import other_lines, readings_table

    table = readings_table(tap_set, strings=False)
    others = other_lines(tap_set)
    blocks: list[Block] = [fitted(table) if table.rows else Paragraph("No resonance is shown.")]
    return blocks + ([Items(others, title="Heard too, and neither wood nor air")] if others else [])


def fitted(table: Table) -> Table:
    """Narrow a table of readings: who named what and what limits it left out, notes as ``C♯5 −22``."""
    if "Note" not in table.columns:
        return table
    note = table.columns.index("Note")
    kept = [k for k, name in enumerate(table.columns) if name not in FOR_PAPER]
    return replace(
        table,
        columns=tuple("Note, cents" if k == note else table.columns[k] for k in kept),
        rows=tuple(tuple(row[k].removesuffix(" cents" * (k == note)) for k in kept) for row in table.rows),
        numeric=tuple(n for n, k in enumerate(kept) if k in table.numeric),
    )


def headline(tap_set: TapSet, paths: list[Path]) -> str:
    """Say which files, how many taps, where resonances were looked for."""
    from resonance.report.facts import taps_words
    from resonance.report.numbers import number
    from resonance.report.words import count_words, list_words

    names = [path.name for path in paths]
    files = list_words(names) if len(names) <= 3 else count_words(len(names), "recording")
    low, high = tap_set.analysis.band
    band = f"looked at from {number(low, 0)} to {number(high, 0)} Hz" if low < high else ""
    return f"{files}: " + ", ".join(
        filter(None, [taps_words(tap_set) if tap_set.taps else "no tap found", band])
    )
