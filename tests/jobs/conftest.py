"""Small made-up jobs: short noise for sound, modes and taps written down by hand."""

from datetime import datetime, timedelta, timezone

import numpy as np
import pytest

from resonance.jobs.assign import apply_setup
from resonance.jobs.store import Shop
from resonance.modes.mode import Level, Mode
from resonance.reasons import Fault, Reason
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Adjustment, Setup
from resonance.sets.tapset import Analysis, Climate, Conditions, TapSet
from resonance.sound.files import read_recording, write_recording
from resonance.sound.recording import Recording, Take
from resonance.spectra.bands import BandLevel
from resonance.taps.tap import Tap

START = datetime(2026, 3, 2, 12, 0, tzinfo=timezone(timedelta(hours=1)))
VIOLA = Instrument("Viola 405", "viola", maker="nobody", body_mm=405.0)


@pytest.fixture
def clock():
    """A clock that gains a minute each time it is read."""
    minutes = iter(range(10**6))
    return lambda: START + timedelta(minutes=next(minutes))


@pytest.fixture
def shop(tmp_path, clock):
    return Shop(tmp_path / "shop", clock=clock)


@pytest.fixture
def viola(shop):
    """A job with a known post position, nothing in it yet."""
    setup = apply_setup(Setup(), ["post.behind_mm=2.5", "post.inward_mm=3", "stage=strung"])
    return shop.new_job(VIOLA, setup=setup).id


@pytest.fixture
def make_set(tmp_path):
    """Make an analysed tap set and the files of its recordings."""
    folder = tmp_path / "from the phone"
    folder.mkdir(exist_ok=True)

    def make(seed, *, frequencies=(222.0, 355.0, 441.0), taken=None, n_takes=1, method=1):
        files, takes = [], []
        for index in range(n_takes):
            noise = 0.1 * np.random.default_rng([seed, index]).standard_normal((800, 1))
            files.append(folder / f"taps {seed}-{index}.wav")
            write_recording(Recording(noise.clip(-1, 1), 8000.0), files[-1])
            takes.append(Take(read_recording(files[-1]), "bridge, bass corner", f"place {index}"))
        return analysed(takes, frequencies, taken, method), files

    return make


def analysed(takes, frequencies, taken=None, method=1):
    """Dress takes up as an analysed tap set."""
    modes = tuple(
        Mode(
            hertz,
            0.012,
            frequency_u=0.1,
            frequency_dof=5.0,
            damping_u=0.001,
            n_taps=4,
            levels=(Level("bridge, bass corner", "place 0", -3.0 - i),),
            kind="air" if i == 0 else "body",
            label="A0" if i == 0 else None,
            labelled_by="program" if i == 0 else "",
            reasons=(Reason("damping_from_short_record", {"record": 0.1}),) if i == 1 else (),
        )
        for i, hertz in enumerate(frequencies)
    )
    taps = (Tap(0.02, end=0.05, peak_dbfs=-3.0), Tap(0.06, kept=False, faults=(Fault("clipped", {"n": 4}),)))
    return TapSet(
        "",
        taken,
        modes,
        takes=tuple(takes),
        taps=taps,
        bands=(BandLevel(200.0, 400.0, db=-6.0),),
        climate=Climate(20.5, 45.0),
        conditions=Conditions(holding="cradle", checks={"seams": True, "post": None}),
        analysis=Analysis(
            method, "0.1.0", settings={"pitch_a4": 440.0, "family": "viola"}, band=(60.0, 1200.0)
        ),
    )


@pytest.fixture
def full_job(shop, viola, make_set):
    """A job with a bit of everything: three tap sets, an adjustment, a remark, verdicts, an undone act."""
    first, files = make_set(1, n_takes=2, taken=START)
    shop.add_tap_set(viola, first, files)
    post = Adjustment("", START + timedelta(days=1), "soundpost", along_mm=0.25, note="a touch back")
    shop.add_adjustment(viola, post)
    shop.add_remark(viola, "grün, “offen”")
    second, files = make_set(2, frequencies=(223.0, 352.0, 444.0), taken=START + timedelta(days=2))
    shop.add_tap_set(viola, second, files, after="adj1")
    third, files = make_set(3, frequencies=(223.5, 352.2, 444.5), taken=START + timedelta(days=2, hours=1))
    third = type(third)(**{**vars(third), "repeat_of": "set2", "repeat_kind": "put back"})
    shop.add_tap_set(viola, third, files)
    shop.label(viola, "set1", 441.0, "B1-")
    shop.same_mode(viola, ("set1", 355.0), ("set2", 352.0))
    shop.judge_tap(viola, "set1", 0, 0.06, kept=True)
    shop.add_analysis(viola, "set1", make_set(4, frequencies=(222.1, 355.1, 441.1), method=1)[0])
    shop.set_target(viola, "set1")
    shop.add_remark(viola, "typed into the wrong job")
    shop.undo(viola)
    return shop.job(viola)
