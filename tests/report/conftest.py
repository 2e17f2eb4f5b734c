"""A made-up job, built by hand: a viola, three tap sets, two adjustments, one comparison of each step."""

from datetime import datetime, timedelta, timezone
from math import nan

import numpy as np
import pytest

from resonance.changes.comparison import BandChange, Comparison, ModeShift, Scatter
from resonance.jobs.job import Entry, Job
from resonance.modes.mode import Level, Mode
from resonance.reasons import Fault, Reason
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Adjustment, Bridge, Fittings, Post, Setup, String, Tail
from resonance.sets.tapset import Analysis, Climate, Conditions, TapSet
from resonance.sound.recording import Recording, Take
from resonance.spectra.bands import BandLevel
from resonance.taps.tap import Tap

ZONE = timezone(timedelta(hours=1))


def at(day, hour=10):
    return datetime(2025, 3, day, hour, 30, tzinfo=ZONE)


def a_mode(frequency, u=0.3, *, damping=0.012, label=None, by="program", kind="body", track=None, **more):
    return Mode(
        frequency=frequency,
        damping=damping,
        frequency_u=u,
        frequency_dof=7.0,
        damping_u=nan if damping != damping else 0.0006,
        damping_dof=7.0,
        peak=frequency + 0.4,
        n_taps=8,
        levels=(Level("bass corner", "near f-hole", -6.0, 0.4),),
        snr_db=34.0,
        limited_by="hand",
        kind=kind,
        label=label,
        labelled_by=by if label else "",
        track=track,
        **more,
    )


def modes_of(step=0.0):
    """Seven resonances; `step` moves the two main body notes, in Hz."""
    too_short = Reason("record_too_short", {"needed": 0.9})
    return (
        a_mode(196.3, 0.02, damping=0.0004, kind="string"),
        a_mode(231.4, 0.5, damping=0.027, label="A0", kind="air", track="m1"),
        a_mode(318.2, 0.4, damping=nan, track="m2", reasons=(too_short,)),
        a_mode(352.6 + step, 0.25, label="B1-", by="maker", track="m3"),
        a_mode(412.0, nan, track="m4", reasons=(Reason("one_tap"),)),
        a_mode(441.3 + 1.2 * step, 0.3, label="B1+", track="m5"),
        a_mode(612.7, 1.4, track="m6", damping=0.02),
    )


def a_take(tap_place="bass corner", microphone_place="near f-hole", warnings=()):
    recording = Recording(
        np.zeros((0, 1)), 48000.0, started=at(3), source="taps one.wav", sha256="0" * 64, warnings=warnings
    )
    return Take(recording, tap_place, microphone_place)


def taps_of(refused=()):
    kept = tuple(Tap(0.4 + k, peak_dbfs=-9.0, snr_db=31.0, reach=2400.0) for k in range(8))
    return kept + tuple(Tap(9.0 + k, kept=False, faults=(fault,)) for k, fault in enumerate(refused))


ANALYSIS = Analysis(
    method=1,
    program="0.1.0",
    made=at(21),
    settings={"pitch_a4": 440.0},
    libraries={"numpy": "2.4.6", "scipy": "1.17.1"},
    record=0.55,
    band=(60.0, 1200.0),
    reach=2400.0,
    misfit=0.06,
    noise_db=33.0,
)


def a_set(number, day, *, step=0.0, climate=None, refused=(), after=(), reasons=(), remark="", **more):
    return TapSet(
        id=f"set{number}",
        taken=at(day),
        modes=modes_of(step),
        takes=(a_take(),),
        taps=taps_of(refused),
        bands=(BandLevel(1000.0, 1260.0, db=-12.0, db_u=0.5),),
        climate=climate or Climate(21.0, 45.0, 2.0),
        conditions=Conditions(
            holding="cradle",
            string_damping="felt strip",
            tapper="Ada Hostile",
            microphone="small condenser",
            checks={"seams": True, "post": True, "bridge upright": None, "at pitch": True},
            remark=remark,
        ),
        after=after,
        analysis=ANALYSIS,
        reasons=reasons,
        **more,
    )


