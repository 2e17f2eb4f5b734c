"""The readings of a tap set, and the readings of all tap sets over time, as blocks of a report."""

from collections.abc import Iterable
from math import isfinite, nan

from resonance.changes.tracks import in_doubt
from resonance.jobs.job import Job
from resonance.modes.intervals import damping_half_width, frequency_half_width, half_width
from resonance.modes.mode import Mode, StringReading
from resonance.report.blocks import Block, Items, Paragraph, Table, table_of
from resonance.report.facts import (
    checks_words,
    climate_words,
    conditions_words,
    places_words,
    taps_words,
)
from resonance.report.numbers import measured, number, plain
from resonance.report.words import (
    day_words,
    kind_words,
    label_alias,
    limit_words,
    list_words,
    mark_notes,
    marks_of,
    mode_label,
    moment_words,
    note_words,
    off_words,
    reasons_words,
    sentence,
    set_words,
    string_words,
)
from resonance.sets.advice import what_helps
from resonance.sets.tapset import TapSet
from resonance.taps.tap import Tap
from resonance.units import quality

NOT_WOOD = ("string", "hum", "room")
NO_DAMPING = "not shown"
TENSION_TOLD_CENTS = 10.0  # off its note from which a string's tension is told
TRACKS_A_TABLE = 5
TRACKS_IN_TABLES = 10


def pitch_of(tap_set: TapSet) -> float:
    """Pitch of A4 that note names of a tap set stand on: its setup's, else the analysis', else 440 Hz."""
    noted = tap_set.analysis.settings.get("pitch_a4")
    for pitch in (tap_set.setup.pitch_a4, noted):
        if isinstance(pitch, int | float) and isfinite(pitch) and pitch > 0.0:
            return float(pitch)
    return 440.0


def readings_table(
    tap_set: TapSet, *, guesses: bool = True, bench: bool = False, strings: bool = True
) -> Table:
    """Give the resonances of a tap set, hertz first, with what limits each in notes under the table.

    Parameters
    ----------
    tap_set : TapSet
    guesses : bool   show names that the maker has not given or confirmed
    bench : bool   show who named a resonance and what limits each value as well
    strings : bool   show string partials, hum and room too, as their kind says
    """
    modes = [mode for mode in tap_set.modes if strings or mode.kind not in NOT_WOOD]
    marks = marks_of(reasons_words(mode.reasons) for mode in modes)
    pitch = pitch_of(tap_set)
    columns = (
        "Frequency, Hz", "Name", "Note", "Damping, %", "Q", "Spectrum maximum, Hz", "Kind", "Named by",
        "Limited by", "See",
    )  # fmt: skip
    rows = [_reading(mode, marks, pitch, guesses=guesses, bench=bench) for mode in modes]
    numeric = ("Frequency, Hz", "Damping, %", "Q", "Spectrum maximum, Hz")
    return table_of(columns, rows, numeric=numeric, notes=mark_notes(marks))


def other_lines(tap_set: TapSet) -> tuple[str, ...]:
    """Say the lines of a tap set that are neither wood nor air: strings, hum, room, with their intervals."""
    lines = [open_strings_line(tap_set)] if tap_set.strings else []
    for kind, words in (("string", "String partials"), ("hum", "Mains hum"), ("room", "The room")):
        found = [mode for mode in tap_set.modes if mode.kind == kind]
        heard = [measured(mode.frequency, frequency_half_width(mode)) for mode in found]
        if heard:
            lines.append(f"{words}, Hz: {', '.join(heard)}.")
    return tuple(lines)


def advice_lines(tap_set: TapSet) -> tuple[str, ...]:
    """Say what would help the next tap set most, three things at most."""
    return tuple(map(sentence, reasons_words(what_helps(tap_set))))


def open_strings_line(tap_set: TapSet) -> str:
    """Say the pitch of the open strings that rang, e.g. ``G 195.76 ± 0.02 (2 cents flat)``; '' for none."""
    newtons = {string.name: string.tension_n for string in tap_set.setup.strings}
    heard = [_string_cell(reading, newtons.get(reading.name, nan)) for reading in tap_set.strings]
    return f"Open strings, Hz: {', '.join(heard)}." if heard else ""


def _string_cell(reading: StringReading, newtons: float) -> str:
    """One string: pitch, how far off its note, and its tension where that is far off too."""
    half = half_width(reading.pitch_u, reading.pitch_dof)
    off = off_words(reading.cents_off)
    if abs(reading.cents_off) >= TENSION_TOLD_CENTS:
        change = number(100.0 * (reading.tension_ratio - 1.0), 0, signed=True)
        known = isfinite(newtons)
        now = f"{number(newtons * reading.tension_ratio, 0)} of {number(newtons, 0)} N" if known else ""
        off = f"{off}, tension {now or f'{change} %'}"
    return f"{string_words(reading.name)} {measured(reading.pitch, half)} ({off})"


