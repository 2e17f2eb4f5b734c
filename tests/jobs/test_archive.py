"""Export and import: nothing is lost on the way, and damage is refused."""

import csv
import hashlib
import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from resonance.errors import NotFoundError, ResonanceError, ShopError
from resonance.jobs.archive import export_job, import_job, job_content
from resonance.jobs.database import add_act, add_record, reading, writing
from resonance.jobs.records import digest, to_record
from resonance.jobs.store import Shop
from resonance.sets.instrument import Instrument

from .conftest import START, VIOLA


def content(shop, job):
    """All records of a job, each with the place of its act in the job's history."""
    with reading(shop.database) as db:
        found = job_content(db, job)
    places = {act["id"]: place for place, act in enumerate(found["acts"])}
    acts = [
        {**act, "id": places[act["id"]], "undoes": places.get(act["undoes"]), "within": None}
        for act in found["acts"]
    ]
    records = [{**record, "act": places[record["act"]]} for record in found["records"]]
    return acts, records, found["sounds"]


def shown(shop, job):
    known = shop.job(job)
    return to_record({**vars(known), "id": None, "timeline": known.timeline})


def sound_bytes(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.fixture
def exported(shop, full_job, tmp_path):
    return export_job(shop, full_job.id, tmp_path / "viola for ever")


def test_a_job_comes_back_record_by_record_and_byte_by_byte(shop, full_job, exported, tmp_path):
    other = Shop(tmp_path / "other shop")
    other.new_job(Instrument("Cello", "cello"))
    job = import_job(other, exported)
    assert job.id == full_job.id
    assert shown(other, job.id) == shown(shop, full_job.id)
    acts, records, sounds = content(shop, full_job.id)
    there, their_records, their_sounds = content(other, job.id)
    first, *rest = there
    assert first["text"] == "imported the job viola-405"
    unmoved = [
        {**act, "id": act["id"] - 1, "undoes": None if act["undoes"] is None else act["undoes"] - 1}
        for act in rest
    ]
    assert unmoved == acts
    assert [{**record, "act": record["act"] - 1} for record in their_records] == records
    assert their_sounds == sounds
    assert sound_bytes(other.sound_folder) == sound_bytes(shop.sound_folder)
    assert other.check() == ()


def test_the_sound_is_what_the_maker_gave(exported, tmp_path):
    given = {
        hashlib.sha256(p.read_bytes()).hexdigest() + ".wav": p.read_bytes()
        for p in (tmp_path / "from the phone").iterdir()
        if "taps 4" not in p.name  # used for an analysis only
    }
    assert sound_bytes(exported / "sound") == given


def test_an_export_of_an_import_holds_the_same(shop, full_job, exported, tmp_path):
    other = Shop(tmp_path / "other shop")
    import_job(other, exported)
    third = Shop(tmp_path / "third shop")
    import_job(third, export_job(other, full_job.id, tmp_path / "again"))
    assert shown(third, full_job.id) == shown(shop, full_job.id)
    assert content(third, full_job.id)[1][-1]["body"] == content(shop, full_job.id)[1][-1]["body"]
    assert third.undo().text == "imported the job viola-405"
    assert third.jobs() == ()


def test_a_taken_id_gives_a_new_one_and_undo_takes_the_import_back_whole(shop, full_job, exported):
    job = import_job(shop, exported)
    assert job.id == "viola-405-2"
    assert shown(shop, job.id) == shown(shop, full_job.id)
    shop.add_remark(job.id, "goes on from here")
    shop.undo(job.id)
    assert shop.undo().text == "imported the job viola-405-2"
    assert [line.id for line in shop.jobs()] == ["viola-405"]
    with pytest.raises(NotFoundError):
        shop.undo(job.id)
    assert shop.check() == ()


def test_the_folder_can_be_read_without_the_program(exported, full_job):
    assert sorted(p.name for p in exported.iterdir()) == [
        "README.txt", "SHA256SUMS", "job.json", "readings.csv", "sound", "strings.csv", "timeline.csv",
    ]  # fmt: skip
    told = json.loads((exported / "job.json").read_text("utf-8"))
    assert (told["format"], told["format_version"], told["job"]) == ("resonance job", 1, "viola-405")
    bodies = [record["body"] for record in told["records"]]
    assert any(body.get("text") == "typed into the wrong job" for body in bodies)  # undone, not lost
    assert len(told["sounds"]) == 4
    with (exported / "readings.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 9
    named = [row for row in rows if row["label"] == "B1-"]
    assert [(r["set_id"], float(r["frequency"]), r["labelled_by"]) for r in named] == [
        ("set1", 441.1, "maker")
    ]
    with (exported / "timeline.csv").open(encoding="utf-8", newline="") as file:
        lines = list(csv.DictReader(file))
    assert [line["id"] for line in lines] == [entry.id for entry in full_job.timeline]
    assert [line["along_mm"] for line in lines if line["part"] == "soundpost"] == ["0.25"]
    assert [line["text"] for line in lines if line["kind"] == "remark"] == ["grün, “offen”"]
    readme = (exported / "README.txt").read_text("utf-8")
    for name in ("job.json", "readings.csv", "strings.csv", "timeline.csv", "sound/", "Viola 405"):
        assert name in readme


def test_an_empty_job_travels_too(shop, viola, tmp_path):
    other = Shop(tmp_path / "other shop")
    assert import_job(other, export_job(shop, viola, tmp_path / "out")).instrument == VIOLA


def test_odd_signs_travel(shop, tmp_path):
    name = 'Größe \udcff ☃ \x00 \\ "'
    job = shop.new_job(Instrument(name), notes=name).id
    other = Shop(tmp_path / "other shop")
    import_job(other, export_job(shop, job, tmp_path / "out"))
    assert (other.job(job).instrument.name, other.job(job).notes) == (name, name)


def test_a_folder_in_use_is_not_written_into(shop, full_job, tmp_path):
    (tmp_path / "there").mkdir()
    export_job(shop, full_job.id, tmp_path / "there")  # empty: taken
    with pytest.raises(ShopError, match="already and not empty; name a new folder"):
        export_job(shop, full_job.id, tmp_path / "there")


def test_a_stopped_export_leaves_nothing(shop, full_job, tmp_path):
    def stop(share, text):
        raise KeyboardInterrupt

    (tmp_path / "out").mkdir()
    with pytest.raises(KeyboardInterrupt):
        export_job(shop, full_job.id, tmp_path / "out" / "viola", progress=stop)
    assert list((tmp_path / "out").iterdir()) == []


@pytest.mark.parametrize(
    ("harm", "says"),
    [
        (lambda f: (f / "job.json").unlink(), "has no job.json"),
        (lambda f: (f / "job.json").write_text("{"), "damaged or unreadable"),
        (lambda f: (f / "job.json").write_text("[]"), "is not an exported job"),
        (lambda f: edit(f, '"a touch back"', '"a touch less"'), "changed or damaged"),
        (lambda f: edit(f, '"format_version": 1', '"format_version": 2'), "newer resonance"),
        (lambda f: next((f / "sound").iterdir()).unlink(), "is missing"),
        (lambda f: next((f / "sound").iterdir()).write_bytes(b"x"), "is damaged"),
    ],
)
def test_a_damaged_export_is_refused_and_changes_nothing(shop, full_job, exported, harm, says):
    harm(exported)
    before = shop.acts()
    with pytest.raises(ShopError, match=says) as caught:
        import_job(shop, exported)
    assert "\n" not in str(caught.value)
    assert shop.acts() == before


def edit(folder, old, new):
    path = folder / "job.json"
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new), "utf-8")


