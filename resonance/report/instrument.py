"""Instrument and setup measures as they were and as they are, and the quick checks made at each tap set."""

from collections.abc import Sequence
from itertools import groupby

from resonance.jobs.job import Job
from resonance.report.blocks import Block, Facts, Paragraph, Section, table_of
from resonance.report.facts import instrument_facts, setup_facts
from resonance.report.words import set_words
from resonance.sets.tapset import CHECKS, TapSet

CHECK_WORDS = {True: "in order", False: "not in order", None: "not checked"}


def instrument_section(job: Job, *, bench: bool) -> Section:
    """Give what is noted of instrument and setup; measures that changed stand as they were, too."""
    blocks: list[Block] = [Facts(instrument_facts(job.instrument, owner=bench))]
    now = setup_facts(job.setup)
    was = _first_setup(job)
    changed = [(name, was[name], words) for name, words in now if name in was and was[name] != words]
    if now:
        blocks.append(Facts(now, title="Setup as it is now", wide=True))
    else:
        blocks.append(Paragraph("No setup is noted.", "small"))
    if changed:
        first = set_words(job.sets[0].id)
        columns = ("Measure", f"At {first}", "Now")
        blocks.append(table_of(columns, changed, title=f"What changed since {first}"))
    if bench and job.notes:
        blocks.append(Facts((("Notes of the job", job.notes),), wide=True))
    return Section("Instrument and setup", tuple(blocks), name="instrument")


def _first_setup(job: Job) -> dict[str, str]:
    return dict(setup_facts(job.sets[0].setup)) if job.sets else {}


def checks_section(job: Job) -> Section:
    """Give the quick checks made at each tap set; tap sets alike in a row share a line."""
    title = "Quick checks"
    names = [*CHECKS, *dict.fromkeys(n for s in job.sets for n in s.conditions.checks if n not in CHECKS)]
    if not any(s.conditions.checks.get(name) is not None for s in job.sets for name in names):
        none = (Paragraph("No quick check is noted for any tap set."),) if job.sets else ()
        return Section(title, none, name="checks")
    cells = [(tuple(CHECK_WORDS[s.conditions.checks.get(n)] for n in names), s) for s in job.sets]
    runs = groupby(cells, key=lambda each: each[0])
    rows = [(_run([s for _, s in group]), *row) for row, group in runs]
    heads = tuple(name[:1].upper() + name[1:] for name in names)
    return Section(title, (table_of(("Tap sets", *heads), rows),), name="checks")


def _run(sets: Sequence[TapSet]) -> str:
    """Name tap sets in a row, e.g. ``1 to 4``."""
    ends = [set_words(s.id).removeprefix("tap set ") for s in (sets[0], sets[-1])]
    return ends[0] if len(sets) == 1 else " to ".join(ends)
