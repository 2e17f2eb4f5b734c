"""What the maker noted, in words: instrument, setup, adjustments, climate, conditions. Only what is noted.

Pairs are (name, words). Post positions are measured from the treble bridge foot: behind it, and in from its
outer edge; moves are told as towards or away from the bridge, in or out.
"""

from math import isfinite

from resonance.report.numbers import plain
from resonance.report.words import count_words, day_words, label_sign, list_words
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Adjustment, Bridge, Fittings, Post, Setup, String, Tail
from resonance.sets.tapset import CHECKS, Climate, Conditions, TapSet

Pairs = tuple[tuple[str, str], ...]

PART_WORDS = {
    "soundpost": "soundpost",
    "bridge": "bridge",
    "strings": "strings",
    "tail": "tailpiece and cord",
    "fitting": "fittings",
    "body": "body",
    "other": "other work",
}
STAGE_WORDS = {
    "white": "in the white",
    "bar in": "bar in",
    "closed": "body closed",
    "varnished": "varnished",
    "strung": "strung",
    "reopened": "reopened",
}
PIECE_WORDS = {"whole": "", "top": "free top plate", "back": "free back plate"}


def instrument_facts(instrument: Instrument, *, owner: bool = False) -> Pairs:
    """Give what is noted of the instrument; the owner and the notes only when asked for."""
    pairs = [
        ("Instrument", kind_of_instrument(instrument)),
        ("Maker", instrument.maker),
        ("Year", instrument.year),
        ("Body length", _measure(instrument.body_mm, "mm")),
        ("String length", _measure(instrument.string_length_mm, "mm")),
    ]
    if owner:
        pairs += [("Owner", instrument.owner), ("Notes", instrument.notes)]
    return _noted(pairs)


def kind_of_instrument(instrument: Instrument) -> str:
    """Say what it is, e.g. ``viola`` or ``violin, free top plate``."""
    kind = instrument.family if instrument.family != "other" else "instrument of another family"
    piece = PIECE_WORDS.get(instrument.piece, instrument.piece)
    return ", ".join(filter(None, [kind, piece]))


def setup_facts(setup: Setup) -> Pairs:
    """Give what is noted of the setup, one line for each part."""
    return _noted(
        [
            ("Stage", STAGE_WORDS.get(setup.stage, setup.stage)),
            ("Soundpost", _post(setup.post)),
            ("Bridge", _bridge(setup.bridge)),
            ("Strings", "; ".join(_string(string) for string in setup.strings)),
            ("Tail", _tail(setup.tail)),
            ("Fittings", _fittings(setup.fittings)),
            ("Projection", _measure(setup.projection_mm, "mm")),
            ("String height", _measure(setup.string_height_mm, "mm")),
            ("Tuned to", _measure(setup.pitch_a4, "Hz", before="A4 = ")),
        ]
    )


def adjustment_words(adjustment: Adjustment, *, longest: int = 0) -> str:
    """Say an adjustment in one line, e.g. ``Soundpost 0.25 mm away from the bridge: a hair tighter``.

    Parameters
    ----------
    adjustment : Adjustment
    longest : int   letters at most, for a figure, where the note goes first; 0 for no limit

    Returns
    -------
    str   the maker's own words behind the measures; the part alone, "adjusted", where nothing is noted
    """
    part = PART_WORDS.get(adjustment.part, adjustment.part)
    moves = move_words(adjustment.along_mm, adjustment.across_mm)
    end = {"top": "at the top end", "bottom": "at the bottom end"}.get(adjustment.end, "")
    measures = " ".join(filter(None, [moves, end]))
    note = " ".join(adjustment.note.split())
    if measures:
        text = f"{part} {measures}" + (f": {note}" if note else "")
    else:
        text = f"{part}: {note}" if note else f"{part} adjusted"
    text = text[0].upper() + text[1:]
    if measures and 0 < longest < len(text):
        text = text.split(":")[0]
    return shortened(text, longest)


def move_words(along_mm: float, across_mm: float) -> str:
    """Say a move of the post, e.g. ``0.25 mm away from the bridge and 0.1 mm in``; '' for none."""
    return list_words(filter(None, [_along(along_mm), _across(across_mm)]))


