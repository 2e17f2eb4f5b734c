"""Bowed notes in the maker's words: the notes of a set, how even they are, wolves, before and after.

Everything here gives the blocks of `resonance.report.blocks`, for screen, page and report alike.
"""

from collections.abc import Sequence
from itertools import pairwise
from math import isfinite, nan

import numpy as np

from resonance.changes.bowed import BowedComparison, WolfChange, compare_bowed
from resonance.changes.evenness import Evenness, NoteVerdict, evenness
from resonance.jobs.bowed import bowed_sets, nearest_tap_set, repeats_of
from resonance.jobs.job import Job
from resonance.jobs.store import Shop
from resonance.modes.mode import Mode
from resonance.report.blocks import Block, Items, Paragraph, Section, Table, table_of
from resonance.report.numbers import UNKNOWN, measured, number
from resonance.report.words import (
    count_words,
    day_words,
    label_sign,
    list_words,
    mark_notes,
    marks_of,
    reason_words,
    reasons_words,
    sentence,
)
from resonance.sets.bowedset import BowedSet, WolfNote, average_bands, suppressor_of, wolf_notes
from resonance.sets.slide import SlideMatch
from resonance.spectra.beats import Vibrato, Wolf
from resonance.spectra.bowed import BowedNote
from resonance.spectra.octaves import DUENNWALD
from resonance.spectra.slide import SlideCurve

SURE = 1.96
PATTERN = {True: "odd partials beat, even ones do not", False: "all partials beat"}
SEVERITY = ("none", "slight", "bothersome", "unplayable")  # by the maker's ear
MEASURED = ("none", "slight", "marked", "strong")  # by depth: 14, 30, 60 %, our own scale
VERDICTS = {
    "moved": ("●", "changed"),
    "differs": ("○", "differs"),
    "no change seen": ("=", "no change seen"),
    "not comparable": ("…", "not comparable"),
}
WOLVES = {
    "weaker": ("−", "weaker"),
    "stronger": ("+", "stronger"),
    "no change seen": ("=", "no change seen"),
    "gone": ("○", "not heard any more"),
    "new": ("●", "new"),
    "cannot tell": ("?", "cannot tell: that note was not played in both"),
}
LEVELS = (
    "Levels are in decibels below full scale of the recording: they hold between notes of one sitting, at "
    "one microphone place and gain, and are no loudness in the room."
)

SAME_ROOM = (
    "This holds only if room, bow and way of playing were the same: a recording does not tell them from the "
    "instrument."
)


def set_words(id_: str) -> str:
    """Name a bowed set: 'bowed set 2' for 'rec2'."""
    return f"bowed set {id_.removeprefix('rec')}" if id_ else "this bowed set"


def bowed_blocks(bowed: BowedSet, modes: Sequence[Mode] = ()) -> list[Block]:
    """Say what a bowed set holds: notes, evenness, wolves, average spectrum, what to bear in mind.

    Parameters
    ----------
    bowed : BowedSet
    modes : sequence of Mode   of the nearest tap set, none where there is none
    """
    even = evenness(bowed.notes, modes)
    minded = (*bowed.reasons, *(r for r in even.reasons if r.code not in {b.code for b in bowed.reasons}))
    blocks: list[Block] = [Paragraph(headline(bowed))]
    if bowed.notes:
        blocks += [notes_table(bowed), *even_blocks(even), *wolf_blocks(bowed, modes)]
        average = average_table(bowed)
        blocks += [average] if average.rows else []
    blocks.append(Items(tuple(map(sentence, reasons_words(minded))), title="What to bear in mind"))
    return [block for block in blocks if not (isinstance(block, Items) and not block.items)]


def headline(bowed: BowedSet) -> str:
    """Say how many notes were found."""
    if not bowed.notes:
        return "No held note was found."
    names = {(note.string, note.name) for note in bowed.notes}
    played = count_words(len(bowed.notes), "note")
    different = "" if len(names) == len(bowed.notes) else f", {len(names)} different ones"
    return f"{played}{different}; pitch held against A4 = {number(bowed.pitch_a4, 1).removesuffix('.0')} Hz."