def shift_of(before, after, verdict, *, source="assumed", least=11.0, u=0.35, half_cents=9.0, **more):
    moved = after.frequency - before.frequency
    interval = 1200.0 * float(np.log2(after.frequency / before.frequency))
    return ModeShift(
        track=before.track,
        label=before.label,
        before=before,
        after=after,
        shift=moved,
        shift_u=u,
        shift_cents=interval,
        interval_cents=(interval - half_cents, interval + half_cents),
        damping_change=0.0001,
        damping_change_u=0.0008,
        level_change_db=0.6,
        level_change_db_u=0.5,
        verdict=verdict,
        repeatability=Scatter(7.0, 4.0, "put back", source),
        least_detectable_cents=least,
        **more,
    )


def comparison_of(before, after, verdicts, *, reasons=(), bands=(), source="assumed"):
    pairs = zip(before.modes[1:], after.modes[1:], verdicts, strict=False)
    shifts = tuple(shift_of(b, a, verdict, source=source) for b, a, verdict in pairs)
    return Comparison(shifts, bands=bands, reasons=reasons, before=before.id, after=after.id)


def build_job(**changes):
    sets = (
        a_set(
            1, 3, refused=(Fault("double_hit", {"delay": 0.042, "ratio_db": -9.0}),), remark="bench secret"
        ),
        a_set(
            2,
            5,
            step=2.1,
            after=("adj1",),
            climate=Climate(22.5, 38.0),
            reasons=(Reason("one_microphone_place"),),
            refused=(Fault("clipped"), Fault("dull", {"reach": 640.0})),
        ),
        a_set(3, 21, step=2.3, after=("adj2",)),
    )
    adjustments = (
        Adjustment(
            "adj1", at(4), "soundpost", along_mm=0.25, across_mm=-0.1, end="top", note="a hair tighter"
        ),
        Adjustment("adj2", at(12), "bridge", note="waist thinned"),
    )
    timeline = (
        Entry("tap set", "set1", at(3)),
        Entry("adjustment", "adj1", at(4)),
        Entry("tap set", "set2", at(5)),
        Entry("remark", at=at(6), text="left overnight by the stove"),
        Entry("adjustment", "adj2", at(12), confirmed=False),
        Entry("tap set", "set3", at(21), confirmed=False),
    )
    values = {
        "id": "viola-405",
        "instrument": Instrument(
            "Viola 405",
            "viola",
            maker="Ada Bench",
            year="2025",
            owner="Mr Private",
            body_mm=405.0,
            notes="owes me",
        ),
        "created": at(3),
        "sets": sets,
        "adjustments": adjustments,
        "timeline": timeline,
        "setup": Setup(
            post=Post(2.5, 1.0, length_mm=71.5, diameter_mm=6.5),
            bridge=Bridge(38.0, 3.6, 0.5),
            strings=(String("C3", at(2), "tungsten", 48.0), String("A4", at(2))),
            tail=Tail(28.0, "kevlar", 62.0, 58.0, 1),
            fittings=Fittings("side mounted", "treble", mute_parked=False),
            pitch_a4=440.0,
            stage="strung",
        ),
        "notes": "invoice pending",
    }
    return Job(**{**values, **changes})


def build_comparisons(job):
    one, two, three = job.sets
    unchanged = "no change seen"
    return (
        comparison_of(
            one,
            two,
            (unchanged, unchanged, "moved", unchanged, "moved", unchanged),
            reasons=(Reason("repeatability_assumed", {"scatter_cents": 7.0}), Reason("bounds")),
            bands=(BandChange(1000.0, 1260.0, 1.4, 0.3, "moved"), BandChange(1260.0, 1600.0)),
        ),
        comparison_of(
            two, three, (unchanged,) * 6, reasons=(Reason("order_not_confirmed"), Reason("bounds"))
        ),
    )


@pytest.fixture
def job():
    return build_job()


@pytest.fixture
def comparisons(job):
    return build_comparisons(job)
