"""What the maker reads while a set is taken: short, in large letters first, the reason in words behind."""

from math import isfinite

from resonance.modes.intervals import frequency_half_width
from resonance.modes.mode import Mode
from resonance.reasons import Reason
from resonance.report.numbers import half_width_text, measured, number
from resonance.report.words import mode_label, reason_words, reasons_words, sentence
from resonance.taking.level import LevelCheck
from resonance.taking.readings import Readings
from resonance.taking.session import Began, Checked, Done, Dropped, Event, Held, Hint, Judged, Move, Ready
from resonance.taps.tap import Tap

# The one word that stands in large letters for a refused tap; the first that fits is shown.
LARGE = {
    "clipped": "CLIPPED",
    "double_hit": "DOUBLE",
    "too_soon": "TOO SOON",
    "overlaps_next": "TOO SOON",
    "still_ringing": "RINGING",
    "too_quiet": "TOO SOFT",
    "sound_lost": "LOST",
    "unlike_others": "UNLIKE",
    "cut_short": "CUT",
    "dull": "DULL",
}
ENDS = {
    "full": "Done: the set is complete.",
    "finished": "Finished.",
    "idle": "Nothing came for a long while: finished.",
}
CAUTIONS = (
    "Light blows, on the bridge. Never on varnish, on an f-hole's wing, near a crack or an open seam.",
    "One blow, hands off until it has died away, then the next: about a second and a half apart.",
)
PLATE_CAUTIONS = (
    "Light blows with the flesh of a finger, at the same place each time. Never near a crack.",
    "One blow, hands off until it has died away, then the next.",
)
ONE_PLACE = (
    "One microphone place: quicker, but the room may bias every value, and one place cannot show how much."
)


BOWED = ("One long, even stroke a note, on one string: a second or more, then a pause.",)
CLAPS = ("Clap once, loudly, where you tap; two seconds of quiet; then the next.",)


def cautions(*, looked_for: str, piece: str, n_places: int = 2) -> tuple[str, ...]:
    """Give what to take care of while a set is taken; for bowed notes and claps how they are made."""
    if looked_for != "taps":
        return BOWED if looked_for == "bowed" else CLAPS
    if piece != "whole":
        return PLATE_CAUTIONS
    return CAUTIONS if n_places > 1 else (*CAUTIONS, ONE_PLACE)


HARDER = "a harder tip and a lighter blow show the upper notes"


def large_verdict(tap: Tap, n_kept: int, wanted: int) -> str:
    """Say a verdict in large letters: ``2 OF 4``, or what was wrong."""
    if tap.kept:
        return f"{n_kept} OF {max(wanted, n_kept)}"
    codes = [fault.code for fault in tap.faults]
    return next((LARGE[code] for code in LARGE if code in codes), "NO")


def verdict_line(tap: Tap, n_kept: int, wanted: int) -> str:
    """Say a verdict in one line: accepted or refused, why, and what would help a dull blow."""
    why = [*reasons_words(tap.faults)]
    if any(fault.code == "dull" for fault in tap.faults):
        why.append(HARDER)
    if not tap.kept:
        return sentence(f"✗ Refused: {'; '.join(why) or 'it cannot be used'}")
    return sentence("; ".join((f"✓ Accepted, {n_kept} of {max(wanted, n_kept)}", *why)))


def reading_line(mode: Mode) -> str:
    """Say a reading so far, e.g. ``B1−?  462.1 ± 0.6 Hz``."""
    name, words = reading_words(mode)
    return f"{name:<5} {words}"


def reading_words(mode: Mode) -> tuple[str, str]:
    """Give the name of a reading so far, and its value: ``B1−?`` and ``462.1 ± 0.6 Hz``."""
    return mode_label(mode) or "–", measured(mode.frequency, frequency_half_width(mode), "Hz")


def advice_line(readings: Readings) -> str:
    """Say whether more taps help: ``B1− to ± 0.6 Hz, go on``."""
    if readings.enough:
        return "More taps will not help now."
    if readings.widest is None:
        return "Go on."
    half = frequency_half_width(readings.widest)
    name = mode_label(readings.widest) or f"{number(readings.widest.frequency, 0)} Hz"
    return f"{name} to ± {half_width_text(half)} Hz, go on." if isfinite(half) else "Go on."


def level_lines(level: LevelCheck) -> tuple[str, ...]:
    """Say what the level check found."""
    said = [sentence(words) for words in reasons_words(level.reasons)]
    if not level.reasons or all(reason.code == "hum_heard" for reason in level.reasons):
        said.insert(
            0, f"Quiet enough: taps should stand about {number(level.expected_db, 0)} dB above the room."
        )
    return tuple(said)


def hint_line(reason: Reason) -> str:
    """Say something that would help."""
    return sentence(reason_words(reason))


def move_line(place: str, *, press: str = "a key") -> str:
    """Ask for the microphone to be moved."""
    where = f"to: {place}" if place else "to its second place"
    return f"Move the microphone {where}. Then press {press} and tap on."


def event_lines(event: Event, wanted: int, *, sample_rate: float, press: str = "a key") -> list[str]:
    """Say an event in lines; none for what needs no words.

    Parameters
    ----------
    wanted : int   taps wanted at each place
    press : str   what is pressed once the microphone has moved
    """
    if isinstance(event, Judged):
        return [verdict_line(event.tap, event.n_kept, wanted)]
    if isinstance(event, Held):
        held = event.note.end - event.note.start
        return [f"✓ Note {event.n_kept} of {max(wanted, event.n_kept)}, {held:.1f} s."]
    if isinstance(event, Move):
        return [move_line(event.place, press=press)]
    if isinstance(event, Checked):
        return list(level_lines(event.level))
    if isinstance(event, Hint):
        return [hint_line(event.reason)]
    if isinstance(event, Dropped):
        return [f"Taken back; {event.n_kept} of {wanted} left."]
    if isinstance(event, Done):
        return [ENDS.get(event.why, "Done.")]
    if isinstance(event, Ready):
        return [f"Ready, {sample_rate:.0f} Hz."]
    if isinstance(event, Began) and event.take:
        return ["Tap on."]
    return []


def large_words(event: Event, wanted: int) -> str:
    """Say what stands in large letters after an event, its sign first; '' leaves what stands there."""
    if isinstance(event, Judged):
        return f"{'✓' if event.tap.kept else '✗'} {large_verdict(event.tap, event.n_kept, wanted)}"
    if isinstance(event, Held):
        return f"✓ {event.n_kept} OF {max(wanted, event.n_kept)}"
    if isinstance(event, Move):
        return "MOVE MIC"
    if isinstance(event, Dropped):
        return f"{event.n_kept} OF {wanted}"
    if isinstance(event, Done):
        return "DONE"
    return "READY" if isinstance(event, Ready | Began) else ""