def set_blocks(tap_set: TapSet, *, guesses: bool = True, bench: bool = False) -> tuple[Block, ...]:
    """Give all that is told of one tap set: how it was taken, what limits it, its readings, refused taps."""
    blocks: list[Block] = [Paragraph(_how_taken(tap_set, bench=bench), "small")]
    warnings = [reason for take in tap_set.takes for reason in take.recording.warnings]
    limits = [sentence(words) for words in reasons_words([*warnings, *tap_set.reasons])]
    if limits:
        blocks.append(Items(tuple(limits), tone="caution"))
    table = readings_table(tap_set, guesses=guesses, bench=bench, strings=False)
    blocks.append(table if table.rows else Paragraph("No resonance is shown for this tap set."))
    others = other_lines(tap_set)
    if others:
        blocks.append(Items(others, title="Heard too, and neither wood nor air"))
    poor = tap_lines(tap_set)
    if poor:
        blocks.append(Items(poor, title="Taps refused, or used with a fault"))
    if bench:
        blocks += _bench_blocks(tap_set, guesses=guesses)
    return tuple(blocks)


def tap_lines(tap_set: TapSet) -> tuple[str, ...]:
    """Say each tap that was refused, or used in spite of a fault, with its reason."""
    many = len(tap_set.takes) > 1
    return tuple(
        _tap_line(number_, tap, many)
        for number_, tap in enumerate(tap_set.taps, 1)
        if tap.faults or not tap.kept
    )


def over_time_tables(job: Job, *, guesses: bool = True) -> tuple[Table, ...]:
    """Give the readings of the chief tracks, one row a tap set, a few tracks a table; () without tracks."""
    tracks = chief_tracks(job, TRACKS_IN_TABLES, guesses=guesses)
    tables = []
    for start in range(0, len(tracks), TRACKS_A_TABLE):
        part = tracks[start : start + TRACKS_A_TABLE]
        names = tuple(name if name.endswith("Hz") else f"{name}, Hz" for _, name in part)
        rows = [
            (
                set_words(tap_set.id).capitalize(),
                day_words(tap_set.taken) if tap_set.taken else "",
                *(_reading_of(tap_set, track) for track, _ in part),
            )
            for tap_set in job.sets
        ]
        doubt = any(cell.endswith(" ?") for row in rows for cell in row)
        notes = (("?", "may belong to another resonance; 'resonance same' settles it"),) if doubt else ()
        tables.append(table_of(("Tap set", "Taken", *names), rows, numeric=names, notes=notes))
    return tuple(tables)


def chief_tracks(job: Job, most: int, *, guesses: bool = True) -> tuple[tuple[str, str], ...]:
    """Give at most so many tracks worth following: named ones first, then those that most tap sets show."""
    tracks = tracks_of(job, guesses=guesses)

    def rank(item: tuple[str, str]) -> tuple[bool, int]:
        modes = [mode for tap_set in job.sets if (mode := mode_of_track(tap_set, item[0])) is not None]
        return not any(mode.label for mode in modes), -len(modes)

    chosen = sorted(tracks, key=rank)[:most]
    return tuple(item for item in tracks if item in chosen)


def tracks_of(job: Job, *, guesses: bool = True) -> tuple[tuple[str, str], ...]:
    """Give the tracks worth following, (track, name), by rising frequency.

    A track is worth following when two tap sets or more show it and it is neither string, hum nor room.
    Its name is the newest one, else where it lies, e.g. ``near 612 Hz``.
    """
    found: dict[str, list[Mode]] = {}
    for tap_set in job.sets:
        for mode in tap_set.modes:
            if mode.track and mode.kind not in NOT_WOOD:
                found.setdefault(mode.track, []).append(mode)
    followed = [(track, modes) for track, modes in found.items() if len(modes) > 1]
    followed.sort(key=lambda item: item[1][-1].frequency)
    return tuple((track, track_name(modes, guesses=guesses)) for track, modes in followed)


def track_name(modes: Iterable[Mode], *, guesses: bool = True) -> str:
    """Name a track by its newest label, else by where it lies, e.g. ``near 612 Hz``."""
    newest = list(modes)[::-1]
    names = [mode_label(mode, guesses=guesses) for mode in newest]
    return next(filter(None, names), f"near {number(newest[0].frequency, 0)} Hz")


def mode_of_track(tap_set: TapSet, track: str) -> Mode | None:
    """Find the mode of a track in a tap set."""
    return next((mode for mode in tap_set.modes if mode.track == track), None)


def _reading_of(tap_set: TapSet, track: str) -> str:
    mode = mode_of_track(tap_set, track)
    if mode is None:
        return "–"
    return measured(mode.frequency, frequency_half_width(mode)) + (" ?" if in_doubt(mode) else "")


