"""What all requests of one running bench share."""

from dataclasses import dataclass, field

from starlette.requests import HTTPConnection

from resonance.bench.known import Known
from resonance.bench.live import Microphones
from resonance.bench.made import Made
from resonance.bench.settling import Settling
from resonance.bench.sounds import Sounds
from resonance.bench.works import Works
from resonance.jobs.store import Shop


@dataclass(frozen=True, eq=False)
class Bench:
    """A bench: its shop, and who may use it.

    Parameters
    ----------
    shop : Shop
    shared : bool   whether it listens on the local network
    token : str   that every request must bring when it is shared; '' asks for none
    names : tuple of str   host names it goes by, beside its addresses
    microphones : Microphones   the set in the taking
    works : Works   longer work under way
    sounds : Sounds   recordings looked at last
    settling : Settling   whether the jobs of the list are settled
    known : Known   answers asked for last
    made : Made   files made to be saved
    """

    shop: Shop
    shared: bool = False
    token: str = ""
    names: tuple[str, ...] = ("localhost",)
    microphones: Microphones = field(default_factory=Microphones)
    works: Works = field(default_factory=Works)
    sounds: Sounds = field(default_factory=Sounds)
    settling: Settling = field(default_factory=Settling)
    known: Known = field(default_factory=Known)
    made: Made = field(default_factory=Made)


def bench_of(connection: HTTPConnection) -> Bench:
    """Give the bench that a request or a socket has come to."""
    bench = connection.app.state.bench
    assert isinstance(bench, Bench)
    return bench


def shop_of(connection: HTTPConnection) -> Shop:
    """Give the shop that a request is about."""
    return bench_of(connection).shop
