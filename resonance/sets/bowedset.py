"""A bowed set: the notes of one sitting, which string each was played on, and what they say together.

The short set is the open strings and the semitones around a suspect note, each twice; the long one all
semitones on each string (14 a string, as loud as possible, no vibrato, constant distance: Hutchins 1967,
Physics Today).

Reason codes
------------
no_notes : no held note was found
not_repeated : no note was played twice, so the player's variation is not known
few_notes : n: too few to judge how even they are
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import pairwise
from math import isfinite, nan

import numpy as np

from resonance.modes.mode import Mode
from resonance.modes.ranges import OPEN_STRINGS
from resonance.reasons import Reason
from resonance.sets.setup import Setup
from resonance.sets.tapset import Climate, Conditions
from resonance.sound.recording import FloatArray, Recording, Take, as_take
from resonance.spectra.bowed import BowedNote, find_notes
from resonance.spectra.octaves import third_octaves
from resonance.units import cents, note_frequency

Progress = Callable[[float, str], None]
METHOD = 1  # of reading bowed notes; sets of different numbers are read anew before they are compared
OPEN_CENTS = 70.0  # a run that begins so near to an open string begins on it
DOWN_CENTS = 150.0  # a fall that begins a new run
FEWEST = 4  # notes
SUPPRESSOR = ("suppressor_string", "suppressor_mm", "suppressor_g")


@dataclass(frozen=True, eq=False)
class BowedSet:
    """Bowed notes of one sitting.

    Parameters
    ----------
    id : str
    taken : aware datetime or None
    notes : tuple of BowedNote
    takes : tuple of Take
    family : str;  pitch_a4 : float, Hz
    setup, climate, conditions : as noted by the maker
    severity : int or None   of the wolf by the maker's hand and ear, 0 (none) to 3
    bands : tuple of float, Hz   centres of the third octaves that `BowedNote.bands_db` holds
    method : int   `METHOD` that read the notes
    reasons : tuple of Reason
    """

    id: str
    taken: datetime | None = None
    notes: tuple[BowedNote, ...] = ()
    takes: tuple[Take, ...] = ()
    family: str = "violin"
    pitch_a4: float = 440.0
    setup: Setup = field(default_factory=Setup)
    climate: Climate = field(default_factory=Climate)
    conditions: Conditions = field(default_factory=Conditions)
    severity: int | None = None
    bands: tuple[float, ...] = ()
    method: int = METHOD
    reasons: tuple[Reason, ...] = ()


@dataclass(frozen=True)
class NoteGroup:
    """One note on one string, as often as it was played.

    Parameters
    ----------
    name, string : str
    pitch : float, Hz   mean
    count : int   times played
    level_db, level_a_db : float, dB   mean, flat and A-weighted
    spread_db : float, dB   standard deviation of the times, NaN for one
    """

    name: str
    string: str = ""
    pitch: float = nan
    count: int = 0
    level_db: float = nan
    level_a_db: float = nan
    spread_db: float = nan


@dataclass(frozen=True)
class WolfNote:
    """A note that beats, and the mode of the body it sits on.

    Parameters
    ----------
    note : int   index into the notes of its set
    mode : float, Hz   nearest body or air mode of the tap set, NaN where none lies within a whole tone
    mode_u : float, Hz
    label : str or None   of that mode
    apart_cents, apart_u_cents : float   pitch above the mode
    coupled_share : float   a string of more than this share of the mode's effective mass at the bridge
        couples strongly to it: pi^2 / (4 Q^2) = (pi zeta)^2 (Gough 1981, Acustica 49, from memory); NaN
        without a mode
    """

    note: int
    mode: float = nan
    mode_u: float = nan
    label: str | None = None
    apart_cents: float = nan
    apart_u_cents: float = nan
    coupled_share: float = nan


def analyse_bowed(
    takes: Sequence[Take | Recording],
    *,
    family: str = "violin",
    pitch_a4: float = 440.0,
    strings: Sequence[str] = (),
    taken: datetime | None = None,
    setup: Setup | None = None,
    climate: Climate | None = None,
    conditions: Conditions | None = None,
    progress: Progress | None = None,
) -> BowedSet:
    """Find and measure the bowed notes of one sitting.

    Parameters
    ----------
    takes : sequence of Take or Recording
    strings : the string each take was played on, such as 'G3', '' where it holds several; or one for all
    others : see `BowedSet`

    Raises
    ------
    ValueError   when the number of strings fits neither one nor the number of takes
    """
    whole = [as_take(item) for item in takes]
    if len(strings) not in (0, 1, len(whole)):
        raise ValueError(f"{len(strings)} strings for {len(whole)} recordings; give one, or one for each")
    notes = find_notes(whole, family=family, pitch_a4=pitch_a4, progress=progress)
    given = list(strings) * (len(whole) if len(strings) == 1 else 1) or [""] * len(whole)
    placed: list[BowedNote] = []
    for index, string in enumerate(given):
        own = [note for note in notes if note.take == index]
        placed += (
            [replace(note, string=string) for note in own] if string else on_strings(own, family, pitch_a4)
        )
    return BowedSet(
        "",
        taken,
        tuple(placed),
        tuple(whole),
        family,
        pitch_a4,
        setup or Setup(),
        climate or Climate(),
        conditions or Conditions(),
        bands=tuple(third_octaves().tolist()),
        reasons=_reasons(placed),
    )


def _reasons(notes: Sequence[BowedNote]) -> tuple[Reason, ...]:
    if not notes:
        return (Reason("no_notes"),)
    groups = note_groups(notes)
    found = [] if any(group.count > 1 for group in groups) else [Reason("not_repeated")]
    return (*found, *([Reason("few_notes", {"n": float(len(groups))})] if len(groups) < FEWEST else []))


def on_strings(notes: Sequence[BowedNote], family: str, pitch_a4: float = 440.0) -> list[BowedNote]:
    """Name the string of each note of a scale: a rising run that begins on an open string stays on it.

    A note of which that cannot be said keeps ''.
    """
    names = OPEN_STRINGS.get(family, ())
    opens = np.array([note_frequency(name, pitch_a4=pitch_a4) for name in names])
    placed: list[BowedNote] = []
    string, last = "", nan
    for k, note in enumerate(notes):
        fell = not isfinite(last) or float(cents(note.pitch, last)) < -DOWN_CENTS
        if fell:
            string = _open_at(note.pitch, names, opens) if _rises(notes, k) else ""
        placed.append(replace(note, string=string))
        last = note.pitch
    return placed


def _open_at(pitch: float, names: Sequence[str], opens: FloatArray) -> str:
    if not opens.size:
        return ""
    off = np.abs(cents(pitch, opens))
    return names[int(np.argmin(off))] if off.min() < OPEN_CENTS else ""


def _rises(notes: Sequence[BowedNote], k: int) -> bool:
    """Whether the notes from here go up by steps: three different ones, none more than a whole tone up."""
    pitches = [note.pitch for note in notes[k : k + 6]]
    steps = [float(cents(b, a)) for a, b in pairwise(pitches)]
    ups = 0
    for step in steps:
        if not -DOWN_CENTS < step < 250.0:
            break
        ups += step > 50.0
    return ups >= 2


def note_groups(notes: Sequence[BowedNote]) -> tuple[NoteGroup, ...]:
    """Gather notes by name and string, by string and rising pitch."""
    found: dict[tuple[str, str], list[BowedNote]] = {}
    for note in notes:
        found.setdefault((note.string, note.name), []).append(note)
    groups = []
    for (string, name), own in found.items():
        levels = [note.level_db for note in own]
        groups.append(
            NoteGroup(
                name,
                string,
                float(np.mean([note.pitch for note in own])),
                len(own),
                float(np.mean(levels)),
                float(np.mean([note.level_a_db for note in own])),
                float(np.std(levels, ddof=1)) if len(own) > 1 else nan,
            )
        )
    lowest = {s: min(g.pitch for g in groups if g.string == s) for s in {g.string for g in groups}}
    return tuple(sorted(groups, key=lambda g: (lowest[g.string], g.pitch)))


def player_variation(groups: Sequence[NoteGroup]) -> tuple[float, int]:
    """Standard deviation (dB) of one stroke about the mean of its repeats, pooled, and its dof.

    (NaN, 0) where nothing was repeated.
    """
    dof = sum(group.count - 1 for group in groups)
    if dof < 1:
        return nan, 0
    total = sum((group.count - 1) * group.spread_db**2 for group in groups if group.count > 1)
    return float(np.sqrt(total / dof)), dof


def wolf_notes(notes: Sequence[BowedNote], modes: Sequence[Mode] = ()) -> tuple[WolfNote, ...]:
    """Notes that beat, strongest first, each with the mode it sits on, within a whole tone."""
    body = [mode for mode in modes if mode.kind in ("body", "air", "unsure")]
    found = []
    for index, note in enumerate(notes):
        if note.wolf is None:
            continue
        near = min(body, key=lambda mode: abs(float(cents(note.pitch, mode.frequency))), default=None)
        apart = float(cents(note.pitch, near.frequency)) if near else nan
        if near is None or abs(apart) > 200.0:
            found.append(WolfNote(index))
            continue
        relative = np.hypot(note.pitch_u / note.pitch, near.frequency_u / near.frequency)
        found.append(
            WolfNote(
                index,
                near.frequency,
                near.frequency_u,
                near.label,
                apart,
                float(1731.2 * relative),
                float((np.pi * near.damping) ** 2),
            )
        )
    return tuple(sorted(found, key=lambda each: -_depth(notes[each.note])))


def _depth(note: BowedNote) -> float:
    return note.wolf.depth if note.wolf else 0.0


def strong_coupling(string_mass_g: float, body_mass_g: float, quality: float, *, partial: int = 1) -> bool:
    """Whether a string splits the mode it meets: m / (n^2 M) > pi^2 / (4 Q^2).

    Gough 1981, Acustica 49, and Fletcher & Rossing, both from memory. Information beside a wolf, not a
    verdict: the effective mass of the body at the bridge is hardly ever known at the bench.

    Parameters
    ----------
    string_mass_g : float, g   of the vibrating length
    body_mass_g : float, g   effective mass of the mode at the bridge
    quality : float   Q of the mode
    partial : int   of the string that meets it
    """
    return string_mass_g / (partial**2 * body_mass_g) > np.pi**2 / (4.0 * quality**2)


def suppressor_of(setup: Setup) -> Mapping[str, str | float]:
    """Give where a wolf suppressor sits: string, mm from the bridge, grams; empty where none is noted."""
    noted = {name: getattr(setup.fittings, name) for name in SUPPRESSOR}
    return {k: v for k, v in noted.items() if (v if isinstance(v, str) else isfinite(v))}


def average_bands(notes: Sequence[BowedNote]) -> FloatArray:
    """Long-term average: third octaves of the notes, each counting alike; dB, array (n_bands,).

    Each note is first brought to the same level, so that a loud stroke does not decide. NaN where no note was
    long enough to tell a band.
    """
    if not notes:
        return np.zeros(0)
    relative = np.array([np.asarray(note.bands_db) - note.level_db for note in notes])
    power = 10.0 ** (0.1 * relative)
    counts = np.sum(np.isfinite(power), axis=0)
    total = np.nansum(power, axis=0)
    return np.asarray(np.where(counts > 0, 10.0 * np.log10(total / np.maximum(counts, 1) + 1e-30), nan))
