"""A bench of a shop in a folder of its own, asked in this process."""

import pytest
from starlette.testclient import TestClient

from resonance.bench.app import make_app
from resonance.bench.state import Bench
from resonance.jobs.store import Shop

HERE = "http://127.0.0.1:8321"


@pytest.fixture
def shop(tmp_path):
    return Shop(tmp_path / "shop")


@pytest.fixture
def browser(shop):
    """A browser on a page of this bench: it sends the Origin of that page with every form."""
    with TestClient(make_app(Bench(shop)), base_url=HERE, headers={"origin": HERE}) as client:
        yield client
