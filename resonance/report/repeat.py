"""How to repeat the reading: as the last tap set was taken, with the drawing of its places."""

from collections.abc import Sequence

from resonance.jobs.job import Job
from resonance.report.blocks import Facts, Items, Paragraph, Picture, Section
from resonance.report.facts import Pairs, climate_words, places_of
from resonance.report.numbers import plain
from resonance.report.words import count_words, list_words, set_words
from resonance.sets.tapset import TapSet

AS_THEN = (
    "A reading can be compared with these only where it was taken in the same way: what is held, damped, "
    "tapped and heard otherwise moves the numbers by itself."
)


def repeat_section(job: Job, pictures: Sequence[Picture]) -> Section:
    """Say how the last tap set was taken, so that it can be taken again; with the drawing of its places."""
    title = "How to repeat the reading"
    if not job.sets:
        return Section(title, name="repeat")
    last = job.sets[-1]
    drawn = [picture for picture in pictures if picture.place == "repeat"]
    said = Facts(_how(last), title=f"As {set_words(last.id)} was taken", wide=True)
    steps = Items(_steps(last, whole=job.instrument.piece == "whole"), title="Step by step")
    return Section(title, (said, *drawn, steps, Paragraph(AS_THEN, "small")), name="repeat")


def _how(tap_set: TapSet) -> Pairs:
    conditions = tap_set.conditions
    taps, heard = places_of(tap_set)
    kept = sum(tap.kept for tap in tap_set.taps)
    rows = (
        ("Held", conditions.holding),
        ("Strings damped", conditions.string_damping),
        ("Tapped at", list_words(taps)),
        ("Microphone", conditions.microphone),
        ("Microphone at", list_words(heard)),
        ("Taps used", str(kept) if tap_set.taps else ""),
        ("Air", climate_words(tap_set.climate)),
        ("Tuned to", f"A4 = {plain(tap_set.setup.pitch_a4, 'Hz')}" if tap_set.setup.pitch_a4 > 0.0 else ""),
    )
    return tuple((name, words or "not noted") for name, words in rows)


def _steps(tap_set: TapSet, *, whole: bool) -> tuple[str, ...]:
    """Say the steps; a free plate has no strings, bridge or post."""
    n = count_words(max(4, sum(tap.kept for tap in tap_set.taps)), "tap")
    strings = (
        "Tune the strings to pitch, see that the bridge stands square, and damp the strings, after-lengths "
        "too, so that none rings.",
    )
    return (
        "Let the instrument lie in the room for some hours; note temperature and humidity.",
        *(strings if whole else ()),
        "Hold it as it was held, and put the microphone where it stood.",
        f"Tap lightly at the same place, one blow at a time, and let each die away: {n} in all.",
        "Take it down, put it back and repeat: how far the readings wander by themselves is the yardstick "
        "for every change.",
    )