def notes_table(bowed: BowedSet) -> Table:
    """Give one row a note: name, string, pitch, how far off, levels, vibrato, wolf."""
    limits = [[reason_words(reason) for reason in note.reasons] for note in bowed.notes]
    marks = marks_of(limits)
    columns = (
        "Note", "String", "Pitch, Hz", "Off, cents", "Level, dB", "A-weighted, dB", "Vibrato", "Beats", "See",
    )  # fmt: skip
    rows = [
        (
            note.name,
            note.string,
            measured(note.pitch, SURE * note.pitch_u),
            measured(note.cents, SURE * 1731.2 * note.pitch_u / note.pitch, signed=True),
            measured(note.level_db, SURE * note.level_u_db),
            number(note.level_a_db, 1),
            vibrato_words(note.vibrato),
            beat_cell(note.wolf),
            ", ".join(marks[words] for words in own),
        )
        for note, own in zip(bowed.notes, limits, strict=True)
    ]
    return table_of(
        columns,
        rows,
        numeric=columns[2:6],
        title="Notes as they were played",
        notes=(*mark_notes(marks), ("Level", LEVELS)),
    )


def vibrato_words(vibrato: Vibrato | None) -> str:
    """Say a vibrato's rate and width, e.g. ``5.4 ± 0.2 Hz, 20 ± 4 cents``."""
    if vibrato is None:
        return ""
    rate = measured(vibrato.rate, SURE * vibrato.rate_u, "Hz")
    return f"{rate}, {measured(vibrato.width_cents, SURE * vibrato.width_u_cents, 'cents')} wide"


def beat_cell(wolf: Wolf | None) -> str:
    """Say a wolf's rate and depth in a few words."""
    if wolf is None:
        return ""
    depth = measured(100.0 * wolf.depth, SURE * 100.0 * wolf.depth_u, "%")
    return f"{measured(wolf.rate, SURE * wolf.rate_u, 'Hz')}, {depth} deep"


def even_blocks(even: Evenness) -> list[Block]:
    """Say how even the notes are, and which stand out by more than the player."""
    blocks: list[Block] = []
    if isfinite(even.spread_db):
        player = (
            f"The same note played again differs by {number(even.player_db, 1)} dB (standard deviation)"
            if even.player_dof
            else ""
        )
        less = ", the player's part taken out" if even.player_dof else ", the player's part still in it"
        spread = f"Notes differ from their neighbours by {number(even.spread_db, 1)} dB{less}"
        weighted = f" ({number(even.spread_a_db, 1)} dB A-weighted)"
        blocks.append(Paragraph(sentence(spread + weighted) + (f" {sentence(player)}" if player else "")))
    told = tuple(note_words(each) for each in even.notes if each.verdict in ("weak", "strong"))
    if told:
        blocks.append(Items(told, title="Louder or softer than their neighbours by more than the player"))
    elif even.player_dof and any(each.verdict == "even" for each in even.notes):
        blocks.append(
            Paragraph("No note stands out from its neighbours by more than the player's own variation.")
        )
    return blocks


def note_words(each: NoteVerdict) -> str:
    """Say how one note stands out, and the body modes it sits on."""
    wide = 0.5 * (each.interval_db[1] - each.interval_db[0])
    off = measured(each.off_db, wide, "dB", signed=True)
    on = f" on the {each.group.string} string" if each.group.string else ""
    sits = [
        f"{'it' if partial == 1 else 'its second partial'} lies at a body resonance, "
        f"{number(frequency, 0)} Hz{f' ({label_sign(label)})' if label else ''}"
        for partial, frequency, label in each.modes
    ]
    where = f"; {list_words(sits)}" if sits else ""
    return sentence(f"{each.group.name}{on}: {each.verdict}, {off}{where}")


