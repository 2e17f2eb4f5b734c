"""The recordings that come with the program: they hold what truth.json says, and can be made again."""

import hashlib
import json
from pathlib import Path

import numpy as np
import pytest

from resonance.demo import write_excerpts
from resonance.demo.excerpts import EXCERPTS
from resonance.sound.files import flac_writer, read_recording
from resonance.taps.find import find_taps

FOLDER = Path(__file__).parents[2] / "recordings_demo"
TRUTH = json.loads((FOLDER / "truth.json").read_text("utf-8"))
FAULTS = {"double_hit": "double_hit", "clipped": "clipped", "dull": "dull"}


@pytest.fixture(scope="module")
def again(tmp_path_factory):
    folder = tmp_path_factory.mktemp("again")
    write_excerpts(folder)
    return folder


def test_twelve_files_and_not_too_heavy():
    names = sorted(p.name for p in FOLDER.glob("*.flac"))
    assert names == sorted(e.name for e in EXCERPTS) == sorted(f["file"] for f in TRUTH["files"])
    assert len(names) == 12
    sizes = [p.stat().st_size for p in FOLDER.iterdir()]
    assert sum(sizes) < 5.5e6
    assert max(sizes) < 1e6


def test_said_to_be_invented():
    assert "Invented and synthesised" in (FOLDER / "README.md").read_text("utf-8")
    assert TRUTH["invented"].startswith("Invented")


def test_hashes_are_those_of_the_files():
    for record in TRUTH["files"]:
        assert hashlib.sha256((FOLDER / record["file"]).read_bytes()).hexdigest() == record["sha256"]


@pytest.mark.parametrize("name", [e.name for e in EXCERPTS])
def test_made_again_they_are_the_same_sound(again, name):
    kept, made = read_recording(FOLDER / name), read_recording(again / name)
    assert np.abs(kept.samples - made.samples).max() <= 2.0**-22  # another processor may round one step away
    assert kept.warnings == ()


def test_made_again_they_are_the_same_bytes(again):
    if flac_writer() != TRUTH["encoder"]:
        assert "libsndfile" in flac_writer()  # another writer packs the same sound in other bytes
        return
    same = [(again / e.name).read_bytes() == (FOLDER / e.name).read_bytes() for e in EXCERPTS]
    assert all(same)


@pytest.mark.parametrize("record", TRUTH["files"], ids=lambda record: record["file"])
def test_taps_are_found_within_two_milliseconds(record):
    found = find_taps(read_recording(FOLDER / record["file"]))
    made = [t["onset"] for t in record["taps"]]
    assert len(found) == len(made)
    assert [t.onset for t in found] == pytest.approx(made, abs=0.002)


@pytest.mark.parametrize("record", TRUTH["files"], ids=lambda record: record["file"])
def test_bad_taps_are_known_as_such_and_good_ones_kept(record):
    for tap, made in zip(find_taps(read_recording(FOLDER / record["file"])), record["taps"], strict=True):
        codes = {fault.code for fault in tap.faults}
        if made["fault"]:
            assert FAULTS[made["fault"]] in codes
        else:
            assert tap.kept
