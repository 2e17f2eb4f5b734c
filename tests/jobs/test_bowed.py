"""Bowed sets in a job: kept, read back, read anew, told by hand, taken back."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from resonance.errors import NotFoundError, ResonanceError
from resonance.jobs.bowed import (
    add_bowed,
    bowed_sets,
    find_bowed,
    listening,
    nearest_tap_set,
    repeats_of,
    set_severity,
    up_to_date,
)
from resonance.jobs.change import DuplicateRecording
from resonance.jobs.recording import KeptRecording, add_recording, recordings
from resonance.jobs.records import to_record
from resonance.sets.bowedset import METHOD, analyse_bowed
from resonance.sets.setup import Adjustment
from resonance.sound.files import read_recording, write_recording
from resonance.sound.recording import Recording, Take

from .conftest import START


def sound(seed=1, level=0.1):
    """Two bowed-like notes on a viola: sums of partials, half a second of quiet between."""
    rate = 16000.0
    time = np.arange(int(1.2 * rate)) / rate
    edge = np.minimum(1, np.minimum(time, 1.2 - time) / 0.05)
    quiet = np.zeros(int(0.5 * rate))
    notes = [
        level * edge * sum(np.cos(2 * np.pi * k * f * time) / k for k in range(1, 7)) for f in (196.0, 220.0)
    ]
    whole = np.concatenate([quiet, notes[0], quiet, notes[1], quiet])
    return Recording((whole + 1e-4 * np.random.default_rng(seed).standard_normal(whole.size))[:, None], rate)


@pytest.fixture
def keep(shop, viola, tmp_path):
    def kept(seed=1, *, taken=None, **how):
        path = tmp_path / f"bowed {seed}.wav"
        if not path.exists():
            write_recording(sound(seed, **how), path)
        take = Take(read_recording(path), "", "in front")
        bowed = analyse_bowed([take], family="viola", taken=taken)
        return add_bowed(shop, viola, bowed, [path])

    return kept


def test_a_kept_set_comes_back_as_it_was(shop, viola, keep):
    kept = keep(taken=START)
    (found,) = bowed_sets(shop, viola)
    assert found.id == kept.id == "rec1"
    assert [n.name for n in found.notes] == ["G3", "A3"]
    assert to_record(found.notes) == to_record(kept.notes)
    assert found.taken == START
    assert found.method == METHOD
    assert found.setup.post.behind_mm == 2.5  # the job's setup at that time
    assert found.takes[0].microphone_place == "in front"
    assert shop.job(viola).sets == ()


def test_it_is_one_act(shop, viola, keep):
    keep()
    shop.undo(viola)
    assert bowed_sets(shop, viola) == ()


def test_the_same_recording_twice_is_refused(keep):
    keep()
    with pytest.raises(DuplicateRecording, match="already in recording rec1"):
        keep()


def test_what_the_recorder_kept_is_read_once(shop, viola):
    add_recording(shop, viola, KeptRecording("bowed", START, (Take(sound(), "", "near"),)))
    add_recording(shop, viola, KeptRecording("clap", START, (Take(sound(2), "", "near"),)))
    (found,) = bowed_sets(shop, viola)
    assert found.notes == ()
    assert found.method == 0
    job = shop.job(viola)
    (read,) = up_to_date(shop, job, [found], pitch_a4=440.0)
    assert [n.name for n in read.notes] == ["G3", "A3"]
    assert to_record(bowed_sets(shop, viola)[0].notes) == to_record(read.notes)
    assert len(recordings(shop, viola)) == 2


def test_severity_by_hand(shop, viola, keep):
    keep()
    assert set_severity(shop, viola, "1", 2).severity == 2
    assert bowed_sets(shop, viola)[0].severity == 2
    assert len(bowed_sets(shop, viola)[0].notes) == 2
    shop.undo(viola)
    assert bowed_sets(shop, viola)[0].severity is None
    with pytest.raises(ResonanceError, match="no severity"):
        set_severity(shop, viola, "rec1", 7)
    with pytest.raises(NotFoundError, match="there are: rec1"):
        find_bowed(bowed_sets(shop, viola), "rec9")


def test_repeats_are_sittings_with_nothing_between(shop, viola, keep):
    first, second = keep(1, taken=START), keep(2, taken=START + timedelta(days=1))
    third = keep(3, taken=START + timedelta(days=3))
    shop.add_adjustment(viola, Adjustment("", START + timedelta(days=2), "tail"))
    job, sets = shop.job(viola), bowed_sets(shop, viola)
    assert [(a.id, b.id) for a, b in repeats_of(job, sets)] == [(first.id, second.id)]
    undated = [sets[0], replace(sets[1], taken=None), sets[2]]
    assert repeats_of(job, undated) == ()
    assert third.id == "rec3"


def test_the_nearest_tap_set_has_no_adjustment_between(full_job, keep):
    before = keep(11, taken=START + timedelta(hours=1))
    after = keep(12, taken=START + timedelta(days=3))
    assert nearest_tap_set(full_job, before).id == "set1"
    assert nearest_tap_set(full_job, after).id == "set3"
    assert nearest_tap_set(full_job, replace(after, taken=None)).id == "set3"


def test_listening_brings_both_to_one_loudness(shop, keep):
    pytest.importorskip("pyloudnorm")
    from resonance.spectra.loudness import loudness

    loud, soft = keep(1, level=0.2), keep(2, level=0.05)
    both, gain_db = listening(shop, loud, soft, pause=0.5)
    half = (both.samples.shape[0] - 8000) // 2
    first, second = (
        loudness(Recording(part, 16000.0)) for part in (both.samples[:half], both.samples[-half:])
    )
    assert gain_db == pytest.approx(20 * np.log10(4), abs=0.2)  # made four times as loud
    assert first == pytest.approx(second, abs=0.1)
    assert np.abs(both.samples).max() <= 0.9
