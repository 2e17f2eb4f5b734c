"""How tests/data/shop_schema_1 was written; kept to be read, not run again: the shop must stay as it is."""

import sys
from datetime import datetime, timedelta, timezone

import numpy as np

from resonance.jobs.assign import apply_setup
from resonance.jobs.settings import Settings
from resonance.jobs.store import Shop
from resonance.modes.mode import Mode
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Adjustment, Setup
from resonance.sets.tapset import Analysis, Climate, Conditions, TapSet
from resonance.sound.recording import Recording, Take
from resonance.taps.tap import Tap

START = datetime(2026, 3, 2, 12, 0, tzinfo=timezone(timedelta(hours=1)))


def tap_set(number: int, *frequencies: float) -> TapSet:
    """Make a tap set of 50 ms of noise, with modes written down by hand."""
    noise = np.random.default_rng(number).uniform(-0.5, 0.5, (400, 1))
    return TapSet(
        "",
        START + timedelta(days=number - 1),
        tuple(
            Mode(
                hertz,
                0.012,
                frequency_u=0.1,
                label="A0" if i == 0 else None,
                labelled_by="program" * (i == 0),
            )
            for i, hertz in enumerate(frequencies)
        ),
        takes=(Take(Recording(noise, 8000.0, source=f"noise {number}"), "bridge, bass corner", "near"),),
        taps=(Tap(0.01), Tap(0.03, kept=False)),
        climate=Climate(20.5, 45.0),
        conditions=Conditions(holding="cradle", checks={"seams": True}),
        analysis=Analysis(1, "0.1.0", settings={"pitch_a4": 442.0}),
    )


def main(folder: str) -> None:
    """Write the shop."""
    shop = Shop(folder, clock=lambda: START)
    shop.set_settings(Settings(heading="Trial shop (invented)", pitch_a4=442.0))
    setup = apply_setup(Setup(), ["post.behind_mm=2.5", "stage=strung", "strings.A4.gauge_note=medium"])
    job = shop.new_job(Instrument("Trial viola", "viola", body_mm=405.0), setup=setup).id
    shop.add_tap_set(job, tap_set(1, 222.0, 441.0))
    shop.add_adjustment(job, Adjustment("", START + timedelta(hours=5), "soundpost", along_mm=0.25))
    shop.add_tap_set(job, tap_set(2, 223.0, 444.0), after="adj1")
    shop.label(job, "set1", 441.0, "B1-")
    shop.add_remark(job, "invented for the tests")
    shop.confirm_order(job)
    shop.add_remark(job, "a slip")
    shop.undo()


if __name__ == "__main__":
    main(sys.argv[1])
