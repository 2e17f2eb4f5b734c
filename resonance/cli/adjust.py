"""``resonance adjust``: note what you changed; says first what could be seen today."""

from argparse import Namespace
from math import isfinite, nan
from typing import TYPE_CHECKING

from resonance.cli import ordering, screen
from resonance.cli.options import Commands, UsageError, add_command, add_json, moment, number
from resonance.cli.shop import open_shop
from resonance.report.blocks import Block, Items, Paragraph, table_of
from resonance.sets.setup import ENDS, PARTS, Adjustment
from resonance.sets.tapset import TapSet

if TYPE_CHECKING:
    from resonance.changes.comparison import Repeatability
    from resonance.jobs.job import Job
    from resonance.modes.mode import Mode

EXAMPLE = """\
resonance adjust my-viola --part soundpost --along 0.25 --note "a hair back"
resonance adjust my-viola --part bridge --note "thinned at the top, 0.2 g less"
resonance adjust my-viola --part strings --new-chapter --note "new set" --made 2025-03-01"""
MAIN_MODES = 5
MORE_SETS = 3
FARTHEST_MM = 3.0  # farther than a post is moved at a time (common practice, no source): a slip
FREE_PLATE = (
    "Hold the plate and tap it at the same places each time.",
    "Weigh it with every tap set (add ... --mass 68) and note the humidity: both move every resonance.",
    "Wood taken away cannot be put back: take little at a time, and tap in between.",
)
WITH_TENSION = ("soundpost", "bridge", "strings", "tail", "body")


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = add_command(
        commands,
        "adjust",
        does="note what you changed; says first what could be seen today",
        about="Displacements are of the post relative to the bridge, so a moved bridge counts too.\n"
        "A negative number means the other way: --along -0.25 is towards the bridge.",
        example=EXAMPLE,
    )
    parser.add_argument("job", metavar="JOB", help="name of the job")
    parser.add_argument("--part", required=True, choices=PARTS, help=", ".join(PARTS), metavar="PART")
    parser.add_argument("--along", type=number, metavar="MM", help="away from the bridge; minus: towards it")
    parser.add_argument("--across", type=number, metavar="MM", help="in, to the centre joint; minus: out")
    parser.add_argument("--end", choices=ENDS, default="", help="which end of the post moved")
    parser.add_argument("--note", default="", metavar="TEXT", help="in your own words")
    parser.add_argument("--made", type=moment, metavar="WHEN", help="when, if not now: 2025-03-01T14:30")
    parser.add_argument(
        "--new-chapter",
        action="store_true",
        help="a new post, a full string change or an opened body: nothing is compared across it in histories",
    )
    parser.add_argument("--anyway", action="store_true", help=f"note it even if beyond {FARTHEST_MM:g} mm")
    where = parser.add_mutually_exclusive_group()
    where.add_argument("--before", metavar="ENTRY", help="it was before this tap set or adjustment")
    where.add_argument("--after", metavar="ENTRY", help="it was after this one")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: Namespace) -> None:
    """Say what could be seen, warn, then record."""
    _check_distances(arguments)
    shop = open_shop(arguments)
    job = shop.job(arguments.job)
    adjustment = Adjustment(
        "",
        made=arguments.made,
        part=arguments.part,
        along_mm=nan if arguments.along is None else arguments.along,
        across_mm=nan if arguments.across is None else arguments.across,
        end=arguments.end,
        new_chapter=arguments.new_chapter,
        note=arguments.note.strip(),
    )
    last = job.sets[-1] if job.sets else None
    if not arguments.json:
        from resonance.jobs.answers import put_back_scatter

        screen.show(*beforehand_blocks(job, last, arguments.part, yardstick=put_back_scatter(job, shop=shop)))
    added = shop.add_adjustment(job.id, adjustment, before=arguments.before, after=arguments.after)
    _print(shop.job(job.id), added, last, arguments)
    screen.note(ordering.future_words(arguments.made))


def _check_distances(arguments: Namespace) -> None:
    for option, distance in (("--along", arguments.along), ("--across", arguments.across)):
        if distance is not None and abs(distance) > FARTHEST_MM and not arguments.anyway:
            raise UsageError(
                f"{option} takes millimetres, and {abs(distance):g} mm is far; if it is right, add --anyway"
            )


