"""Opening the shop that a command works in."""

from argparse import Namespace
from typing import TYPE_CHECKING

from resonance.cli import screen
from resonance.errors import ShopError

if TYPE_CHECKING:
    from resonance.jobs.store import Shop


def open_shop(arguments: Namespace, *, make: bool = False) -> "Shop":
    """Open the shop of a command.

    Parameters
    ----------
    arguments : parsed arguments, `shop` among them
    make : bool   make the shop where there is none; only commands that start something do

    Raises
    ------
    ShopError   when there is no shop and `make` is False, or it cannot be used
    """
    from resonance.jobs.settings import shop_folder
    from resonance.jobs.store import Shop

    folder = shop_folder(arguments.shop)
    if not make and not (folder / "shop.db").exists():
        raise ShopError(
            f"there is no shop in {folder} yet; 'resonance job new NAME' starts one, --shop DIR picks another"
        )
    shop = Shop(folder)
    _tell_of_the_clock(shop)
    return shop


def _tell_of_the_clock(shop: "Shop") -> None:
    """Say so where the clock stands before the last thing noted."""
    from resonance.report.words import moment_words

    last = shop.last_act_when_clock_is_behind()
    if last is not None:
        screen.note(
            f"The clock of this computer stands at {moment_words(shop.clock())}, before the last thing noted "
            f"({moment_words(last)}). Set it right; dates noted now would be wrong. The order stays as it is."
        )
