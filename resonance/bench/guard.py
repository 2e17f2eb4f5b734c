"""Who may come in: every request and every socket passes here first.

- The name in ``Host`` must be an address, or a name of this machine: a page elsewhere cannot reach the bench
  under a name of its own (DNS rebinding).
- Whatever changes something, and every socket, must come from a page of this bench (``Origin``).
- A shared bench asks for its token: in the link once, in a cookie from then on.
- A body has a greatest size, counted as it comes.
- Answers carry a content security policy under which only this bench's own files run.
"""

import secrets
from http.cookies import CookieError, SimpleCookie
from ipaddress import ip_address
from urllib.parse import parse_qsl, quote, urlencode, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from resonance.bench.state import Bench

KEY = "key"  # the word in the link
SAFE = ("GET", "HEAD", "OPTIONS")
LARGEST = 2 * 2**30  # bytes of one request: hours of sound
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; media-src 'self' "
    "blob:; font-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}
WRONG_HOST = "this bench does not go by that name; open it by the link that 'resonance bench' printed"
WRONG_ORIGIN = "this did not come from a page of this bench, so nothing was done; open the bench, try again"
NO_TOKEN = "this bench asks for its key; open the whole link that 'resonance bench --share' printed"
TOO_LARGE = "that is more than can be taken at once; give fewer recordings at a time"


class Guard:
    """Turns away what does not belong here, and seals every answer."""

    def __init__(self, app: ASGIApp, bench: Bench) -> None:
        self._app, self._bench = app, bench

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass one request or socket on, or turn it away."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        answer = _answer(scope, self._bench)
        if answer is None:
            await self._app(scope, _counted(receive), _sealed(send))
        elif scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
        else:
            await answer(scope, receive, _sealed(send))


def _answer(scope: Scope, bench: Bench) -> Response | None:
    """Give what to answer instead of passing it on; None lets it in."""
    headers = Headers(scope=scope)
    host = headers.get("host", "")
    if not host_known(host, names=bench.names, shared=bench.shared):
        return PlainTextResponse(WRONG_HOST, 421)
    changes = scope["type"] == "websocket" or scope["method"] not in SAFE
    if changes and not from_here(headers.get("origin", ""), host):
        return PlainTextResponse(WRONG_ORIGIN, 403)
    if not bench.token:
        return None
    cookie = cookie_name(host)
    if _same(_cookie(headers, cookie), bench.token):
        return None
    query = parse_qsl(scope["query_string"].decode("latin-1"), keep_blank_values=True)
    if scope["type"] == "http" and any(name == KEY and _same(value, bench.token) for name, value in query):
        return _let_in(scope, [pair for pair in query if pair[0] != KEY], cookie, bench.token)
    return PlainTextResponse(NO_TOKEN, 403)


def host_known(host: str, *, names: tuple[str, ...], shared: bool) -> bool:
    """Whether a ``Host`` header names this machine: by an address, or by one of its names."""
    name = (urlsplit(f"//{host}").hostname or "") if _plain(host) else ""
    try:
        address = ip_address(name)
    except ValueError:
        return bool(name) and name.rstrip(".").lower() in {each.lower() for each in names}
    return shared or address.is_loopback


def from_here(origin: str, host: str) -> bool:
    """Whether an ``Origin`` header is that of a page served under this ``Host``."""
    scheme, _, place = origin.partition("://")
    return bool(host) and scheme in ("http", "https") and place.lower() == host.lower()


def cookie_name(host: str) -> str:
    """Name the cookie that holds the token; benches on several ports of one machine keep apart."""
    port = host.rpartition(":")[2]
    return f"resonance-{port}" if port.isdigit() else "resonance"


def _plain(host: str) -> bool:
    return host.isascii() and not set(host) & set("/\\?#@ ")


def _cookie(headers: Headers, name: str) -> str:
    try:
        found = SimpleCookie(headers.get("cookie", ""))
    except CookieError:
        return ""
    return found[name].value if name in found else ""


def _same(one: str, other: str) -> bool:
    return secrets.compare_digest(one.encode(), other.encode())


def _let_in(scope: Scope, query: list[tuple[str, str]], cookie: str, token: str) -> Response:
    """Keep the token in a cookie and go on without it in the address."""
    path = "/" + quote(scope["path"].lstrip("/"))
    answer = RedirectResponse(path + (f"?{urlencode(query)}" if query else ""), 303)
    answer.set_cookie(cookie, token, httponly=True, samesite="lax", max_age=7 * 24 * 3600)
    return answer


class TooLarge(Exception):
    """The body grew beyond what is taken at once."""


def _counted(receive: Receive) -> Receive:
    seen = 0

    async def counted() -> Message:
        nonlocal seen
        message = await receive()
        if message["type"] == "http.request":
            seen += len(message.get("body", b""))
            if seen > LARGEST:
                raise TooLarge
        return message

    return counted


def _sealed(send: Send) -> Send:
    async def sealed(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
            headers.setdefault("Cache-Control", "no-store")
        await send(message)

    return sealed