def wolf_blocks(bowed: BowedSet, modes: Sequence[Mode] = ()) -> list[Block]:
    """Say the wolves, strongest first, with what each sits on; and the maker's own verdict beside it."""
    found = wolf_notes(bowed.notes, modes)
    told = [wolf_words(bowed.notes[each.note], each) for each in found]
    hand = hand_words(bowed)
    if not told:
        if not any(_could_tell(note) for note in bowed.notes):
            return [Paragraph(hand)] if hand else []
        least = "No beating of 14 % or more is heard that a vibrato would not explain."
        return [Paragraph(f"{least} {hand}".strip())]
    coupled = next((coupling_words(each.coupled_share) for each in found if isfinite(each.coupled_share)), "")
    return [Items((*told, *filter(None, [hand, coupled])), title="Wolf: notes that beat in strength")]


def coupling_words(share: float) -> str:
    """Say from which string mass on string and body couple strongly; for information."""
    return sentence(
        "for information: a string couples strongly to that resonance where its vibrating length weighs "
        f"more than {number(100.0 * share, 2)} % of what the body weighs there at the bridge (Gough 1981, "
        "from memory)"
    )


def _could_tell(note: BowedNote) -> bool:
    return not any(reason.code in ("short_note", "too_short_for_beats") for reason in note.reasons)


def wolf_words(note: BowedNote, place: WolfNote) -> str:
    """Say one wolf: pitch, beats, depth, pattern, severity by measure, the mode it sits on."""
    if note.wolf is None:
        return ""
    wolf = note.wolf
    pitch = measured(note.pitch, SURE * note.pitch_u, "Hz")
    words = f"{note.name}, {pitch}: beats {beat_cell(wolf)}; {PATTERN[wolf.split]}"
    words += f"; {MEASURED[wolf.severity]} by measure"
    if isfinite(place.mode):
        mode = measured(place.mode, SURE * place.mode_u, "Hz")
        label = f" ({label_sign(place.label)})" if place.label else ""
        apart = measured(place.apart_cents, SURE * place.apart_u_cents, "cents", signed=True)
        words += f"; nearest body resonance {mode}{label}, the note is {apart} from it"
    return sentence(words)


def hand_words(bowed: BowedSet) -> str:
    """Say the maker's own verdict on the wolf, and where a suppressor sits."""
    said = [] if bowed.severity is None else [f"by ear: {SEVERITY[bowed.severity]}"]
    place = suppressor_words(bowed)
    return sentence("; ".join([*said, *([f"suppressor {place}"] if place else [])]))


def suppressor_words(bowed: BowedSet) -> str:
    """Say where a wolf suppressor sits, e.g. ``on G, 62 mm from the bridge, 5 g``; '' where none is noted."""
    noted = suppressor_of(bowed.setup)
    parts = []
    if "suppressor_string" in noted:
        parts.append(f"on {noted['suppressor_string']}")
    for key, unit in (("suppressor_mm", "mm from the bridge"), ("suppressor_g", "g")):
        value = noted.get(key, nan)
        if isinstance(value, float) and isfinite(value):
            parts.append(f"{number(value, 1).removesuffix('.0')} {unit}")
    return ", ".join(parts)


def average_table(bowed: BowedSet) -> Table:
    """Give the long-term average in Dünnwald's bands and what holds most, re the notes' own level."""
    levels = average_bands(bowed.notes)
    centres = np.array(bowed.bands)
    rows = []
    for low, high in pairwise(DUENNWALD):
        inside = (centres > low) & (centres < high) & np.isfinite(levels)
        if np.any(inside):
            total = 10.0 * float(np.log10(np.sum(10.0 ** (0.1 * levels[inside]))))
            rows.append((f"{low:.0f} to {high:.0f}", number(total, 1)))
    notes = (
        (
            "Bands",
            "limits after Dünnwald 1991, from memory, the top one 6400 or 7000 Hz by author; summed here "
            "from third octaves whose centres lie within (IEC 61260-1:2014, class 1 by their gains). Each "
            "note counts alike; levels are relative to the notes' own.",
        ),
    )
    return table_of(
        ("Band, Hz", "Level, dB"), rows, numeric=("Level, dB",), title="Average over all notes", notes=notes
    )


