"""Opening the shop that a command works in."""

from argparse import Namespace
from typing import TYPE_CHECKING

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
    return Shop(folder)
