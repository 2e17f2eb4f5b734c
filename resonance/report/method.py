"""How the numbers of a report were obtained, in small print, and what a report does not prove."""

from math import isfinite

from resonance.jobs.job import Job
from resonance.report.blocks import Block, Paragraph, Section, Signature
from resonance.report.numbers import number
from resonance.report.readings import pitch_of
from resonance.report.words import list_words, sentence, set_words
from resonance.sets.tapset import Analysis

STATEMENT = (
    "It tells how an instrument rang when it was tapped, on the days and under the conditions given. It "
    "proves neither the identity nor the value nor the condition of the instrument, and it is no "
    "judgement of its sound."
)
_FIT = (
    "Frequency and damping come from one fit to all the taps of a tap set that were used: each resonance "
    "rings at one frequency and dies away at one rate in all of them, and only its strength differs. The "
    "frequency of a resonance can differ from the nearest maximum of the spectrum; both are given. "
    "Damping is in percent of critical; Q is 50 divided by it."
)
_INTERVAL = (
    "Every ± is half the width of a 95 % interval. That of a reading covers the spread from tap to tap "
    "and how much of the decay is used and, of a whole instrument, what the taps show of the room; a room "
    "can do more. That of a shift also covers the put-back scatter: what taking the instrument down and "
    "putting it back does by itself. A shift that would have shown is one that would "
    "be found four times out of five."
)
_GUESSES = "A name with a question mark is a guess by the program; one without is the maker's."
_NAMES = "Names of resonances are those that the maker gave or confirmed."
_LEVELS = (
    "There is no measure of the blow's force: levels compare resonances or bands within a tap set, and "
    "nothing here is an absolute level."
)


def method_blocks(job: Job, *, guesses: bool = True) -> tuple[Block, ...]:
    """Say how the readings were obtained, with method number, versions, band and pitch."""
    names = _GUESSES if guesses else _NAMES
    texts = [_FIT, _INTERVAL, names, _LEVELS, _notes_words(job), *_analyses_words(job)]
    return tuple(Paragraph(text, "small") for text in texts if text)


def _notes_words(job: Job) -> str:
    pitches = sorted({pitch_of(tap_set) for tap_set in job.sets})
    if not pitches:
        return ""
    shown = list_words([f"{number(pitch, 0 if pitch == round(pitch) else 1)} Hz" for pitch in pitches])
    return f"Notes are those of equal temperament at A4 = {shown}."


def _analyses_words(job: Job) -> tuple[str, ...]:
    """Say method, versions and band once for all tap sets that share them."""
    shared: dict[str, list[str]] = {}
    for tap_set in job.sets:
        shared.setdefault(_analysis_words(tap_set.analysis), []).append(set_words(tap_set.id))
    if len(shared) == 1:
        return tuple(sentence(words) for words in shared)
    return tuple(sentence(f"{list_words(names)}: {words}") for words, names in shared.items())


def _analysis_words(analysis: Analysis) -> str:
    low, high = analysis.band
    libraries = [f"{name} {version}" for name, version in sorted(analysis.libraries.items())]
    parts = [
        f"method {analysis.method}" if analysis.method else "method not noted",
        f"resonance {analysis.program}" if analysis.program else "",
        f"with {list_words(libraries)}" if libraries else "",
        f"resonances looked for from {number(low, 0)} to {number(high, 0)} Hz"
        if isfinite(low) and isfinite(high)
        else "",
    ]
    return ", ".join(filter(None, parts))


def end_section() -> Section:
    """Give what the report is not, and the lines to sign on."""
    lines = Signature(("Place and date", "Name and signature"))
    return Section("What this report is not", (Paragraph(STATEMENT), lines), name="not")