def _print(job: "Job", added: Adjustment, last: TapSet | None, arguments: Namespace) -> None:
    from resonance.jobs.job import unconfirmed
    from resonance.jobs.records import to_record
    from resonance.report.facts import adjustment_words
    from resonance.report.words import adjustment_id_words

    waits = added.id in [entry.id for entry in unconfirmed(job)]
    if arguments.json:
        from resonance.jobs.answers import put_back_scatter

        yardstick = put_back_scatter(job, shop=open_shop(arguments))
        seen = to_record(detectable(last, arguments.part, yardstick)) if last is not None else []
        record = {**to_record(added), "job": job.id, "confirmed": not waits, "detectable": seen}
        screen.print_json(record)
        return
    screen.gap()
    screen.show(
        f"Noted as {adjustment_id_words(added.id)} ({added.id}): {adjustment_words(added)}.",
        _distance_words(job, added),
        *(ordering.order_blocks(job, last=6) if waits else ()),
        ordering.unconfirmed_words(job) if waits else "",
    )


def _distance_words(job: "Job", added: Adjustment) -> str:
    """Say that no distance was noted of a moved post, and how to add it; '' where none is missing."""
    if added.part != "soundpost" or isfinite(added.along_mm) or isfinite(added.across_mm):
        return ""
    return f"No distance was noted; 'resonance job edit {job.id} {added.id} along=0.5' adds it (millimetres)."


def beforehand_blocks(
    job: "Job", last: TapSet | None, part: str, *, yardstick: "Repeatability | None" = None
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


def seen_blocks(
    job: "Job", last: TapSet, part: str, *, yardstick: "Repeatability | None" = None
) -> list[Block]:
    """Say the least shift of each main mode that would show, with one tap set a side and with more."""
    from resonance.jobs.answers import put_back_scatter
    from resonance.report.numbers import limit
    from resonance.report.numbers import number as in_digits
    from resonance.report.readings import pitch_of
    from resonance.report.words import mode_label, note_words, set_words
    from resonance.units import hertz

    yardstick = yardstick or put_back_scatter(job)
    rows = []
    for mode, least, with_more in _main(last, yardstick, part):
        cells = [
            f"{limit(float(hertz(value, mode.frequency)), 'Hz')} ({in_digits(value, 0)} cents)"
            for value in (least, with_more)
        ]
        name = mode_label(mode) or note_words(mode.frequency, pitch_a4=pitch_of(last))
        rows.append((in_digits(mode.frequency, 1), name, *cells))
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


def detectable(last: TapSet, part: str, yardstick: "Repeatability") -> list[dict[str, object]]:
    """Give each main mode with the least shift that would show, in cents, for ``--json``."""
    return [
        {
            "frequency": mode.frequency,
            "label": mode.label,
            "track": mode.track,
            "least_detectable_cents": least,
        }
        for mode, least, _ in _main(last, yardstick, part)
    ]


def _main(last: TapSet, yardstick: "Repeatability", part: str) -> "list[tuple[Mode, float, float]]":
    """Pick the modes worth naming, by rising frequency: named ones first, then the strongest."""
    from resonance.changes.compare import least_detectable
    from resonance.changes.repeatability import work_kind

    kind = work_kind([part])
    one = least_detectable(last.modes, yardstick, kind=kind)
    more = least_detectable(last.modes, yardstick, MORE_SETS, MORE_SETS, kind=kind)
    found = [
        (mode, float(a), float(b)) for mode, a, b in zip(last.modes, one, more, strict=True) if isfinite(a)
    ]
    found.sort(key=lambda row: (row[0].label is None, -row[0].snr_db if isfinite(row[0].snr_db) else 0.0))
    return sorted(found[:MAIN_MODES], key=lambda row: row[0].frequency)


def _scatter_words(yardstick: "Repeatability", part: str) -> str:
    from resonance.changes.repeatability import scatter_for, work_kind
    from resonance.report.numbers import number as in_digits
    from resonance.report.words import count_words

    scatter = scatter_for(yardstick, kind=work_kind([part]))
    size = f"{in_digits(scatter.scatter_cents, 0)} cents"
    if scatter.source == "assumed":
        return (
            f"Put-back scatter of about {size} is assumed. Repeat tap sets before the work (take the "
            "instrument down, put it back, tap again) show the true one, and let smaller shifts be seen."
        )
    source = " of this shop's other jobs" if scatter.source == "this shop" else ""
    return f"Put-back scatter: {size}, from {count_words(yardstick.n_repeats, 'repeat tap set')}{source}."


def missing_set_words(job: "Job") -> str:
    """Warn when no tap set stands between the last adjustment, or the start, and this one; else ''."""
    from resonance.report.words import adjustment_id_words

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