def sets_table(sets: Sequence[BowedSet]) -> Table:
    """List bowed sets: date, notes, suppressor, the strongest wolf by measure and by ear."""
    columns = ("Bowed set", "Taken", "Notes", "Suppressor", "Strongest wolf", "By measure", "By ear")
    rows = []
    for each in sets:
        wolves = wolf_notes(each.notes)
        first = each.notes[wolves[0].note] if wolves else None
        wolf = first.wolf if first else None
        rows.append(
            (
                each.id,
                day_words(each.taken) if each.taken else "date not noted",
                str(len(each.notes)),
                suppressor_words(each),
                f"{first.name}, {beat_cell(wolf)}" if first else "none heard",
                MEASURED[wolf.severity] if wolf else MEASURED[0],
                "" if each.severity is None else SEVERITY[each.severity],
            )
        )
    return table_of(columns, rows, numeric=("Notes",), title="Bowed sets")


def comparison_blocks(comparison: BowedComparison) -> list[Block]:
    """Say what changed between two bowed sets, or plainly that they cannot be compared."""
    head = f"{set_words(comparison.before).capitalize()} → {set_words(comparison.after)}"
    reasons = tuple(map(sentence, reasons_words(comparison.reasons)))
    blocks: list[Block] = [Paragraph(head, "lead")]
    if not comparison.comparable:
        blocks.append(Paragraph("The sound of the two cannot be compared.", "caution"))
    else:
        blocks.append(Paragraph(_bands_words(comparison)))
        if any(band.verdict in ("moved", "differs") for band in comparison.bands):
            blocks.append(_bands_table(comparison))
        blocks.append(Paragraph(SAME_ROOM, "small"))
    if comparison.wolves:
        blocks.append(Items(tuple(map(wolf_change_words, comparison.wolves)), title="Wolf"))
    blocks.append(Items(reasons, title="What to bear in mind" if comparison.comparable else "Why"))
    return [block for block in blocks if not (isinstance(block, Items) and not block.items)]


def _bands_words(comparison: BowedComparison) -> str:
    judged = [band for band in comparison.bands if band.verdict != "not comparable"]
    called = [band for band in judged if band.verdict in ("moved", "differs")]
    shared = f"{count_words(comparison.n_notes, 'note')} played in both"
    if not judged:
        return sentence(f"{shared}; no band could be held against another")
    if not called:
        widest = max(0.5 * (band.interval_db[1] - band.interval_db[0]) for band in judged)
        return sentence(
            f"{shared}: no change seen in any third octave; changes up to {number(widest, 0)} dB could have "
            "gone unseen, and the sound may still differ"
        )
    word = VERDICTS[called[0].verdict][1]
    return sentence(f"{shared}: {len(called)} of {count_words(len(judged), 'third octave')} {word}")


def _bands_table(comparison: BowedComparison) -> Table:
    rows = []
    for band in comparison.bands:
        if band.verdict == "not comparable":
            continue
        wide = 0.5 * (band.interval_db[1] - band.interval_db[0])
        sign, words = VERDICTS[band.verdict]
        rows.append((number(band.centre, 0), measured(band.change_db, wide, signed=True), f"{sign} {words}"))
    columns = ("Third octave, Hz", "Change, dB", "Verdict")
    return table_of(columns, rows, numeric=columns[:2], title="Change relative to each note's own level")


