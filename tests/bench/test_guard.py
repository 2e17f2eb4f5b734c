"""Who may come in. Truth: RFC 6454 (origin), RFC 9110 7.2 (Host), CSP Level 3, and what others might try."""

import pytest
from starlette.testclient import TestClient
from starlette.websockets import WebSocketDisconnect

from resonance.bench import guard
from resonance.bench.app import make_app
from resonance.bench.state import Bench

HERE = "http://127.0.0.1:8321"
THERE = "http://192.168.1.20:8321"
TOKEN = "a-token-of-the-tests"
PATHS = ("/", "/new", "/static/bench.css", "/job/none", "/no/such/page")


@pytest.fixture
def shared(shop):
    bench = Bench(shop, shared=True, token=TOKEN, names=("localhost", "bench", "bench.local"))
    return TestClient(make_app(bench), base_url=THERE)


@pytest.mark.parametrize(
    ("host", "known", "known_when_shared"),
    [
        ("127.0.0.1:8321", True, True),
        ("localhost:8321", True, True),
        ("[::1]:8321", True, True),
        ("LOCALHOST", True, True),
        ("192.168.1.20:8321", False, True),
        ("evil.example", False, False),
        ("127.0.0.1.evil.example", False, False),
        ("localhost.evil.example:8321", False, False),
        ("evil.example@127.0.0.1", False, False),
        ("127.0.0.1/evil", False, False),
        ("", False, False),
    ],
)
def test_host_is_an_address_or_an_own_name(host, known, known_when_shared):
    assert guard.host_known(host, names=("localhost",), shared=False) == known
    assert guard.host_known(host, names=("localhost",), shared=True) == known_when_shared


@pytest.mark.parametrize(
    ("origin", "own"),
    [
        (HERE, True),
        ("http://127.0.0.1:9999", False),
        ("http://127.0.0.1", False),
        ("http://evil.example", False),
        ("null", False),
        ("", False),
        ("127.0.0.1:8321", False),
        ("file://127.0.0.1:8321", False),
    ],
)
def test_origin_is_the_very_host(origin, own):
    assert guard.from_here(origin, "127.0.0.1:8321") == own


def test_a_name_from_elsewhere_is_turned_away(browser):
    answer = browser.get("/", headers={"host": "evil.example"})
    assert answer.status_code == 421
    assert "open it by the link" in answer.text


@pytest.mark.parametrize("origin", ["http://evil.example", "null", ""])
def test_a_form_from_elsewhere_does_nothing(browser, shop, origin):
    answer = browser.post("/new", data={"name": "stolen"}, headers={"origin": origin})
    assert answer.status_code == 403
    assert shop.jobs() == ()


@pytest.mark.parametrize("path", PATHS)
def test_shared_asks_for_its_token(shared, path):
    for there in (path, f"{path}?key=", f"{path}?key=wrong"):
        assert shared.get(there, follow_redirects=False).status_code == 403
    shared.cookies.set("resonance-8321", "wrong")
    assert shared.get(path).status_code == 403


def test_a_post_needs_the_token_in_the_cookie(shared, shop):
    answer = shared.post(f"/new?key={TOKEN}", data={"name": "x"}, headers={"origin": "http://evil.example"})
    assert answer.status_code == 403
    assert shop.jobs() == ()


def test_a_socket_needs_token_and_origin(shared):
    def closed_with(origin):
        live = "ws://192.168.1.20:8321/job/none/live"
        with (
            pytest.raises(WebSocketDisconnect) as told,
            shared.websocket_connect(live, headers={"origin": origin}),
        ):
            pass
        return told.value.code

    refused, no_such_set = 1008, 4404
    assert closed_with(THERE) == refused
    shared.cookies.set("resonance-8321", TOKEN)
    assert closed_with("http://evil.example") == refused
    assert closed_with("null") == refused
    assert closed_with(THERE) == no_such_set


def test_the_link_lets_in_and_the_token_leaves_the_address(shared):
    answer = shared.get(f"/new?key={TOKEN}&a=b", follow_redirects=False)
    assert answer.status_code == 303
    assert answer.headers["location"] == "/new?a=b"
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert shared.get("/new").status_code == 200


def test_the_link_leads_nowhere_else(shared):
    answer = shared.get(f"//evil.example/?key={TOKEN}", follow_redirects=False)
    assert not answer.headers.get("location", "").startswith("//")


@pytest.mark.parametrize("path", PATHS)
def test_every_answer_carries_the_policy(browser, path):
    headers = browser.get(path).headers
    policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == policy["connect-src"] == "'self'"
    assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
    assert headers["x-content-type-options"] == "nosniff"


def test_a_body_that_grows_too_large_is_refused(browser, shop, monkeypatch):
    monkeypatch.setattr(guard, "LARGEST", 1000)
    answer = browser.post("/new", data={"name": "x", "notes": "y" * 2000})
    assert answer.status_code == 413
    assert "fewer recordings" in answer.text
    assert shop.jobs() == ()
