"""A set taken at a terminal as a maker would: what is asked, pressed and seen, on the real sound path.

The terminal is tests/system/terminal.py, 80 columns wide; sound is played into a private PulseAudio.
"""

import json
import signal
import sys
import time

import numpy as np
import pytest
import soundfile

from resonance.jobs.recording import recordings
from resonance.jobs.store import Shop
from resonance.sets.instrument import Instrument
from resonance.sets.tapset import CHECKS
from resonance.sound.synthesis import Blow, BodyMode
from resonance.taking.spool import unfinished
from tests.system.sound_server import RATE, SoundServer, missing
from tests.system.terminal import COLUMNS, Terminal
from tests.taking.making import good_taps, quiet, ringing, taken

pytestmark = [pytest.mark.slow, pytest.mark.skipif(bool(missing()), reason=missing() or "all there")]


@pytest.fixture
def server(tmp_path):
    server = SoundServer(tmp_path / "server", names=("bench", "other"))
    yield server
    server.close()


@pytest.fixture
def shop(tmp_path):
    shop = Shop(tmp_path / "shop")
    shop.new_job(Instrument("fiddle"))
    return shop


@pytest.fixture
def terminal(server, shop):
    """Opens a terminal with a command of the program in it."""
    opened = []

    def open_one(*words):
        command = [sys.executable, "-m", "resonance.cli.main", "--shop", str(shop.folder), *words]
        opened.append(Terminal(command, env=server.environment))
        return opened[-1]

    yield open_one
    for each in opened:
        each.end()


def written(path, sound):
    soundfile.write(path, sound, RATE, subtype="PCM_24")
    return path


def tapping(path, count, *, seed, spacing=1.5):
    """A file of taps in a quiet room, by a steady hand."""
    rng = np.random.default_rng(seed)
    blows = good_taps(count, rng=rng, first=1.6, spacing=spacing)
    return written(path, taken(blows, blows[-1].onset + 1.2, rng=rng))


def test_a_set_takes_four_actions_and_less_than_ninety_seconds(server, shop, terminal, tmp_path):
    """Start it; so it is, with the air; all checked; the microphone has moved. Eight taps, 1.5 s apart."""
    sounds = [
        tapping(tmp_path / f"place{k}.wav", 6, seed=k) for k in (1, 2)
    ]  # two in hand, on a busy machine
    began = time.monotonic()
    maker = terminal("take", "fiddle", "--device", "bench")
    asked = maker.wait("Enter: so it is")
    assert "It stands at" in asked
    maker.type("21 45\n")
    assert "Air: 21 °C, 45 %" in maker.wait("y: all well")
    maker.type("y\n")
    ready = maker.wait("Ready, 48000 Hz.")
    assert "Never on varnish" in ready
    player = server.play(sounds[0])
    moving = maker.wait("Move the microphone to: bass side")
    assert "space: the microphone has moved" in moving
    assert "✓" not in moving.splitlines()[8]
    player.terminate()
    maker.type(" ")
    maker.wait("Tap on.")
    server.play(sounds[1])
    left = maker.ended()
    took = time.monotonic() - began
    assert maker.process.returncode == 0, left
    assert took < 90.0
    assert 1 + maker.typed <= 4  # to start it is one
    (tap_set,) = shop.job("fiddle").sets
    assert sum(tap.kept for tap in tap_set.taps) == 8
    assert (tap_set.climate.temperature_c, tap_set.climate.humidity_percent) == (21.0, 45.0)
    assert dict(tap_set.conditions.checks) == dict.fromkeys(CHECKS, True)
    assert tap_set.conditions.microphone == "bench"
    assert shop.settings().device == "bench"
    assert maker.screen.second is None  # the maker's own screen is back
    assert maker.screen.blanked == 1  # wiped once, when the picture came: nothing flickers
    assert "ALSA" not in maker.seen
    assert max(len(line) for line in left.splitlines()) <= COLUMNS
    _next_set_is_as_the_last_one(terminal)


def _next_set_is_as_the_last_one(terminal):
    maker = terminal("take", "fiddle", "--holding", "lap")
    asked = maker.wait("Enter: so it is")
    assert "Microphone      bench" in asked
    assert "treble f-hole then bass side" in asked
    assert "Held            lap" in asked
    maker.end()


def test_ctrl_c_gives_the_terminal_back_and_keeps_what_was_recorded(server, shop, terminal, tmp_path):
    sound = tapping(tmp_path / "taps.wav", 3, seed=3)
    maker = terminal("take", "fiddle", "--device", "bench", "--silent", "--check", *(
        f"{check.replace(' ', '-')}=yes" for check in CHECKS
    ))  # fmt: skip
    maker.wait("Enter: so it is")
    maker.type("\n")
    maker.wait("Ready, ")
    server.play(sound)
    maker.wait("Accepted, 3 of 4")
    maker.type("\x03")
    left = maker.ended()
    assert maker.process.returncode == 130
    assert maker.screen.second is None
    assert "Stopped. What was recorded is kept" in left
    assert "█" not in left  # nothing of the picture
    assert "Traceback" not in maker.seen
    (spool,) = unfinished(shop.folder)
    _offered_and_kept(shop, terminal, spool)


def _offered_and_kept(shop, terminal, spool):
    maker = terminal("take", "fiddle", "--device", "bench")
    maker.wait("was cut off: 3 taps. Keep it?")
    maker.type("y\n")
    maker.wait("Enter: so it is", within=120)
    maker.type("\x03")
    maker.ended()
    (tap_set,) = shop.job("fiddle").sets
    assert sum(tap.kept for tap in tap_set.taps) == 3
    assert tap_set.conditions.checks["seams"] is True
    assert not spool.folder.exists()
    assert shop.check() == ()