def wolf_change_words(change: WolfChange) -> str:
    """Say how one wolf changed."""
    sign, words = WOLVES[change.verdict]
    depths = [
        f"{number(100.0 * depth, 0)} %"
        for depth in (change.depth_before, change.depth_after)
        if isfinite(depth)
    ]
    deep = " → ".join(depths) or UNKNOWN
    u = f" ± {number(SURE * 100.0 * change.depth_change_u, 0)} %" if isfinite(change.depth_change_u) else ""
    return sentence(f"{sign} {change.name}: {words}; depth of beating {deep}{u}")


def slide_blocks(curve: SlideCurve, matches: Sequence[SlideMatch]) -> list[Block]:
    """Say which hills a slide shows, and how they agree with the tap readings."""
    if curve.reasons:
        return [Items(tuple(map(sentence, reasons_words(curve.reasons))), title="No curve can be had")]
    rows = []
    for match in matches:
        hill = match.hill
        apart = measured(match.apart, SURE * match.apart_u, signed=True) if isfinite(match.apart) else ""
        mode = measured(match.mode, SURE * match.mode_u) if isfinite(match.mode) else ""
        name = label_sign(match.label) if match.label else ""
        word = "" if not isfinite(match.mode) else "agrees" if match.agrees else "differs"
        pitch = measured(hill.frequency, SURE * hill.frequency_u)
        rows.append((pitch, number(hill.height_db, 0), mode, name, apart, word))
    low, high = number(curve.lowest, 0), number(curve.highest, 0)
    top = number(float(curve.frequencies[-1]), 0)
    columns = ("Hill, Hz", "Height, dB", "Tap reading, Hz", "Name", "Apart, Hz", "Both")
    table = table_of(columns, rows, numeric=(*columns[:3], columns[4]), title="Hills under the slide")
    return [
        Paragraph(f"Slide from {low} to {high} Hz; its partials sweep the body up to {top} Hz."),
        table if rows else Paragraph("No hill of 3 dB or more stands out."),
        Paragraph(
            "Hills are where the body answers most to the bow. Resonances that overlap show as one hill, the "
            "room is in it, and damping cannot be had from it: tap for that.",
            "small",
        ),
    ]


def bowed_section(
    sets: Sequence[BowedSet],
    comparisons: Sequence[BowedComparison] = (),
    modes: Sequence[Mode] = (),
) -> Section:
    """Give the section of a report on bowed notes; empty where there are none.

    Parameters
    ----------
    sets : sequence of BowedSet   of the job, oldest first; the last one is told in full
    comparisons : sequence of BowedComparison
    modes : sequence of Mode   of the tap set nearest to the last bowed set
    """
    if not sets:
        return Section("Bowed notes", name="bowed")
    last = sets[-1]
    parts = [Section(set_words(last.id).capitalize(), tuple(bowed_blocks(last, modes)), name=last.id)]
    parts += [
        Section(
            f"{set_words(each.before).capitalize()} → {set_words(each.after)}",
            tuple(comparison_blocks(each)[1:]),
            name=f"{each.before}-{each.after}",
        )
        for each in comparisons
    ]
    return Section("Bowed notes", (sets_table(sets),), tuple(parts), name="bowed")


def bowed_section_of(shop: Shop, job: Job) -> Section:
    """Give the section on the bowed notes of a job: all sets that were read, the last two held together.

    The last two are compared only where the maker's dates put them in order.
    """
    sets = [each for each in bowed_sets(shop, job.id) if each.notes]
    if not sets:
        return bowed_section(())
    near = nearest_tap_set(job, sets[-1])
    pair = sets[-2:]
    ordered = len(pair) == 2 and pair[0].taken and pair[1].taken and pair[0].taken <= pair[1].taken
    others = [each for each in repeats_of(job, sets) if [each[0].id, each[1].id] != [p.id for p in pair]]
    compared = [compare_bowed(pair[0], pair[1], repeats=others)] if ordered else []
    return bowed_section(sets, compared, near.modes if near else ())
