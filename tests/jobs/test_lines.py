"""The list of jobs is what the records say, whatever was kept of it before."""

import json

import pytest

from resonance.jobs.store import Shop
from resonance.sets.instrument import Instrument


def kept(shop):
    return shop.folder / "kept" / "lines.json"


def without(shop):
    """The list with nothing kept."""
    kept(shop).unlink(missing_ok=True)
    return shop.jobs()


def test_the_list_follows_every_act(shop, full_job, make_set):
    """Truth: the list worked out anew."""
    cello = shop.new_job(Instrument("Cello", "cello")).id
    acts = (
        lambda: shop.add_remark(cello, "a"),
        lambda: shop.delete_entry(full_job.id, "set1"),
        lambda: shop.undo(),
        lambda: shop.edit_job(cello, instrument=Instrument("Cello da spalla", "cello")),
        lambda: shop.delete_job(full_job.id),
        lambda: shop.undo(full_job.id),
        lambda: shop.add_tap_set(cello, *make_set(9)),
        lambda: shop.delete_job(cello),
    )
    for act in acts:
        shop.jobs()
        act()
        found = Shop(shop.folder).jobs()
        assert found == without(shop)
    assert [line.id for line in found] == [full_job.id]


@pytest.mark.parametrize("harm", ["cut", "changed", "another format", "no folder"])
def test_a_damaged_list_is_made_anew(shop, full_job, harm):
    wanted = shop.jobs()
    text = kept(shop).read_text("utf-8")
    if harm == "cut":
        kept(shop).write_text(text[:-40], "utf-8")
    elif harm == "changed":
        kept(shop).write_text(text.replace('"n_sets":3', '"n_sets":4'), "utf-8")
    elif harm == "another format":
        kept(shop).write_text(json.dumps({**json.loads(text), "format": 0}), "utf-8")
    else:
        kept(shop).unlink()
        kept(shop).parent.rmdir()
        kept(shop).parent.write_text("in the way")
    assert shop.jobs() == wanted


def test_many_jobs_are_named_shortly(shop):
    for number in range(25):
        shop.new_job(Instrument(f"v{number}"))
    with pytest.raises(
        Exception, match=r"there are: \.\.\. v5, .*v24 \(25 in all; see: resonance job list\)$"
    ):
        shop.job("other")