def test_a_closed_terminal_loses_nothing_and_what_is_left_can_be_discarded(server, shop, terminal, tmp_path):
    sound = tapping(tmp_path / "taps.wav", 3, seed=4)
    maker = terminal("take", "fiddle", "--device", "bench", "--silent")
    maker.wait("Enter: so it is")
    maker.type("\n")
    maker.wait("y: all well")
    maker.type("\n")
    maker.wait("Ready, ")
    server.play(sound)
    maker.wait("Accepted, 2 of 4")
    maker.close()
    maker.process.wait(timeout=30)
    assert maker.process.returncode in (-signal.SIGHUP, 1)
    (spool,) = unfinished(shop.folder)
    assert spool.n_samples > 3.0 * RATE
    again = terminal("take", "fiddle", "--device", "bench")
    again.wait("was cut off: 2 taps. Keep it?")
    again.type("n\n")
    again.wait("Discard it for good?")
    again.type("y\n")
    again.wait("Enter: so it is")
    assert not spool.folder.exists()
    assert shop.job("fiddle").sets == ()


def bowed(path):
    """Three notes of a saw at the G string, a second and a half each."""
    sound = quiet(11.0, rng=np.random.default_rng(6))
    times = np.arange(round(1.5 * RATE)) / RATE
    saw = 0.2 * ((times * 196.0) % 1.0 - 0.5) * np.minimum(1.0, times / 0.1)
    for start in (1.5, 4.5, 7.5):
        sound[round(start * RATE) :][: len(saw)] += saw
    return written(path, sound[:, None])


def test_bowed_notes_are_kept_with_the_job(server, shop, terminal, tmp_path):
    path = bowed(tmp_path / "bowed.wav")
    maker = terminal("take", "fiddle", "--device", "bench", "--bowed", "--taps", "3")
    maker.wait("Enter: so it is")
    maker.type("\n")
    maker.wait("y: all well")
    maker.type("\n")
    ready = maker.wait("Ready, ")
    assert "varnish" not in ready
    assert "Take care" not in maker.seen
    server.play(path)
    assert "2 OF" not in maker.wait("✓ Note 2 of 3, 1.")  # large letters are drawn, not written
    left = maker.ended()
    assert maker.process.returncode == 0, left
    assert "Kept as rec1 of fiddle: 3 bowed notes." in left
    (kept,) = recordings(shop, "fiddle")
    assert (kept.what, len(kept.events)) == ("bowed", 3)
    assert [round(end - start, 1) for start, end in kept.events] == pytest.approx([1.5] * 3, abs=0.15)
    stored, _ = soundfile.read(shop.sound_file(kept.takes[0].recording.sha256))
    played, _ = soundfile.read(path)
    first = int(np.argmax(np.abs(stored) > 0.0)) - int(np.argmax(np.abs(played) > 0.0))
    n = round(8.0 * RATE)
    assert np.array_equal(stored[first + 100 : first + n], played[100:n])


def test_a_clap_is_kept_and_what_rings_in_it_is_told(server, shop, terminal, tmp_path):
    """A room of two resonances under a burst that dies away in a tenth of a second."""
    rng = np.random.default_rng(5)
    blows = [Blow(1.5 + 2.5 * k, 1.0, 0.0006) for k in range(3)]
    rooms = [BodyMode(340.0, 0.006, 0.8), BodyMode(620.0, 0.005, 0.6)]
    sound = quiet(9.5, rng=rng) + ringing(blows, 9.5, modes=rooms, peak=0.3)
    times = np.arange(round(0.2 * RATE)) / RATE
    for blow in blows:
        burst = 0.1 * rng.standard_normal(len(times)) * np.exp(-np.log(1000.0) / 0.1 * times)
        sound[round(blow.onset * RATE) :][: len(burst)] += burst
    maker = terminal("take", "fiddle", "--device", "bench", "--clap", "--taps", "2", "--silent")
    maker.wait("Enter: so it is")
    maker.type("\n")
    assert "Clap once, loudly" in maker.wait("Ready, ")
    server.play(written(tmp_path / "clap.wav", sound[:, None]))
    left = maker.ended(within=90)
    assert maker.process.returncode == 0, left
    assert "Kept as rec1 of fiddle: 2 claps." in left
    assert "Heard in it: 2 resonances of the room." in left
    assert maker.typed == 1
    assert [each.what for each in recordings(shop, "fiddle")] == ["clap"]


def test_what_the_system_does_to_the_sound_is_said(server, shop, tmp_path):
    """An echo canceller before the microphone; a rate that is not the device's own."""
    server.pactl("load-module", "module-echo-cancel", "source_name=calm", "source_master=bench",
                 "sink_master=other_sink", "aec_method=null", "rate=48000")  # fmt: skip
    environment = {"PULSE_SOURCE": "calm"}
    process = server.resonance(
        "--shop", shop.folder, "take", "fiddle", "--device", "pulse", "--rate", "44100", "--dry-run",
        "--json",
        env=environment,
    )  # fmt: skip
    try:
        lines = []
        for line in process.stderr:
            lines.append(line)
            if line.startswith("Ready, 44100 Hz"):
                break
        out, _ = process.communicate("q\n", timeout=60)
    finally:
        process.kill()
        process.wait()
    said = " ".join(lines)
    assert "gain" in said
    assert "44100 Hz" in said
    assert "48000 Hz" in said
    assert not out or json.loads(out) is not None
