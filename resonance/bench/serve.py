"""Running the bench: where it listens, the link to it, and the server until it is stopped."""

import secrets
import socket
import sys
import threading
import webbrowser
from ipaddress import ip_address
from pathlib import Path
from typing import TextIO

import uvicorn

from resonance.bench.app import make_app
from resonance.bench.guard import KEY
from resonance.bench.state import Bench
from resonance.errors import ResonanceError
from resonance.jobs.store import Shop

LOCAL = "127.0.0.1"
PORT = 8321
WAITING = 128  # connections
TRIES = 10  # ports tried one after another where none was asked for
CAUTION = (
    "Anyone on this network who has the link can use this bench. Ctrl-C stops it, and a new start makes "
    "a new link."
)


def serve(folder: Path, *, port: int | None = None, shared: bool = False, browser: bool = True) -> None:
    """Serve the bench of a shop until Ctrl-C.

    Parameters
    ----------
    port : int or None   None takes the usual one, or the next that is free
    shared : bool   listen on the local network, with a token in the link
    browser : bool   open the page in the browser

    Raises
    ------
    ResonanceError   when the port is taken
    """
    bench = Bench(
        Shop(folder),
        shared=shared,
        token=secrets.token_urlsafe(24) if shared else "",
        names=own_names() if shared else ("localhost",),
    )
    listening = listen("0.0.0.0" if shared else LOCAL, port)
    host = network_address() if shared else LOCAL
    links = links_of(bench, host, listening.getsockname()[1])
    tell(links, bench, sys.stdout)
    if browser:
        threading.Timer(0.5, webbrowser.open, (links[0],)).start()
    config = uvicorn.Config(make_app(bench), log_level="warning", access_log=False, ws_max_size=2**16)
    uvicorn.Server(config).run(sockets=[listening])


def listen(host: str, port: int | None) -> socket.socket:
    """Take a port.

    Raises
    ------
    ResonanceError   when it is taken
    """
    wanted = range(PORT, PORT + TRIES) if port is None else (port,)
    for each in wanted:
        taken = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if sys.platform != "win32":
            taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            taken.bind((host, each))
            taken.listen(WAITING)  # who opens the link at once waits until the server is up
            return taken
        except OSError:
            taken.close()
    raise ResonanceError(
        f"port {wanted[-1]} is taken; name another with --port, such as --port {wanted[-1] + 10}"
    )


def links_of(bench: Bench, host: str, port: int) -> tuple[str, ...]:
    """Give the links to a bench: on this machine, and on the network where it is shared."""
    key = f"?{KEY}={bench.token}" if bench.token else ""
    here = f"http://{LOCAL}:{port}/{key}"
    return (here, f"http://{host}:{port}/{key}") if bench.shared else (here,)


def tell(links: tuple[str, ...], bench: Bench, out: TextIO) -> None:
    """Print where the bench is; a shared one with a code for a tablet's camera."""
    print(f"The bench of {bench.shop.folder} is open. Stop it with Ctrl-C.", file=out)
    print(f"  on this computer:  {links[0]}", file=out)
    if bench.shared:
        import segno

        print(f"  on the network:    {links[1]}\n", file=out)
        segno.make(links[1], error="l", micro=False).terminal(out, border=2, compact=True)
        print(f"\nPoint the tablet's camera at the code. {CAUTION}", file=out)
    out.flush()


def own_names() -> tuple[str, ...]:
    """Names that this machine goes by on the local network."""
    name = socket.gethostname().lower()
    return tuple(dict.fromkeys(("localhost", name, f"{name.partition('.')[0]}.local")))


def network_address() -> str:
    """Give this machine's address on the local network, else the loopback address.

    A datagram socket that is 'connected' sends nothing; it only asks the system which way it would send.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1, RFC 5737: nobody's address
            found = str(probe.getsockname()[0])
        except OSError:
            return LOCAL
    return LOCAL if ip_address(found).is_unspecified else found