def test_a_damaged_recording_is_not_exported(shop, full_job, tmp_path):
    next(shop.sound_folder.iterdir()).write_bytes(b"x")
    with pytest.raises(ShopError, match="missing or damaged"):
        export_job(shop, full_job.id, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def signed(folder, change):
    """Change an export's content and sign it anew, as somebody who means harm can."""
    path = folder / "job.json"
    content = json.loads(path.read_text("utf-8"))
    change(content)
    content["digest"] = digest({name: content.get(name) for name in ("acts", "records", "sounds")})
    path.write_text(json.dumps(content), "utf-8")


@pytest.mark.parametrize(
    "change",
    [
        lambda c: c.update(acts=3.5),
        lambda c: c.update(records=["x"]),
        lambda c: c["acts"][0].update(id="1"),
        lambda c: c["acts"][1].update(id=c["acts"][0]["id"]),
        lambda c: c["acts"][1].update(within=99),
        lambda c: c["acts"][1].update(made="yesterday"),
        lambda c: c["records"][0].update(act=99),
        lambda c: c["records"][0].update(body=[]),
        lambda c: c["records"][0]["body"]["instrument"].update(year=[]),
        lambda c: [r for r in c["records"] if r["kind"] == "setup"][-1]["body"].update(projection_mm="wide"),
        lambda c: next(r for r in c["records"] if r["kind"] == "tap_set")["body"].update(takes=["x"]),
        lambda c: c.update(records=[r for r in c["records"] if r["kind"] != "job"]),
        lambda c: c["sounds"][0].update(file="../../evil"),
        lambda c: c["sounds"][0].update(sha256="0" * 64),
    ],
)
def test_an_export_made_to_harm_is_refused_and_changes_nothing(shop, full_job, exported, tmp_path, change):
    signed(exported, change)
    before = shop.acts()
    with pytest.raises(ResonanceError) as caught:
        import_job(shop, exported)
    assert "\n" not in str(caught.value)
    assert shop.acts() == before
    assert [line.id for line in shop.jobs()] == [full_job.id]
    assert not (tmp_path / "evil").exists()


def test_one_odd_job_does_not_hide_the_others(shop, viola):
    """A record that is whole but holds what no program of ours wrote."""
    with writing(shop.database) as db:
        act = add_act(db, made=START, job="odd", text="")
        add_record(db, act, job="odd", kind="job", id="job", body={"instrument": {"name": 3}})
    assert [(line.id, line.damaged) for line in shop.jobs()] == [(viola, False), ("odd", True)]


DOC = (Path(__file__).parents[2] / "resonance" / "jobs" / "export.md").read_text("utf-8")
(READER,) = re.findall(r"^```python\n(.*?)^```$", DOC, re.M | re.S)


def read_without_us(folder):
    """Run the reader that the document shows, with nothing but the standard library."""
    words = [sys.executable, "-I", "-S", "-X", "utf8", "-c", READER, str(folder)]
    return subprocess.run(words, capture_output=True, text=True, check=True, encoding="utf-8").stdout


def test_the_reader_in_the_document_reads_an_export_without_this_program(shop, full_job, exported):
    assert len([line for line in READER.splitlines() if line.strip()]) <= 60
    shown = read_without_us(exported).splitlines()
    assert shown[0] == "Viola 405 (viola)"
    assert [line.split()[0] for line in shown[1:-1] if not line.startswith(" ")] == [
        entry.id for entry in full_job.timeline
    ]
    readings = [line.split() for line in shown if " Hz ± " in line]
    wanted = [(f"{m.frequency:.2f}", m.label or "") for s in full_job.sets for m in s.modes]
    assert [(words[0], words[4] if len(words) > 4 else "") for words in readings] == wanted
    assert shown[-1] == f"{len(wanted)} readings in readings.csv"
    assert "CHANGED" not in "".join(shown)


def test_the_reader_tells_what_was_changed_since(exported):
    path = exported / "timeline.csv"
    path.write_bytes(path.read_bytes().replace(b"set1", b"set9", 1))
    assert read_without_us(exported).startswith("CHANGED: timeline.csv\n")


def test_the_document_names_every_kind_of_record_and_every_file(exported):
    content = json.loads((exported / "job.json").read_text("utf-8"))
    kinds = {record["kind"] for record in content["records"]}
    assert {"job", "tap_set", "analysis", "label", "same", "tap_verdict"} <= kinds
    for name in (*kinds, *(path.name for path in exported.iterdir() if path.is_file())):
        assert f"`{name}`" in DOC
