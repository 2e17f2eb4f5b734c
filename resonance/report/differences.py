"""What differs in how two tap sets were taken, conditions and places alike."""

from resonance.changes.conditions import changed_conditions
from resonance.changes.places import place_reasons
from resonance.jobs.job import Job
from resonance.report.blocks import Block, Items
from resonance.report.words import reasons_words, sentence, set_words
from resonance.sets.tapset import TapSet


def differs_blocks(job: Job, tap_set: TapSet) -> list[Block]:
    """Say what differs in the conditions from the tap set before it, places included."""
    ids = [each.id for each in job.sets]
    place = ids.index(tap_set.id)
    return difference_blocks(job.sets[place - 1], tap_set) if place else []


def difference_blocks(before: TapSet, tap_set: TapSet) -> list[Block]:
    """Say what differs in the conditions of two tap sets, places included."""
    reasons = [*changed_conditions(before, tap_set), *place_reasons(before, tap_set)]
    kept = [r for r in reasons if r.code != "place_not_noted" and r.values.get("side") != "before"]
    words = tuple(map(sentence, reasons_words(kept)))
    return [Items(words, title=f"Other than in {set_words(before.id)}")] if words else []
