"""What a sound server tells, in the words of PulseAudio 16 (taken down and shortened; the last entry, of
PipeWire, from memory). The real path is in tests/system/test_terminal.py.
"""

import json
import os
import sys

import pytest

from resonance.reasons import Reason
from resonance.taking.soundserver import Source, gone_over, source_in_use, source_reasons

ME = str(os.getpid())
SOURCES = [
    {
        "index": 1,
        "name": "alsa_input.usb-mic",
        "description": "USB microphone",
        "driver": "module-alsa-card.c",
        "sample_specification": "s16le 1ch 44100Hz",
        "properties": {"device.class": "sound"},
    },
    {
        "index": 4,
        "name": "calm",
        "description": "USB microphone (echo cancelled)",
        "driver": "module-echo-cancel.c",
        "sample_specification": "float32le 1ch 48000Hz",
        "properties": {"device.class": "filter"},
    },
    {
        "index": 61,
        "name": "source_rnnoise",
        "description": "Quiet microphone",
        "driver": "PipeWire",
        "sample_specification": "float32le 1ch 48000Hz",
        "properties": {},
    },
]


def output(source, process=ME):
    properties = {"application.process.id": process, "media.name": "ALSA Capture"}
    return {"index": 7, "source": source, "properties": properties}


@pytest.fixture
def server(tmp_path, monkeypatch):
    """A pactl that answers with what it is given."""

    def answering(outputs, sources=SOURCES, *, text=None):
        for name, answer in (("source-outputs", outputs), ("sources", sources)):
            (tmp_path / name).write_text(json.dumps(answer) if text is None else text)
        script = tmp_path / "pactl"
        script.write_text(f'#!/bin/sh\n[ "$1 $2" = "--format=json list" ] && cat "{tmp_path}/$3"\n')
        script.chmod(0o755)
        monkeypatch.setenv("PATH", f"{tmp_path}:{os.environ['PATH']}")

    return answering


def test_the_input_of_this_program_is_found_among_others(server):
    server([{"index": 0, "source": 4, "properties": {}}, output(4, "1"), output(1)])
    assert source_in_use() == Source("alsa_input.usb-mic", "USB microphone", 44_100.0, False)


@pytest.mark.parametrize(
    ("index", "reasons"),
    [
        (1, (Reason("rate_not_native", {"rate": 48_000.0, "native": 44_100.0}),)),
        (4, (Reason("gain_control_on", {"source": "USB microphone (echo cancelled)"}),)),
        (61, (Reason("gain_control_on", {"source": "Quiet microphone"}),)),
    ],
)
def test_what_endangers_a_recording_is_said(server, index, reasons):
    server([output(index)])
    assert source_reasons(source_in_use(), sample_rate=48_000.0) == reasons


@pytest.mark.parametrize("text", ["", "{}", "[1, 2", "Connection refused", '[{"index": 1}]', "[7]"])
def test_what_cannot_be_read_tells_nothing(server, text):
    server([], text=text)
    assert source_in_use() is None
    assert source_reasons(None, sample_rate=48_000.0) == ()


def test_without_a_sound_server_nothing_is_known(monkeypatch, tmp_path):
    monkeypatch.setenv("PATH", str(tmp_path))
    assert source_in_use() is None


def test_going_over_to_another_microphone_is_told_and_staying_is_not():
    one, two = Source("a", "USB microphone"), Source("b")
    assert gone_over(one, one) == gone_over(None, one) == gone_over(one, None) == ""
    assert gone_over(one, two).startswith("the system went over from USB microphone to b;")


@pytest.mark.skipif(sys.platform == "win32", reason="no shell scripts there")
def test_the_process_may_be_named(server):
    server([output(4, "4711")])
    assert source_in_use() is None
    assert source_in_use(4711).name == "calm"
