"""What a shop learns of its put-back scatter on other jobs."""

from dataclasses import replace

import pytest

from resonance.jobs.scatter import shop_scatter
from resonance.sets.instrument import Instrument

REPEATS = 5
# Each repeat's modes, set by hand, stand 4 cents off the first one's, up and down in turn.
SHIFT = 2.0 ** (4.0 / 1200.0)
FREQUENCIES = (222.0, 355.0, 441.0, 560.0, 690.0)


def add_session(shop, job, make_set, seed, *, holding=""):
    for k in range(REPEATS + 1):
        factor = 1.0 if k == 0 else SHIFT if k % 2 else 1.0 / SHIFT
        tap_set, files = make_set(seed + k, frequencies=tuple(f * factor for f in FREQUENCIES))
        tap_set = replace(tap_set, conditions=replace(tap_set.conditions, holding=holding))
        if k:
            tap_set = replace(tap_set, repeat_of="set1", repeat_kind="put back")
        shop.add_tap_set(job, tap_set, files)


def test_one_session_serves_other_jobs_of_the_family(shop, viola, make_set):
    assert shop_scatter(shop, shop.job(viola)) is None
    add_session(shop, viola, make_set, 1)
    other = shop.new_job(Instrument("Viola 410", "viola"))
    found = shop_scatter(shop, other)
    assert found.n_repeats == REPEATS
    assert found.pooled.kind == "put back"
    assert 2.0 < found.pooled.scatter_cents < 7.0
    assert shop_scatter(shop, shop.job(viola)) is None  # a job's own repeats are no prior for itself
    violin = shop.new_job(Instrument("Violin 12", "violin"))
    assert shop_scatter(shop, violin) is None


@pytest.mark.parametrize(("held", "known"), [("cradle", True), ("lap", False), ("", True)])
def test_the_holding_counts_where_noted(shop, viola, make_set, held, known):
    add_session(shop, viola, make_set, 1, holding="cradle")
    other = shop.new_job(Instrument("Viola 410", "viola")).id
    tap_set, files = make_set(50)
    shop.add_tap_set(other, replace(tap_set, conditions=replace(tap_set.conditions, holding=held)), files)
    assert (shop_scatter(shop, shop.job(other)) is not None) == known
