"""The put-back scatter of a job in words and as a table: what repeat tap sets differ by."""

from collections.abc import Mapping

from resonance.changes.comparison import Repeatability, Scatter
from resonance.jobs.job import Job
from resonance.report.blocks import Block, Items, Paragraph, table_of
from resonance.report.numbers import about_cents, number
from resonance.report.words import reasons_words, sentence
from resonance.sets.tapset import REPEAT_KINDS

FEW = 3  # repeat tap sets, below which the figure is loose
WHAT = {
    "untouched": "nothing touched, the set tapped again: the gentlest",
    "put back": "taken down and put back: yardstick for fittings and other light work",
    "slackened and retuned": "strings down and up again: yardstick for post, bridge, strings and tail",
}
SOURCES = {"this job": "repeat tap sets of this job", "this shop": "this shop's other jobs"}


def repeat_blocks(
    found: Repeatability, *, frequency: float = 460.0, names: Mapping[str, str] | None = None
) -> list[Block]:
    """Say how far readings wander by themselves, from which repeats, and what would sharpen it.

    Parameters
    ----------
    found : Repeatability
    frequency : float, Hz   of a resonance that makes cents plain
    names : mapping of track to its name, or None   for those whose scatter is not that of the others
    """
    kinds = {scatter.kind: scatter for scatter in found.kinds}
    blocks: list[Block] = [Paragraph(headline(found, frequency), "lead")]
    rows = [
        (kind, _size(kinds[kind], frequency), number(kinds[kind].dof, 0), WHAT[kind])
        for kind in REPEAT_KINDS
        if kind in kinds
    ]
    if rows:
        columns = ("Kind of repeat", "Scatter of one reading", "Weight", "What it is")
        note = ("Weight", "degrees of freedom: how surely the scatter is known; under 10 is loosely.")
        blocks.append(table_of(columns, rows, numeric=columns[1:3], notes=(note,)))
    own = [s for s in found.tracks if s.track in (names or {})]
    if own and names:
        lines = [
            (names[s.track or ""], s.kind, f"{number(s.scatter_cents, 1)} cents", number(s.dof, 0))
            for s in own
        ]
        columns = ("Resonance", "Kind of repeat", "Scatter of one reading", "Weight")
        blocks.append(
            table_of(
                columns, lines, numeric=columns[2:], title="By resonance, since they do not scatter alike"
            )
        )
    notes = [sentence(words) for words in reasons_words(found.reasons)]
    if notes:
        blocks.append(Items(tuple(notes), title="What it rests on"))
    blocks.append(Paragraph(advice(found)))
    return blocks


def headline(found: Repeatability, frequency: float) -> str:
    """Say the scatter in one sentence."""
    scatter = found.pooled
    size = f"about {_size(scatter, frequency)}"
    if scatter.source == "assumed":
        return f"Put-back scatter is not known yet; {size} is assumed."
    lifted = "" if scatter.kind else " over all repeats that put the instrument back"
    return f"Put-back scatter: {size}{lifted}, from {SOURCES.get(scatter.source, scatter.source)}."


def advice(found: Repeatability) -> str:
    """Say which repeat tap set would help most now."""
    sources = {scatter.kind: scatter.source for scatter in found.kinds if scatter.source != "assumed"}
    if found.pooled.source == "assumed":
        return (
            "Three repeat tap sets, ten minutes, show the true one: tap, take the instrument down, put it "
            "back, tap again. They serve every later job taken in the same way."
        )
    if "slackened and retuned" not in sources:
        return (
            "Before post or bridge work, a repeat with the strings slackened and retuned would help most: "
            "until then the assumed scatter judges such work."
        )
    retuned = [
        float(r.values["n"])
        for r in found.reasons
        if r.code == "repeats_used" and r.values.get("kind") == "slackened and retuned"
    ]
    if max(retuned, default=0.0) < FEW:
        return (
            "One more repeat with the strings slackened and retuned helps more than many more taps: taps do "
            "not shrink put-back scatter, and few repeats know it loosely."
        )
    if sources["slackened and retuned"] == "this shop":
        return (
            "Your other instruments told it; one repeat tap set of this one, strings slackened and retuned, "
            "would sharpen it. More taps would not."
        )
    return "More taps do not shrink this scatter; tap sets before and after a move, put back anew, do."


def repeat_pays_words(job: Job, found: Repeatability, *, then: str) -> str:
    """Suggest a repeat set where it pays: neither this job nor the shop knows the scatter well; else ''.

    Parameters
    ----------
    found : Repeatability   as the job has it, with what the shop learned
    then : str   what to do once the instrument is put back
    """
    repeats = sum(bool(tap_set.repeat_of) for tap_set in job.sets)
    if job.instrument.piece != "whole" or repeats >= FEW:
        return ""
    if found.pooled.source == "this shop" and found.n_repeats >= FEW:
        return ""
    known = "is only assumed" if found.pooled.source == "assumed" else "rests on few repeat sets"
    return (
        f"A repeat set pays now: your put-back scatter {known}. Take the instrument down, put it back, and: "
        f"{then}"
    )


def _size(scatter: Scatter, frequency: float) -> str:
    hertz = frequency * (2.0 ** (scatter.scatter_cents / 1200.0) - 1.0)
    return f"{number(hertz, 1)} Hz at {number(frequency, 0)} Hz ({about_cents(scatter.scatter_cents)})"
