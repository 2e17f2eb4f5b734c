"""``modes``: what it finds on sound with known modes, and how it says it."""

import re

import pytest


@pytest.fixture(scope="module")
def looked(sounds):
    return sounds / "before.wav", sounds / "again.wav"


def test_json_finds_the_known_modes(command, sounds):
    found = command("modes", sounds / "before.wav", "--json").done().json
    assert {"id", "taken", "modes", "takes", "taps", "bands", "analysis", "reasons"} <= set(found)
    assert len([tap for tap in found["taps"] if tap["kept"]]) == 5
    for frequency in (272.0, 407.0, 462.0, 551.0):  # what the sound was made of (conftest)
        near = min(found["modes"], key=lambda mode: abs(mode["frequency"] - frequency))
        assert abs(near["frequency"] - frequency) < max(0.5, 3.0 * near["frequency_u"])
    assert found["strings"] == []  # the sound has none (conftest)
    assert 0 < len(found["advice"]) <= 3
    assert all(set(each) == {"code", "values"} and each["values"]["gain"] > 0.0 for each in found["advice"])
    assert found["taken"] is None
    assert found["takes"][0]["recording"]["source"] == "before.wav"
    assert "samples" not in found["takes"][0]["recording"]


def test_table_says_hertz_first_with_interval_name_note_damping(command, sounds):
    shown = command("modes", sounds / "before.wav").done()
    assert "before.wav: 5 taps used" in shown.out
    head = next(line for line in shown.out.splitlines() if "Damping" in line)
    assert re.match(r" *Frequency,? +Name +Note +Damping", head) or head.split()[0].startswith("Frequency")
    assert re.search(r"^ *27\d\.\d+ ± \d[\d.]* +A0\?", shown.out, re.M)  # guessed by range: FACTS of A0
    assert re.search(r"^ *46\d\.\d+ ± .*B1−\?", shown.out, re.M)


def test_says_what_the_sound_was_taken_for_unless_told(command, sounds):
    assert "Taken for a whole violin" in command("modes", sounds / "before.wav").done().text
    assert "Taken for" not in command("modes", sounds / "before.wav", "--piece", "top").done().text


def test_files_together_are_one_tap_set(command, looked):
    found = command("modes", *looked, "--json").done().json
    assert len(found["takes"]) == 2
    assert {tap["take"] for tap in found["taps"]} == {0, 1}
    assert len({mode["n_taps"] for mode in found["modes"]} & {9, 10}) > 0


def test_wildcards_are_filled_in_where_the_shell_does_not(command, sounds):
    assert len(command("modes", sounds / "*.wav", "--json").done().json["takes"]) == 3


def test_band_limits_where_it_looks(command, sounds):
    found = command("modes", sounds / "before.wav", "--band", "300", "500", "--json").done().json
    assert found["analysis"]["band"] == [300.0, 500.0]
    assert all(300.0 <= mode["frequency"] <= 500.0 for mode in found["modes"])


def test_a_channel_that_is_not_there(command, sounds):
    assert "channel" in command("modes", sounds / "before.wav", "--channel", "2").failed(1)


def test_the_same_file_twice_is_refused(command, sounds):
    assert "twice" in command("modes", sounds / "before.wav", sounds / "before.wav").failed(1)


def test_a_refused_tap_is_shown_with_its_reason(command, tmp_path, sounds):
    from resonance.sound.files import read_recording, write_recording
    from resonance.sound.recording import Recording

    whole = read_recording(sounds / "before.wav")
    loud = (whole.samples * 4.0).clip(-0.9999, 0.9999)
    half = whole.samples.shape[0] // 2
    loud[half:] = whole.samples[half:]
    write_recording(Recording(loud, whole.sample_rate), tmp_path / "loud.wav")
    shown = command("modes", tmp_path / "loud.wav").done().text
    assert "refused: clipped" in shown.lower() or "clipped" in shown
    assert "refused" in shown
