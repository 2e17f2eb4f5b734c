"""``figure`` and ``demo``: what they write, and what they say when they cannot."""

import pytest

from resonance.jobs.archive import import_job
from resonance.jobs.store import Shop

STARTS = {".svg": b"<svg", ".png": b"\x89PNG\r\n", ".pdf": b"%PDF-"}


@pytest.mark.parametrize(
    ("kind", "words", "ending"),
    [
        ("over-time", (), ".svg"),
        ("before-after", (), ".png"),
        ("before-after", ("--sets", "2", "1"), ".svg"),
        ("spectrum", (), ".pdf"),
        ("spectrum", ("--sets", "set1"), ".svg"),
        ("decay", ("--at", "407"), ".svg"),
        ("weeks", (), ".pdf"),
        ("taps", (), ".svg"),
        ("taps", ("--sets", "set1"), ".png"),
        ("stacked", (), ".svg"),
        ("places", (), ".svg"),
    ],
)
def test_each_kind_is_written_whole(command, worked, tmp_path, kind, words, ending):
    out = tmp_path / f"picture{ending}"
    command("figure", "fiddle", kind, *words, "--out", out, "--shop", worked[0]).done()
    assert out.read_bytes().startswith(STARTS[ending])
    assert [path.name for path in tmp_path.iterdir() if path.is_file()] == [out.name]


@pytest.mark.parametrize(
    "words",
    [
        ("spectrum", "--out", "x.docx"),
        ("decay", "--out", "x.svg"),
        ("spectrum", "--at", "407", "--out", "x.svg"),
        ("spectrum", "--sets", "1", "2", "--out", "x.svg"),
        ("before-after", "--sets", "1", "--out", "x.svg"),
        ("waterfall", "--out", "x.svg"),
    ],
    ids=" ".join,
)
def test_wrong_usage(command, worked, words):
    command("figure", "fiddle", *words, "--shop", worked[0]).failed(2)


def test_nothing_to_draw(command, tmp_path):
    command("job", "new", "v").done()
    for words in (("spectrum",), ("over-time",), ("before-after",), ("decay", "--at", "400")):
        assert "tap set" in command("figure", "v", *words, "--out", tmp_path / "x.svg").failed(1)
    assert not (tmp_path / "x.svg").exists()


@pytest.fixture
def small_demo(command, worked, tmp_path, monkeypatch):
    """Put the worked job in place of the seven weeks, which the test of the wheel builds in full."""
    exported = tmp_path / "exported"
    command("job", "export", "fiddle", exported, "--shop", worked[0]).done()
    monkeypatch.setattr(
        "resonance.demo.build_demo", lambda folder, progress: import_job(Shop(folder), exported)
    )
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_demo_prints_and_writes_apart_from_the_makers_shop(command, small_demo, shop):
    shown = command("demo").done()
    folder = small_demo / "resonance-demo"
    for said in ("Invented", "Tap set 1, ", "Tap set 2, ", "Tap set 1 → tap set 2", "Readings over time"):
        assert said in shown.text
    assert not shop.exists()
    page = (folder / "report.html").read_text("utf-8")
    assert (folder / "report.pdf").read_bytes().startswith(b"%PDF-1.7")
    assert "Invented" in page
    pictures = {path.name for path in folder.glob("*.svg")}
    assert pictures == {"summary.svg", "over-time.svg", "readings-set2.svg", "repeat.svg"}
    look = next(line for line in shown.out.splitlines() if line.startswith("Look around"))
    words = look.split("resonance ", 1)[1].split()
    command(*words).done()


def test_demo_again_takes_the_next_folder(command, small_demo):
    command("demo").done()
    assert "resonance-demo-2" in command("demo").done().out
    assert "holds something already" in command("demo", "--out", "resonance-demo").failed(1)


def test_demo_into_a_named_folder(command, small_demo):
    (small_demo / "empty").mkdir()
    command("demo", "--out", "empty").done()
    assert (small_demo / "empty" / "report.html").exists()