def _reading(
    mode: Mode, marks: dict[str, str], pitch: float, *, guesses: bool, bench: bool
) -> tuple[str, ...]:
    label = mode_label(mode, guesses=guesses)
    alias = label_alias(mode.label or "") if label else ""
    named_by = {"maker": "maker", "program": "a guess"}.get(mode.labelled_by, "") if label and bench else ""
    seen = [marks[words] for words in reasons_words(mode.reasons)]
    return (
        measured(mode.frequency, frequency_half_width(mode)),
        ", ".join(filter(None, [label, alias])),
        note_words(mode.frequency, pitch_a4=pitch),
        damping_words(mode),
        quality_words(mode),
        number(mode.peak, 1) if isfinite(mode.peak) else "",
        kind_words(mode.kind),
        named_by,
        limit_words(mode.limited_by) if bench else "",
        ", ".join(seen),
    )


def damping_words(mode: Mode) -> str:
    """Write damping in percent of critical, e.g. ``1.20 ± 0.14``; 'not shown' where it is not known."""
    if not isfinite(mode.damping):
        return NO_DAMPING
    return measured(100.0 * mode.damping, 100.0 * damping_half_width(mode), decimals=2)


def quality_words(mode: Mode) -> str:
    """Write Q with its half width, as large a share as that of the damping; '' where damping may be 0."""
    half = damping_half_width(mode)
    if not 0.0 < mode.damping or half >= mode.damping:
        return ""
    value = float(quality(mode.damping))
    return measured(value, value * half / mode.damping, decimals=0)


def _tap_line(number_: int, tap: Tap, many: bool) -> str:
    where = f"tap {number_}" + (f" of recording {tap.take + 1}" if many else "")
    where += f" at {number(tap.onset, 2)} s"
    why = "; ".join(reasons_words(tap.faults))
    by = " by the maker" if tap.judged_by == "maker" else ""
    state = f"used{by} all the same" if tap.kept else f"refused{by}"
    return sentence(f"{where}, {state}" + (f": {why}" if why else ""))


def _how_taken(tap_set: TapSet, *, bench: bool) -> str:
    conditions = tap_set.conditions
    repeat = f"repeats {set_words(tap_set.repeat_of)}" if tap_set.repeat_of else ""
    parts = [
        f"taken {moment_words(tap_set.taken)}" if tap_set.taken else "date not noted",
        ", ".join(filter(None, [repeat, tap_set.repeat_kind if repeat else ""])),
        climate_words(tap_set.climate) or "climate not noted",
        conditions_words(conditions),
        places_words(tap_set) or "places of tap and microphone not noted",
        checks_words(conditions) or "quick checks not noted",
        taps_words(tap_set) if tap_set.taps else "",
        f"tapped by {conditions.tapper}" if bench and conditions.tapper else "",
    ]
    text = " ".join(sentence(part) for part in parts if part)
    remark = sentence(f"remark: {conditions.remark}") if bench and conditions.remark else ""
    return " ".join(filter(None, [text, remark]))


def _bench_blocks(tap_set: TapSet, *, guesses: bool) -> list[Block]:
    """Levels at each place, how the analysis went, and the recordings: for the bench only."""
    blocks: list[Block] = []
    places = list(dict.fromkeys(
        (level.tap_place, level.microphone_place) for mode in tap_set.modes for level in mode.levels
    ))  # fmt: skip
    if places:
        heads = tuple(
            f"{tap or 'tap place not noted'} / {heard or 'microphone place not noted'}, dB"
            for tap, heard in places
        )
        rows = [_levels(mode, places, guesses=guesses) for mode in tap_set.modes]
        blocks.append(
            table_of(("Resonance", *heads), rows, numeric=heads, title="Levels, re the sum over the tap set")
        )
    advice = advice_lines(tap_set)
    blocks += [Items(advice, title="What would help next time")] if advice else []
    blocks.append(Paragraph(_analysis_words(tap_set), "small"))
    return blocks


def _levels(mode: Mode, places: list[tuple[str, str]], *, guesses: bool) -> tuple[str, ...]:
    by_place = {(level.tap_place, level.microphone_place): level for level in mode.levels}
    cells = [
        measured(by_place[place].db, half_width(by_place[place].db_u)) if place in by_place else ""
        for place in places
    ]
    name = " ".join(filter(None, [mode_label(mode, guesses=guesses), f"{number(mode.frequency, 1)} Hz"]))
    return (name, *cells)


def _analysis_words(tap_set: TapSet) -> str:
    analysis = tap_set.analysis
    sources = [
        f"{take.recording.source} ({take.recording.sha256[:12]})"
        if take.recording.sha256
        else take.recording.source
        for take in tap_set.takes
        if take.recording.source
    ]
    parts = [
        f"{plain(analysis.record, 's')} of each tap's decay used" if isfinite(analysis.record) else "",
        f"blows reach to about {number(analysis.reach, 0)} Hz" if isfinite(analysis.reach) else "",
        f"{number(100.0 * analysis.misfit, 0)} % of the decay not explained"
        if isfinite(analysis.misfit)
        else "",
        f"{number(analysis.noise_db, 0)} dB above the noise" if isfinite(analysis.noise_db) else "",
    ]
    told = sentence("; ".join(filter(None, parts)))
    return " ".join(filter(None, [told, sentence(f"recordings: {list_words(sources)}") if sources else ""]))