def shortened(text: str, longest: int) -> str:
    """Cut text to so many letters at a space, with … behind; 0 for no limit."""
    if longest <= 0 or len(text) <= longest:
        return text
    cut = text[: longest - 1]
    return (cut.rsplit(" ", 1)[0] if " " in cut[longest // 2 :] else cut).rstrip(" ,:;") + "…"


def climate_words(climate: Climate) -> str:
    """Say the air at the bench, e.g. ``21.5 °C, 45 % humidity``; '' when not noted."""
    return ", ".join(filter(None, climate_cells(climate)))


def climate_cells(climate: Climate) -> tuple[str, str, str]:
    """Say temperature, humidity and hours in the room, each '' when not noted."""
    return (
        _measure(climate.temperature_c, "°C"),
        _measure(climate.humidity_percent, "% humidity"),
        _measure(climate.hours_in_room, "h in the room"),
    )


def conditions_words(conditions: Conditions) -> str:
    """Say how a tap set was taken: holding, strings, microphone, weight; '' when nothing is noted."""
    parts = [
        conditions.holding and f"held: {conditions.holding}",
        conditions.string_damping and f"strings damped: {conditions.string_damping}",
        conditions.microphone and f"microphone: {conditions.microphone}",
        _measure(conditions.mass_g, "g", before="weight "),
    ]
    return "; ".join(part for part in parts if part)


def checks_words(conditions: Conditions) -> str:
    """Say the quick checks, those out of order first; '' when none was made."""
    names = [*CHECKS, *(name for name in conditions.checks if name not in CHECKS)]
    wrong = [name for name in names if conditions.checks.get(name) is False]
    right = [name for name in names if conditions.checks.get(name) is True]
    unchecked = [name for name in names if conditions.checks.get(name) is None]
    if not wrong and not right:
        return ""
    parts = [
        f"not in order: {list_words(wrong)}" if wrong else "",
        f"in order: {list_words(right)}" if right else "",
        f"not checked: {list_words(unchecked)}" if unchecked else "",
    ]
    return "; ".join(filter(None, parts))


def places_of(tap_set: TapSet) -> tuple[list[str], list[str]]:
    """Give the places that a tap set was tapped at and heard from, each once, as noted."""
    taps = dict.fromkeys(take.tap_place for take in tap_set.takes if take.tap_place)
    heard = dict.fromkeys(take.microphone_place for take in tap_set.takes if take.microphone_place)
    return list(taps), list(heard)


def places_words(tap_set: TapSet) -> str:
    """Say where a tap set was tapped and heard; '' when no place is noted."""
    taps, heard = places_of(tap_set)
    parts = [
        f"tap place: {list_words(taps)}" if taps else "",
        f"microphone place: {list_words(heard)}" if heard else "",
    ]
    return "; ".join(filter(None, parts))


def taps_words(tap_set: TapSet) -> str:
    """Say how many taps were used and refused, e.g. ``9 taps used, 2 refused``."""
    kept = sum(tap.kept for tap in tap_set.taps)
    refused = len(tap_set.taps) - kept
    return f"{count_words(kept, 'tap')} used" + (f", {refused} refused" if refused else "")


def _along(along_mm: float) -> str:
    if not isfinite(along_mm) or along_mm == 0.0:
        return ""
    return plain(abs(along_mm), "mm") + (" away from the bridge" if along_mm > 0 else " towards the bridge")


def _across(across_mm: float) -> str:
    if not isfinite(across_mm) or across_mm == 0.0:
        return ""
    return plain(abs(across_mm), "mm") + (" in" if across_mm > 0 else " out")


def _post(post: Post) -> str:
    position = [
        _measure(post.behind_mm, "mm behind the bridge foot"),
        _measure(post.inward_mm, "mm in from its outer edge"),
    ]
    at = ", ".join(filter(None, position))
    if at and isfinite(post.position_u_mm) and post.position_u_mm > 0:
        at += f" (read to about {plain(post.position_u_mm, 'mm')})"
    parts = [
        at,
        _measure(post.length_mm, "mm long"),
        _measure(post.diameter_mm, "mm thick"),
        post.fit and f"fit: {post.fit}",
        "on the bass side" if post.side == "bass" else "",
    ]
    return ", ".join(filter(None, parts))


def _bridge(bridge: Bridge) -> str:
    lean = ""
    if isfinite(bridge.lean_mm):
        way = "fingerboard" if bridge.lean_mm > 0 else "tailpiece"
        lean = f"leans {plain(abs(bridge.lean_mm), 'mm')} to the {way}" if bridge.lean_mm else "stands square"
    parts = [_measure(bridge.height_mm, "mm high"), _measure(bridge.mass_g, "g"), lean, bridge.note]
    return ", ".join(filter(None, parts))


def _string(string: String) -> str:
    details = [
        string.gauge_note,
        _measure(string.tension_n, "N"),
        f"fitted {day_words(string.fitted)}" if string.fitted else "",
    ]
    known = ", ".join(filter(None, details))
    return label_sign(string.name) + (f" ({known})" if known else "")


def _tail(tail: Tail) -> str:
    cord = " ".join(filter(None, [tail.cord_material, _measure(tail.cord_length_mm, "mm")]))
    parts = [
        _measure(tail.tailpiece_mass_g, "g", before="tailpiece "),
        cord and f"cord {cord}",
        _measure(tail.afterlength_mm, "mm", before="afterlength "),
        count_words(tail.fine_tuners, "fine tuner") if tail.fine_tuners is not None else "",
    ]
    return ", ".join(filter(None, parts))


def _fittings(fittings: Fittings) -> str:
    rest = ", ".join(filter(None, [fittings.chin_rest_type, fittings.chin_rest_place]))
    suppressor = ", ".join(
        filter(
            None,
            [
                fittings.suppressor_string and f"on the {fittings.suppressor_string} string",
                _measure(fittings.suppressor_mm, "mm"),
                _measure(fittings.suppressor_g, "g"),
            ],
        )
    )
    parts = [
        rest and f"chin rest: {rest}",
        {True: "mute parked on the strings", False: "no mute on the strings"}.get(fittings.mute_parked, "")
        if fittings.mute_parked is not None
        else "",
        suppressor and f"wolf suppressor: {suppressor}",
    ]
    return "; ".join(filter(None, parts))


def _measure(value: float | None, unit: str, *, before: str = "") -> str:
    if value is None or not isfinite(value):
        return ""
    return before + plain(value, unit)


def _noted(pairs: list[tuple[str, str]]) -> Pairs:
    return tuple((name, words) for name, words in pairs if words)
