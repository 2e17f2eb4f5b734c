"""Before an adjustment: what a tap set after it could show, what is missing, and what to take care of."""

from math import isfinite

from resonance.changes.compare import least_detectable
from resonance.changes.comparison import Repeatability
from resonance.changes.repeatability import scatter_for, work_kind
from resonance.jobs.answers import put_back_scatter
from resonance.jobs.job import Job
from resonance.modes.mode import Mode
from resonance.report.blocks import Block, Items, Paragraph, table_of
from resonance.report.numbers import limit, number
from resonance.report.readings import pitch_of
from resonance.report.words import adjustment_id_words, count_words, mode_label, note_words, set_words
from resonance.sets.tapset import TapSet
from resonance.units import hertz

MAIN_MODES = 5
MORE_SETS = 3
FREE_PLATE = (
    "Hold the plate and tap it at the same places each time.",
    "Weigh it with every tap set and note the humidity: both move every resonance.",
    "Wood taken away cannot be put back: take little at a time, and tap in between.",
)
WITH_TENSION = ("soundpost", "bridge", "strings", "tail", "body")


def beforehand_blocks(
    job: Job, last: TapSet | None, part: str, *, yardstick: Repeatability | None = None
) -> list[Block]:
    """Say what a tap set after this work could show, what is missing before it, and what to take care of."""
    blocks: list[Block] = []
    if last is not None and last.modes:
        blocks += seen_blocks(job, last, part, yardstick=yardstick)
    warning = missing_set_words(job)
    if warning:
        blocks.append(Paragraph(warning, "caution"))
    cautions = caution_words(part, piece=job.instrument.piece)
    if cautions:
        blocks.append(Items(cautions, title="Take care", tone="caution"))
    return blocks


def seen_blocks(job: Job, last: TapSet, part: str, *, yardstick: Repeatability | None = None) -> list[Block]:
    """Say the least shift of each main mode that would show, with one tap set a side and with more."""
    yardstick = yardstick or put_back_scatter(job)
    rows = []
    for mode, least, with_more in main_shifts(last, yardstick, part):
        cells = [
            f"{limit(float(hertz(value, mode.frequency)), 'Hz')} ({number(value, 0)} cents)"
            for value in (least, with_more)
        ]
        name = mode_label(mode) or note_words(mode.frequency, pitch_a4=pitch_of(last))
        rows.append((number(mode.frequency, 1), name, *cells))
    if not rows:
        return []
    columns = ("Resonance, Hz", "Name", "One tap set after", f"{MORE_SETS} tap sets each side")
    table = table_of(
        columns,
        rows,
        numeric=columns[:1] + columns[2:],
        title=f"What could be seen today, against {set_words(last.id)} (a smaller shift could go unseen)",
    )
    return [table, Paragraph(_scatter_words(yardstick, part), "small")]


def detectable(last: TapSet, part: str, yardstick: Repeatability) -> list[dict[str, object]]:
    """Give each main mode with the least shift that would show, in cents, for ``--json``."""
    return [
        {
            "frequency": mode.frequency,
            "label": mode.label,
            "track": mode.track,
            "least_detectable_cents": least,
        }
        for mode, least, _ in main_shifts(last, yardstick, part)
    ]


def main_shifts(last: TapSet, yardstick: Repeatability, part: str) -> list[tuple[Mode, float, float]]:
    """Pick the modes worth naming, by rising frequency: named ones first, then the strongest."""
    kind = work_kind([part])
    one = least_detectable(last.modes, yardstick, kind=kind)
    more = least_detectable(last.modes, yardstick, MORE_SETS, MORE_SETS, kind=kind)
    found = [
        (mode, float(a), float(b)) for mode, a, b in zip(last.modes, one, more, strict=True) if isfinite(a)
    ]
    found.sort(key=lambda row: (row[0].label is None, -row[0].snr_db if isfinite(row[0].snr_db) else 0.0))
    return sorted(found[:MAIN_MODES], key=lambda row: row[0].frequency)


def _scatter_words(yardstick: Repeatability, part: str) -> str:

    scatter = scatter_for(yardstick, kind=work_kind([part]))
    size = f"{number(scatter.scatter_cents, 0)} cents"
    if scatter.source == "assumed":
        return (
            f"Put-back scatter of about {size} is assumed. Repeat tap sets before the work (take the "
            "instrument down, put it back, tap again) show the true one, and let smaller shifts be seen."
        )
    source = " of this shop's other jobs" if scatter.source == "this shop" else ""
    return f"Put-back scatter: {size}, from {count_words(yardstick.n_repeats, 'repeat tap set')}{source}."


def missing_set_words(job: Job) -> str:
    """Warn when no tap set stands between the last adjustment, or the start, and this one; else ''."""
    kinds = [entry for entry in job.timeline if entry.kind != "remark"]
    if not kinds:
        return "No tap set precedes this: what it does cannot be seen. If you have not begun, tap one first."
    if kinds[-1].kind == "adjustment":
        return (
            f"No tap set since {adjustment_id_words(kinds[-1].id)}: what the two did cannot be told apart. "
            "If you have not begun, tap a set first."
        )
    return ""


def caution_words(part: str, *, piece: str = "whole") -> tuple[str, ...]:
    """Say what to take care of before this work (common practice of the trade)."""
    if piece != "whole":
        return FREE_PLATE
    if part not in WITH_TENSION:
        return ()
    first = {
        "soundpost": "Let the strings down before you move the post: with the post down, strings at pitch "
        "can push the top in. Each move wears the top inside.",
        "strings": "Change strings one at a time, never all at once: the post may fall.",
    }.get(part, "Let the strings down a little at a time, and bring them up together; the post may fall.")
    bridge = "See that the bridge stands square after tuning; wait until the strings hold before you tap."
    restorer = "An old, valuable or damaged instrument belongs in the hands of a qualified restorer."
    return (first, bridge, restorer)
