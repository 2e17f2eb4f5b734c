"""A tap set that the maker does not trust: left out of histories, kept everywhere else, undone at will."""

import pytest

from resonance.errors import NotFoundError
from resonance.jobs.archive import export_job, import_job
from resonance.jobs.store import Shop
from resonance.jobs.undoing import undo_act
from resonance.sets.instrument import Instrument
from tests.bench.making import tap_set


@pytest.fixture
def shop(tmp_path):
    shop = Shop(tmp_path / "shop")
    shop.new_job(Instrument("fiddle"))
    shop.add_tap_set("fiddle", tap_set())
    return shop


def test_it_is_kept_and_taken_back(shop):
    assert shop.suspect_set("fiddle", "1").suspected == ("set1",)
    assert shop.job("fiddle").sets[0].modes == tap_set().modes
    assert shop.suspect_set("fiddle", "set1", suspect=False).suspected == ()
    shop.undo("fiddle")
    assert shop.job("fiddle").suspected == ("set1",)


def test_it_is_taken_back_when_other_things_were_done_since(shop):
    shop.suspect_set("fiddle", "set1")
    number = shop.acts("fiddle", limit=1)[0].id
    shop.add_remark("fiddle", "played in")
    undo_act(shop, number)
    assert shop.job("fiddle").suspected == ()


def test_it_goes_with_an_export(shop, tmp_path):
    shop.suspect_set("fiddle", "set1")
    export_job(shop, "fiddle", tmp_path / "out")
    assert import_job(Shop(tmp_path / "other"), tmp_path / "out").suspected == ("set1",)


def test_a_tap_set_that_is_not_there(shop):
    with pytest.raises(NotFoundError, match="set9"):
        shop.suspect_set("fiddle", "set9")
