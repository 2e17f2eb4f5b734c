"""Jobs on the page: begin one, find it again, trouble in one line."""

import re
from datetime import UTC, datetime

import pytest

from resonance.bench.jobs import jobs_page
from resonance.jobs.store import JobLine
from resonance.sets.instrument import Instrument

LINES = (
    JobLine("old", Instrument("Old cello", "cello", owner="Ann Bow"), last=datetime(2025, 1, 1, tzinfo=UTC)),
    JobLine(
        "new",
        Instrument("New viola", "viola", maker="A. Maker"),
        last=datetime(2025, 5, 1, tzinfo=UTC),
        n_sets=3,
    ),
    JobLine("top", Instrument("Top of 12", "violin", "top"), created=datetime(2025, 3, 1, tzinfo=UTC)),
)


def test_newest_job_stands_first():
    assert [row.name for row in jobs_page(LINES).rows] == ["New viola", "Top of 12", "Old cello"]


@pytest.mark.parametrize(
    ("wanted", "names"),
    [
        ("viola", ["New viola"]),
        ("ANN", ["Old cello"]),
        ("maker new", ["New viola"]),
        ("free top", ["Top of 12"]),
        ("harp", []),
    ],
)
def test_search_finds_all_words_anywhere(wanted, names):
    assert [row.name for row in jobs_page(LINES, wanted).rows] == names


def test_a_large_shop_shows_its_newest_and_more_when_asked(browser, shop):
    view = jobs_page(LINES, most=2)
    assert [row.name for row in view.rows] == ["New viola", "Top of 12"]
    assert view.n_more == 1
    assert jobs_page(LINES, "viola", most=2).n_more == 0
    for number in range(62):
        shop.new_job(Instrument(f"Violin {number}"))
    assert "Show 2 more" in browser.get("/").text
    text = browser.get("/?all=yes&find=violin").text
    assert text.count('<span class="name">') == 62
    assert "more</a>" not in text


def test_from_an_empty_shop_to_a_job(browser, shop):
    assert "No job yet" in browser.get("/").text
    typed = {"name": "Viola <405>", "family": "viola", "piece": "whole", "body_mm": "405,5 mm"}
    answer = browser.post("/new", data=typed)
    assert answer.status_code == 200
    assert str(answer.url).endswith("/job/viola-405")
    assert "Job begun: Viola &lt;405&gt;." in answer.text
    (line,) = shop.jobs()
    assert line.instrument == Instrument("Viola <405>", "viola", body_mm=405.5)
    assert "Job begun" not in browser.get("/job/viola-405").text


def test_a_slip_is_told_and_what_was_typed_stays(browser, shop):
    answer = browser.post("/new", data={"name": "x", "family": "viola", "body_mm": "long"})
    assert answer.status_code == 422
    assert "a number is needed" in answer.text
    assert 'value="long"' in answer.text
    assert re.search(r'<option value="viola" selected', answer.text)
    assert shop.jobs() == ()


@pytest.mark.parametrize(("path", "status"), [("/job/none", 404), ("/no/such", 404), ("/look", 405)])
def test_trouble_is_one_plain_line(browser, path, status):
    answer = browser.get(path, headers={"accept": "text/html"})
    assert answer.status_code == status
    assert "Traceback" not in answer.text
    assert answer.text.count('class="trouble"') == 1
    bare = browser.get(path, headers={"accept": "application/json"})
    assert "<" not in bare.text
    assert bare.text.strip().count("\n") == 0


def test_an_accident_is_told_without_a_traceback(browser, monkeypatch):
    def broken(*_):
        raise RuntimeError("secret detail")

    monkeypatch.setattr("resonance.jobs.store.Shop.jobs", broken)
    answer = browser.get("/")
    assert answer.status_code == 500
    assert "please report it" in answer.text
    assert "secret detail" not in answer.text
    assert "Traceback" not in answer.text


def test_the_look_is_kept_and_leads_back_here_only(browser):
    answer = browser.post("/look", data={"look": "dark", "back": "/new"})
    assert str(answer.url).endswith("/new")
    assert 'data-look="dark"' in answer.text
    for back in ("//evil.example", "/\\evil.example", "http://evil.example"):
        answer = browser.post("/look", data={"look": "light", "back": back}, follow_redirects=False)
        assert answer.headers["location"] == "/"
