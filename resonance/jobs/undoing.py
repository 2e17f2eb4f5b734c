"""Taking back one act that is not the last: what was deleted comes back to its place, a verdict is lifted.

Nothing in a shop is ever erased, so that nothing expires. The last act of a job can always be taken back
(`Shop.undo`), and so, one after the other, can all. One further back can be taken back by itself where
nothing hangs on it: a deletion, a name, a "same mode", a judged tap, a target, a further analysis.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

from resonance.errors import NotFoundError, ResonanceError
from resonance.jobs import assemble
from resonance.jobs.change import Change, move_post
from resonance.jobs.database import Act, Row, acts, job_of_act, rows, writing
from resonance.jobs.job import Entry, find_adjustment
from resonance.jobs.store import Shop

DAYS = 30.0
FREE = (
    "label",
    "same",
    "tap_verdict",
    "target",
    "suspect",
    "analysis",
)  # kinds of records that others do not hang on
ONES = ("tap_set", "adjustment", "remark", "recording")


def undoable(shop: Shop, job: str | None = None, *, days: float = DAYS) -> tuple[Act, ...]:
    """Give the acts of the last days that still count, newest first."""
    since = shop.clock() - timedelta(days=days)
    return tuple(act for act in shop.acts(job) if _is_open(act) and act.made >= since)


def undo_act(shop: Shop, number: int) -> Act:
    """Take back one act by its number.

    An entry that was deleted before other things were done is brought back by an act of its own, which
    `Shop.undo` in turn takes back first: so the newest always is the one that others do not hang on.

    Returns
    -------
    Act   the one taken back

    Raises
    ------
    NotFoundError   when there is no such act, or it is taken back already
    ResonanceError   when others hang on it; says which to take back first
    """
    with writing(shop.database) as db:
        job = job_of_act(db, number)
        known = acts(db, job) if job is not None else []
        act = next((each for each in known if each.id == number and _is_open(each)), None)
        if act is None:
            raise NotFoundError(f"there is no act {number} to take back; see: resonance undo --list")
        later = [each for each in known if each.id > number and _is_open(each)]
        change = Change(db, act.job, rows(db, act.job), shop.clock(), f"undid: {act.text}", undoes=number)
        own = [row for row in change.rows if row.act == number]
        gone = [row for row in own if row.kind in ONES and row.body.get("deleted")]
        if later and gone:
            _bring_back(change, gone[0])
        elif later and not (own and all(row.kind in FREE for row in own)):
            first = ", ".join(str(each.id) for each in later[:-6:-1]) + ", ..." * (len(later) > 5)
            raise ResonanceError(f"later acts may hang on '{act.text}'; take them back first: {first}")
        change.finish()
    return replace(act, undone=True)


def _is_open(act: Act) -> bool:
    """Whether an act can be taken back: not yet, not part of another, and no taking back itself."""
    return not act.undone and act.within is None and act.undoes is None


def _bring_back(change: Change, gone: Row) -> None:
    """Put a deleted entry back where it stood, and let the post's position follow it."""
    body = change.body(gone.kind, gone.id)
    if not body.get("deleted"):
        raise NotFoundError(f"{gone.id} of {change.job} is there again already; nothing was changed")
    change.text, change.undoes = f"brought {gone.id} of {change.job} back", None
    change.write(gone.kind, gone.id, {key: value for key, value in body.items() if key != "deleted"})
    if gone.kind == "recording":
        return
    before = assemble.entries([row for row in change.rows if row.seq < gone.seq and row.act != gone.act])
    now = [entry for entry in assemble.entries(change.rows) if entry.id != gone.id]
    place = [entry.id for entry in before].index(gone.id)
    change.write("order", "order", assemble.order_body(_at_its_place(now, before, place)))
    if gone.kind == "adjustment":
        move_post(change, None, find_adjustment(change.assembled(), gone.id))


def _at_its_place(now: Sequence[Entry], before: Sequence[Entry], place: int) -> tuple[Entry, ...]:
    """Give the order with a line put behind the nearest one that stood before it and is still there."""
    ids = [entry.id for entry in now]
    stood = [entry.id for entry in before[:place] if entry.id in ids]
    index = ids.index(stood[-1]) + 1 if stood else 0
    return (*now[:index], before[place], *now[index:])
