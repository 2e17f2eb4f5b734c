"""How far each tap set is from the one aimed at, in words and tables, the maker's words beside it."""

from collections.abc import Sequence
from math import isfinite

import numpy as np

from resonance.changes.distance import Distance
from resonance.jobs.job import Job, find_set
from resonance.report.blocks import Block, Paragraph, table_of
from resonance.report.numbers import measured, number
from resonance.report.readings import chief_tracks
from resonance.report.verdicts import band_words
from resonance.report.words import count_words, day_words, list_words, set_words

MODES_SHOWN = 5
NEAR = 1.96  # standard uncertainties, within which a mode is not told from the target's


def distance_blocks(job: Job, found: Sequence[Distance]) -> list[Block]:
    """Say how far every tap set is: over all modes, the chief modes in cents, bands, words noted.

    Parameters
    ----------
    job : Job   with a target, its modes with tracks
    found : sequence of Distance
    """
    target = find_set(job, job.target or "")
    others = [each for each in found if each.set != target.id]
    if not others:
        return [Paragraph("There is no other tap set to hold against it yet.")]
    names = chief_tracks(job, MODES_SHOWN)
    columns = ("Tap set", "Taken", "Away, cents", *(name for _, name in names), "Bands changed", "Words")
    rows = []
    for each in found:
        tap_set = find_set(job, each.set)
        cells = (_mode_cell(each, track) for track, _ in names)
        words = "the target" if each.set == target.id else measured(each.rms_cents, 1.96 * each.rms_u_cents)
        rows.append(
            (
                set_words(each.set).capitalize(),
                day_words(tap_set.taken) if tap_set.taken else "",
                words,
                *cells,
                "" if each.set == target.id else _bands_cell(each),
                tap_set.conditions.remark,
            )
        )
    notes = (
        ("Away", "root mean square over all resonances that both show, put-back scatter taken out"),
        ("≈", "not told from the target's, put-back scatter being what it is"),
    )
    table = table_of(columns, rows, numeric=columns[2:-2], title="Distance to the target", notes=notes)
    return [Paragraph(distance_sentence(others[-1])), table, *_bands(others[-1])]


def distance_sentence(distance: Distance) -> str:
    """Say how far the last tap set is."""
    if not distance.tracks:
        return f"{set_words(distance.set).capitalize()} shows no resonance that the target shows."
    apart = int(np.sum(np.abs(distance.cents) > NEAR * distance.cents_u))
    of = count_words(len(distance.tracks), "resonance")
    by = measured(distance.rms_cents, 1.96 * distance.rms_u_cents, "cents")
    what = (
        "none can be told from the target's"
        if not apart
        else f"{apart} can be told from the target's, by {by} over all"
    )
    return f"{set_words(distance.set).capitalize()}: of {of}, {what}. The sound may still differ."


def _mode_cell(distance: Distance, track: str) -> str:
    if track not in distance.tracks:
        return "–"
    k = distance.tracks.index(track)
    value, u = float(distance.cents[k]), float(distance.cents_u[k])
    if u == 0.0:
        return ""
    sign = " ≈" if abs(value) <= NEAR * u else ""
    return f"{number(value, 0, signed=True)}{sign}"


def _bands_cell(distance: Distance) -> str:
    judged = [band for band in distance.bands if band.verdict != "not comparable"]
    if not judged:
        return "not comparable"
    return f"{sum(band.verdict == 'moved' for band in judged)} of {len(judged)}"


def _bands(distance: Distance) -> list[Block]:
    """Say which bands of the last tap set are louder or softer than the target's."""
    moved = [band for band in distance.bands if band.verdict == "moved" and isfinite(band.change_db)]
    if not moved:
        return []
    told = [
        f"{band_words(band)} {measured(band.change_db, 1.96 * band.change_db_u, 'dB', signed=True)}"
        for band in moved
    ]
    return [Paragraph(f"Levels of {set_words(distance.set)} against the target's: {list_words(told)}.")]
