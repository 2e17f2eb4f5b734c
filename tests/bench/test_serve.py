"""Where the bench listens, and what it prints."""

import io
import socket
from ipaddress import ip_address

import pytest

from resonance.bench import serve
from resonance.bench.state import Bench
from resonance.errors import ResonanceError


def test_a_taken_port_is_told_and_the_usual_one_gives_way(monkeypatch):
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        with pytest.raises(ResonanceError, match=f"port {port} is taken; name another"):
            serve.listen("127.0.0.1", port)
        monkeypatch.setattr(serve, "PORT", port)
        with serve.listen("127.0.0.1", None) as found:
            assert found.getsockname()[1] != port


def test_links_hold_the_token_only_when_shared(shop):
    assert serve.links_of(Bench(shop), "127.0.0.1", 8321) == ("http://127.0.0.1:8321/",)
    links = serve.links_of(Bench(shop, shared=True, token="abc"), "192.168.1.20", 8321)
    assert links == ("http://127.0.0.1:8321/?key=abc", "http://192.168.1.20:8321/?key=abc")


def test_a_shared_bench_prints_link_code_and_caution(shop):
    out = io.StringIO()
    bench = Bench(shop, shared=True, token="abc")
    serve.tell(serve.links_of(bench, "192.168.1.20", 8321), bench, out)
    text = out.getvalue()
    assert "http://192.168.1.20:8321/?key=abc" in text
    assert "█" in text
    assert "Anyone on this network who has the link" in text
    out = io.StringIO()
    serve.tell(serve.links_of(Bench(shop), "", 1), Bench(shop), out)
    assert "█" not in out.getvalue()


def test_own_address_is_one():
    assert not ip_address(serve.network_address()).is_unspecified
