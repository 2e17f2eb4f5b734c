"""The put-back scatter a shop has learned on its other jobs: one session serves every later job."""

from collections import Counter

from resonance.changes.comparison import Repeatability
from resonance.changes.repeatability import shop_repeatability
from resonance.jobs.job import Job
from resonance.jobs.store import Shop

MOST_JOBS = 40  # the newest; older ones tell little more, and each has to be read


def shop_scatter(shop: Shop, job: Job) -> Repeatability | None:
    """What other jobs of the same family, piece and holding tell of the put-back scatter, or None.

    Parameters
    ----------
    shop : Shop
    job : Job   left out itself; its usual holding is the one looked for
    """
    lines = [
        line
        for line in shop.jobs()
        if line.id != job.id
        and line.n_sets > 1
        and line.instrument.family == job.instrument.family
        and line.instrument.piece == job.instrument.piece
    ]
    others = (shop.job(line.id, skip_damaged=True).sets for line in lines[-MOST_JOBS:])
    return shop_repeatability(others, holding=_usual_holding(job))


def _usual_holding(job: Job) -> str:
    noted = Counter(s.conditions.holding for s in job.sets if s.conditions.holding)
    return noted.most_common(1)[0][0] if noted else ""
