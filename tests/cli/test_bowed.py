"""``bowed``: notes of made-up sound, what it says of them, and bowed sets in a job."""

import sys
from pathlib import Path

import numpy as np
import pytest

from resonance.sound.files import write_recording
from resonance.sound.recording import Recording

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks" / "bowed"))
from sounds import steady_note

RATE = 24000.0
NOTES = (174.61, 185.0, 196.0, 207.65, 220.0)  # F3 to A3, ISO 16


def bowed_file(path, *, seed, wolf=0.6):
    """Five notes of a cello, each twice, the third beating."""
    rng = np.random.default_rng(seed)
    pieces = [np.zeros(int(0.4 * RATE))]
    for _ in range(2):
        for pitch in NOTES:
            depth = wolf if pitch == 196.0 else 0.0
            note = steady_note(
                pitch, rng=rng, duration=1.5, rate=RATE, body=False, beat_rate=5.0, depth=depth
            )
            n = note.size
            edge = np.minimum(1, np.minimum(np.arange(n), n - np.arange(n)) / (0.05 * RATE))
            pieces += [0.1 / note.std() * note * edge, np.zeros(int(0.4 * RATE))]
    sound = np.concatenate(pieces)
    write_recording(Recording((sound + 1e-4 * rng.standard_normal(sound.size))[:, None], RATE), path)
    return path


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bowed")
    return bowed_file(folder / "one.flac", seed=1), bowed_file(folder / "two.flac", seed=2, wolf=0.25)


def test_json_holds_notes_with_pitch_and_uncertainty(command, files):
    found = command("bowed", files[0], "--family", "cello", "--json").done().json
    assert [note["name"] for note in found["notes"]] == ["F3", "F♯3", "G3", "G♯3", "A3"] * 2
    for note, pitch in zip(found["notes"], NOTES * 2, strict=True):
        assert abs(note["pitch"] - pitch) < max(4 * note["pitch_u"], 0.001 * pitch)
        assert note["pitch_u"] > 0
    assert len(found["wolves"]) == 2
    assert found["evenness"]["player_dof"] == 5
    assert len(found["average_db"]) == len(found["bands"])


def test_the_screen_says_notes_wolf_and_cents(command, files):
    text = command("bowed", files[0], "--family", "cello").done().text
    assert "10 notes, 5 different ones" in text
    assert "odd partials beat, even ones do not" in " ".join(text.split())
    assert "marked by measure" in " ".join(text.split()) or "strong by measure" in text
    assert "Off, cents" in text
    assert "no loudness in the room" in " ".join(text.split())


def test_a_job_keeps_lists_shows_compares_and_lets_hear(command, files, tmp_path):
    command("job", "new", "cello-1", "--family", "cello").done()
    command("setup", "cello-1", "fittings.suppressor_string=G", "fittings.suppressor_mm=62").done()
    how = ("--mic", "in front", "--player", "Anna")
    assert "Kept as rec1" in command("bowed", files[0], "--keep", "cello-1", *how).done().text
    assert "already in recording rec1" in command("bowed", files[0], "--keep", "cello-1").failed(1)
    command("bowed", files[1], "--keep", "cello-1", "--severity", "1", *how).done()
    listed = command("bowed", "--job", "cello-1").done().text
    assert "rec1" in listed
    assert "62 mm from the" in listed
    assert "slight" in listed
    assert "By ear: bothersome" in " ".join(
        command("bowed", "--job", "cello-1", "rec1", "--severity", "2").done().text.split()
    )
    out = tmp_path / "both.wav"
    compared = command("bowed", "--job", "cello-1", "rec1", "rec2", "--listen", out).done().text
    assert "G3: weaker" in compared
    assert "5 notes played in both" in " ".join(compared.split())
    assert "room, bow and way of playing" in " ".join(compared.split())
    assert out.exists()
    record = command("bowed", "--job", "cello-1", "1", "2", "--json").done().json
    assert {"bands", "wolves", "comparable", "reasons"} <= set(record)
    assert len(command("bowed", "--job", "cello-1", "--json").done().json["bowed"]) == 2
    report = tmp_path / "report.txt"
    command("report", "cello-1", "--out", report, "--for", "bench").done()
    assert "Bowed notes" in report.read_text("utf-8")


def test_wrong_usage_is_one_line(command, files, tmp_path):
    assert "name recordings" in command("bowed").failed(2)
    assert "severity" in command("bowed", files[0], "--severity", "9").failed(2)
    assert "--listen needs two" in command("bowed", files[0], "--listen", "x.wav").failed(2)
    command("job", "new", "empty").done()
    assert "no bowed set yet" in command("bowed", "--job", "empty").done().text
    assert "there are: none yet" in command("bowed", "--job", "empty", "rec1").failed(1)
    silence = tmp_path / "silence.wav"
    noise = np.random.default_rng(1).standard_normal((24000, 1)) * 1e-3
    write_recording(Recording(noise, RATE), silence)
    assert "No held note was found" in command("bowed", silence).done().text
    assert "nothing was kept" in command("bowed", silence, "--keep", "empty").failed(1)


def test_a_slide_shows_the_hills(command, tmp_path):
    """One resonance at 300 Hz, 2 % damped, under a slide of an octave."""
    rate, seconds = 16000.0, 8.0
    time = np.arange(int(seconds * rate)) / rate
    pitch = 200.0 * 2 ** (time / seconds)
    turns = np.cumsum(pitch) / rate
    sound = np.zeros(time.size)
    for k in range(1, 7):
        x = k * pitch / 300.0
        gain = np.abs(0.04j * x / (1 - x**2 + 0.04j * x)) + 0.05
        sound += gain / k * np.cos(2 * np.pi * k * turns + k)
    sound += 1e-4 * np.random.default_rng(1).standard_normal(time.size)
    path = tmp_path / "slide.wav"
    write_recording(Recording(0.2 * sound[:, None], rate), path)
    found = command("bowed", path, "--slide", "--json").done().json
    strongest = max(found["slide"]["hills"], key=lambda hill: hill["height_db"])
    assert strongest["frequency"] == pytest.approx(300.0, abs=max(4.0, 3 * strongest["frequency_u"]))
    assert "Hills under the slide" in command("bowed", path, "--slide").done().text
    assert "--keep" in command("bowed", path, "--slide", "--keep", "x").failed(2)
