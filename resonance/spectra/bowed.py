"""Bowed notes: found in a recording, and each one measured.

Pitch is what is played, not what is expected: the nearest note of equal temperament and the cents from it
stand beside it. Onset and release are left out: a quarter of the note at most is dropped at its start (0.3 s
of a long one, common practice, no source), and what comes after the bow has left the string. Levels are in
dB re a mean square of 1 (full scale): they hold between notes of one recording, and are no sound pressure
levels.

Reason codes
------------
short_note : duration (s): pitch and level are less sure; no vibrato or wolf can be told
soft_note : snr_db: little above the noise between its partials
octave_unsure : score: the partials fit this note and another octave almost alike
below_family : lower than the family plays
too_short_for_beats : duration (s)
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import isfinite, nan, sqrt

import numpy as np

from resonance.reasons import Reason
from resonance.sound.recording import FloatArray, Take
from resonance.spectra.beats import (
    Vibrato,
    Wolf,
    find_vibrato,
    find_wolf,
    pitch_wave,
)
from resonance.spectra.comb import frame_length, note_pitch
from resonance.spectra.octaves import band_levels_db, power_spectrum, third_octaves
from resonance.spectra.partials import Track, follow, mean_pitch
from resonance.spectra.stretches import detection_curve, held_stretches
from resonance.spectra.weighting import weighting_power
from resonance.units import nearest_note

Progress = Callable[[float, str], None]
# Hz, lowest open string (a little flat) and the highest note looked for (common practice, no source)
RANGES = {
    "violin": (185.0, 3600.0),
    "viola": (123.0, 2400.0),
    "cello": (61.0, 1400.0),
    "bass": (29.0, 700.0),
    "other": (29.0, 3600.0),
}
DROPPED, DROPPED_SHARE = 0.3, 0.25  # s, and share of the note, left out at its start
RELEASE_DB = 8.0  # under the note's middle level: the bow has left
RELEASE, RELEASE_SHARE = 0.1, 0.1  # s, and share, left out before that
LONGEST = 6.0  # s of a note that are looked at, from its steady part's start
SHORT = 0.4  # s of steady part
FOR_BEATS = 0.8  # s of steady part that vibrato and wolf need
SAME_CENTS = 60.0  # neighbours without a gap that differ by less are one note
SOFT_DB = 20.0
LEAST_SNR_DB, LEAST_SCORE = 6.0, 0.3  # below either it is no note
BLOCK = 0.25  # s, over which a level holds together
OCTAVE_SURE = 0.55
WIDER_SCORE, WIDER_BY = 0.75, 0.1  # below the one a lower note is tried, and taken if better by the other


@dataclass(frozen=True)
class Partial:
    """One partial: number, level re the sum of all partials and its standard uncertainty, dB."""

    number: int
    db: float = nan
    db_u: float = nan


@dataclass(frozen=True, eq=False)
class BowedNote:
    """One bowed note.

    Parameters
    ----------
    pitch, pitch_u : float, Hz   mean over the note, and its standard uncertainty
    name, cents : nearest note of equal temperament at the job's pitch, and the cents from it
    start, end : float, s   of the note in its take
    steady : (float, float), s   the part that was measured
    take : int   index of the take
    string : str   open string it was played on, such as 'G3'; '' when not known
    level_db, level_a_db, level_u_db : dB re mean square 1, flat (Z) and A-weighted; standard uncertainty of
        either from the bow's unevenness within the note
    partials : tuple of Partial
    pitch_sd_cents, level_sd_db : float   steadiness: slow changes within the note, vibrato included
    vibrato : Vibrato or None
    wolf : Wolf or None
    snr_db : float   partials over the noise between them
    bands_db : tuple of float, dB re mean square 1   third octaves of `resonance.spectra.octaves`
    reasons : tuple of Reason
    """

    pitch: float
    pitch_u: float = nan
    name: str = ""
    cents: float = nan
    start: float = nan
    end: float = nan
    steady: tuple[float, float] = (nan, nan)
    take: int = 0
    string: str = ""
    level_db: float = nan
    level_a_db: float = nan
    level_u_db: float = nan
    partials: tuple[Partial, ...] = ()
    pitch_sd_cents: float = nan
    level_sd_db: float = nan
    vibrato: Vibrato | None = None
    wolf: Wolf | None = None
    snr_db: float = nan
    bands_db: tuple[float, ...] = ()
    reasons: tuple[Reason, ...] = ()


def find_notes(
    takes: Sequence[Take],
    *,
    family: str = "violin",
    pitch_a4: float = 440.0,
    progress: Progress | None = None,
) -> tuple[BowedNote, ...]:
    """Find the held notes of some takes and measure each; the first channel of sound of each take is heard.

    Parameters
    ----------
    takes : sequence of Take
    family : str   tells which notes to expect
    pitch_a4 : float, Hz   that deviations are reckoned from (ISO 16: 440)
    progress : callable or None

    Returns
    -------
    tuple of BowedNote, in the order of the takes and of their time
    """
    found: list[BowedNote] = []
    for index, take in enumerate(takes):
        channel = next((k for k in range(take.recording.n_channels) if take.role(k) == "sound"), None)
        if channel is None:
            continue
        sound, rate = take.recording.samples[:, channel], take.recording.sample_rate
        lowest, highest = RANGES.get(family, RANGES["other"])
        how = {"lowest": lowest, "highest": highest, "pitch_a4": pitch_a4}
        stretches = held_stretches(detection_curve(sound, rate, lowest=lowest, highest=highest))
        own: list[tuple[int, BowedNote]] = []
        for number, (start, end, run) in enumerate(stretches):
            if progress:
                part = (number + 1) / len(stretches)
                progress((index + part) / len(takes), f"note {number + 1} of {len(stretches)}")
            note = measure_note(sound, rate, (start, end), **how)
            if note and own and own[-1][0] == run and _same(own[-1][1], note):
                note = measure_note(sound, rate, (own.pop()[1].start, end), **how) or note
            if note:
                own.append((run, note))
        found += [replace(note, take=index) for _, note in own]
    return tuple(found)


def _same(first: BowedNote, second: BowedNote) -> bool:
    """Whether two stretches without a silence between are one note of which the middle was not understood."""
    return bool(abs(1200.0 * np.log2(second.pitch / first.pitch)) < SAME_CENTS)


def measure_note(
    sound: FloatArray,
    sample_rate: float,
    stretch: tuple[float, float],
    *,
    lowest: float,
    highest: float,
    pitch_a4: float = 440.0,
) -> BowedNote | None:
    """Measure one note.

    Parameters
    ----------
    sound : array (n_samples,)   of the whole take
    stretch : (float, float), s   where the note is held
    lowest, highest : float, Hz   where its pitch may lie
    pitch_a4 : float, Hz

    Returns
    -------
    BowedNote, or None where no pitch can be told
    """
    start, end = steady_part(sound, sample_rate, stretch)
    part = sound[int(start * sample_rate) : int(end * sample_rate)]
    near, score, outside = _near(part, sample_rate, lowest, highest)
    track = follow(part, sample_rate, near) if isfinite(near) else None
    if track is None:
        return None
    pitch, pitch_u = mean_pitch(track)
    snr_db = _snr_db(track)
    if not abs(pitch / near - 1.0) < 0.06 or snr_db < LEAST_SNR_DB or score < LEAST_SCORE:
        return None
    name, cents = nearest_note(pitch, pitch_a4=pitch_a4)
    wave, _ = pitch_wave(track)
    blocks = _block_levels(part, sample_rate)
    grid, power = power_spectrum(part, sample_rate)
    return BowedNote(
        pitch,
        pitch_u,
        name,
        cents,
        *stretch,
        steady=(start, end),
        level_db=10.0 * float(np.log10(power.sum() + 1e-30)),
        level_a_db=10.0 * float(np.log10(power @ weighting_power(grid, "A") + 1e-30)),
        level_u_db=float(np.std(blocks, ddof=1)) / sqrt(blocks.size) if blocks.size > 1 else nan,
        partials=partial_levels(track),
        pitch_sd_cents=float(np.std(wave)) if wave.size > 2 else nan,
        level_sd_db=float(np.std(blocks, ddof=1)) if blocks.size > 1 else nan,
        vibrato=find_vibrato(track) if end - start > FOR_BEATS else None,
        wolf=find_wolf(track) if end - start > FOR_BEATS else None,
        snr_db=snr_db,
        bands_db=tuple(band_levels_db(grid, power, third_octaves()).tolist()),
        reasons=(*_reasons(end - start, snr_db, score), *outside),
    )


def _near(
    part: FloatArray, rate: float, lowest: float, highest: float
) -> tuple[float, float, tuple[Reason, ...]]:
    """Rough pitch and score; a note that the family does not play is told as what it is, and said so."""
    near, score = note_pitch(_middle(part, rate, lowest), rate, lowest=lowest, highest=highest)
    low = RANGES["other"][0]
    if score < WIDER_SCORE and lowest > low:
        wider, better = note_pitch(_middle(part, rate, low), rate, lowest=low, highest=lowest)
        if better > score + WIDER_BY:
            return wider, better, (Reason("below_family"),)
    return near, score, ()


def steady_part(sound: FloatArray, sample_rate: float, stretch: tuple[float, float]) -> tuple[float, float]:
    """Stretch without onset and release, s; at most `LONGEST` of it."""
    step = round(0.02 * sample_rate)
    first, last = max(0, int(stretch[0] * sample_rate)), int(stretch[1] * sample_rate)
    piece = sound[first:last]
    n = max(1, piece.size // step)
    level = 10.0 * np.log10(np.mean(piece[: n * step].reshape(n, -1) ** 2, axis=1) + 1e-20)
    held = np.flatnonzero(level > np.median(level) - RELEASE_DB)
    begins, ends = first + held[0] * step, first + (held[-1] + 1) * step
    length = (ends - begins) / sample_rate
    start = begins / sample_rate + min(DROPPED, DROPPED_SHARE * length)
    end = ends / sample_rate - min(RELEASE, RELEASE_SHARE * length)
    return float(start), float(min(end, start + LONGEST))


def _middle(part: FloatArray, rate: float, lowest: float) -> FloatArray:
    """As much from the middle of a note as tells which note it is."""
    size = int(max(0.6, 4.0 * frame_length(lowest)) * rate)
    start = max(0, (part.size - size) // 2)
    return part[start : start + size]


def _block_levels(part: FloatArray, rate: float) -> FloatArray:
    """Levels of quarter seconds, dB; array (n,)."""
    step = int(BLOCK * rate)
    n = part.size // step
    return np.asarray(10.0 * np.log10(np.mean(part[: n * step].reshape(n, step) ** 2, axis=1) + 1e-20))


def partial_levels(track: Track) -> tuple[Partial, ...]:
    """Levels of the partials that stand over the noise, re their sum, each with its uncertainty in time."""
    power = np.abs(track.partials) ** 2
    mean = np.mean(power, axis=1) - track.noise
    heard = mean > track.noise
    total = float(np.sum(mean[heard])) or 1.0
    size = max(1, round(BLOCK / track.step))
    n = power.shape[1] // size
    found = []
    for k in np.flatnonzero(heard):
        blocks = power[k, : n * size].reshape(n, size).mean(axis=1) if n > 1 else np.zeros(0)
        spread = float(np.std(blocks, ddof=1)) / sqrt(n) / float(mean[k]) if n > 1 else nan
        found.append(Partial(int(k) + 1, 10.0 * float(np.log10(mean[k] / total)), 4.343 * spread))
    return tuple(found)


def _snr_db(track: Track) -> float:
    """Partials over the noise between them, both in one value of all partials."""
    power = float(np.sum(np.mean(np.abs(track.partials) ** 2, axis=1)))
    return 10.0 * float(np.log10(max(power / float(np.sum(track.noise)), 1e-3)))


def _reasons(duration: float, snr_db: float, score: float) -> tuple[Reason, ...]:
    found = []
    if duration < SHORT:
        found.append(Reason("short_note", {"duration": duration}))
    elif duration < FOR_BEATS:
        found.append(Reason("too_short_for_beats", {"duration": duration}))
    if snr_db < SOFT_DB:
        found.append(Reason("soft_note", {"snr_db": snr_db}))
    if score < OCTAVE_SURE:
        found.append(Reason("octave_unsure", {"score": score}))
    return tuple(found)
