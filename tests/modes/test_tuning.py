"""Pitch of open strings: lines from the stiff-string formula, and sound made from it (synthesis)."""

from dataclasses import replace
from math import log2, nan, sqrt

import numpy as np
import pytest

from resonance.modes.estimate import find_modes
from resonance.modes.mode import Mode
from resonance.modes.strings import assumed_strings, with_read_strings
from resonance.modes.tuning import partial_of, read_strings, string_names
from resonance.sound import synthesis
from resonance.sound.recording import Take
from resonance.taps.tap import Tap

VIOLIN = assumed_strings("violin")


def partials(pitch, stiffness, highest):
    """f_n = n f_0 sqrt(1 + B n^2), written out, scaled so that the first one lies at `pitch`."""
    first = pitch / sqrt(1.0 + stiffness)
    all_of_them = [n * first * sqrt(1.0 + stiffness * n * n) for n in range(1, 60)]
    return [f for f in all_of_them if f < highest]


def lines_of(tuning, *, rng=None, u=0.01, highest=1450.0, family="violin", skip=()):
    """Narrow lines of strings `tuning` {index: (cents off, B)} as an estimator reports them."""
    found = []
    for k, (off, stiffness) in tuning.items():
        pitch = assumed_strings(family)[k] * 2.0 ** (off / 1200.0)
        for n, f in enumerate(partials(pitch, stiffness, highest), 1):
            if (k, n) not in skip:
                noise = rng.normal(0.0, u) if rng is not None else 0.0
                found.append(Mode(f + noise, nan, frequency_u=u, kind="unsure"))
    return found


@pytest.mark.parametrize("off", [-140.0, -60.0, -5.0, 0.0, 33.0, 90.0])
def test_a_string_far_off_its_note_is_read(off):
    (reading,) = read_strings(lines_of({1: (off, 1e-4)}), VIOLIN)
    assert reading.name == "D4"
    assert reading.cents_off == pytest.approx(off, abs=0.02)
    assert reading.inharmonicity == pytest.approx(1e-4, rel=0.02)
    assert reading.tension_ratio == pytest.approx(2.0 ** (2.0 * off / 1200.0), rel=1e-4)
    assert reading.n_partials == len(partials(reading.pitch, 1e-4, 1450.0))


@pytest.mark.parametrize(
    ("family", "highest"), [("violin", 1450.0), ("viola", 1300.0), ("cello", 1000.0), ("bass", 700.0)]
)
def test_four_strings_that_share_partials(family, highest):
    rng = np.random.default_rng(3)
    for _ in range(15):
        tuning = {k: (rng.normal(0.0, 25.0), 10.0 ** rng.uniform(-5.0, -3.6)) for k in range(4)}
        readings = read_strings(
            lines_of(tuning, rng=rng, highest=highest, family=family), assumed_strings(family), family=family
        )
        assert len(readings) == 4
        for k, reading in enumerate(readings):
            assert reading.name == string_names(assumed_strings(family), family)[k]
            assert reading.cents_off == pytest.approx(tuning[k][0], abs=0.7)


def test_pitch_is_within_its_uncertainty():
    # 150 strings of seven partials each: standardised errors of a t distribution of 5 degrees of freedom have
    # a standard deviation of 1.29; the stated uncertainty may be wider by the assumed scatter, never smaller.
    rng = np.random.default_rng(8)
    errors = []
    for _ in range(150):
        (reading,) = read_strings(lines_of({0: (12.0, 5e-5)}, rng=rng, u=0.05), VIOLIN)
        errors.append((reading.cents_off - 12.0) / (1200.0 * log2(np.e) * reading.pitch_u / reading.pitch))
    assert 0.6 < float(np.std(errors)) < 1.3


def test_a_partial_pulled_by_the_body_is_left_out():
    lines = lines_of({0: (0.0, 2e-5)})
    pulled = [replace(m, frequency=m.frequency + 0.6) if 380 < m.frequency < 400 else m for m in lines]
    (reading,) = read_strings(pulled, VIOLIN)
    assert reading.cents_off == pytest.approx(0.0, abs=0.1)
    assert [(r.code, r.values["n"]) for r in reading.reasons] == [("partials_left_out", 1)]


def test_a_missing_first_partial_and_gaps_do_no_harm():
    skip = {(0, 1), (0, 3), (0, 4), (0, 9)}
    cello = assumed_strings("cello")
    (reading,) = read_strings(
        lines_of({0: (-20.0, 3e-4)}, family="cello", highest=900.0, skip=skip), cello, family="cello"
    )
    assert (reading.name, round(reading.cents_off, 1)) == ("C2", -20.0)


def test_one_partial_counts_only_near_its_note_and_says_so():
    (reading,) = read_strings([Mode(655.0, nan, frequency_u=0.02, kind="string")], VIOLIN)
    assert [r.code for r in reading.reasons] == ["one_partial"]
    assert 0.9 < 1731.2 * reading.pitch_u / reading.pitch < 1.2  # a cent, assumed
    assert read_strings([Mode(612.0, nan, frequency_u=0.02, kind="string")], VIOLIN) == ()


def test_a_silent_string_is_not_made_up_from_its_neighbours():
    # Three of D are two of A: D and A ring, G and E do not, though 3 G = 2 D and 2 E = 3 A.
    readings = read_strings(lines_of({1: (0.0, 1e-5), 2: (0.0, 1e-5)}), VIOLIN)
    assert [reading.name for reading in readings] == ["D4", "A4"]


def test_scattered_narrow_lines_are_no_strings():
    # Five lines anywhere between 60 and 1200 Hz, none near a note: over 200 seeds two of them are one and two
    # times the pitch of a string by chance now and then, that is all.
    rng = np.random.default_rng(1)
    read = 0
    for _ in range(200):
        free = [f for f in rng.uniform(60.0, 1200.0, 5) if all(abs(1200 * log2(f / s)) > 75 for s in VIOLIN)]
        read += len(read_strings([Mode(f, nan, frequency_u=0.02, kind="unsure") for f in free], VIOLIN))
    assert read <= 10


def test_body_modes_and_hum_are_no_lines():
    others = [Mode(f, 0.01, frequency_u=0.05, kind=kind) for f in VIOLIN for kind in ("body", "hum")]
    assert read_strings(others, VIOLIN) == ()


def test_kinds_follow_the_strings_read():
    readings = read_strings(lines_of({1: (-60.0, 1e-4)}), VIOLIN)
    flat = readings[0].pitch
    for frequency, kind in ((flat, "string"), (4.0 * flat * 1.0008, "string"), (293.0, "unsure")):
        mode = Mode(frequency, nan, frequency_u=0.01, kind="unsure" if kind == "string" else "string")
        assert with_read_strings(mode, readings, VIOLIN).kind == kind
    assert with_read_strings(Mode(440.3, nan, kind="string"), readings, VIOLIN).kind == "string"
    assert with_read_strings(Mode(flat, 0.01, kind="body"), readings, VIOLIN).kind == "body"


@pytest.mark.parametrize("frequency", [0.0, -5.0, nan])
def test_a_frequency_that_is_none_is_on_no_partial(frequency):
    (reading,) = read_strings(lines_of({0: (0.0, 0.0)}), VIOLIN)
    assert partial_of(frequency, reading) == 0


BODIES = {
    "violin": ((275.0, 17, 1.0), (403.0, 50, 0.8), (437.0, 45, 1.0), (545.0, 50, 1.1), (690.0, 40, 0.6),
               (880.0, 45, 0.5), (1010.0, 45, 0.5), (1170.0, 45, 0.4), (1300.0, 40, 0.5)),
    "cello": ((97.0, 17, 1.0), (140.0, 30, 0.5), (173.0, 35, 1.0), (209.0, 40, 0.8), (281.0, 40, 0.5),
              (390.0, 40, 0.5), (520.0, 40, 0.5), (700.0, 40, 0.5), (860.0, 40, 0.5)),
    "bass": ((66.0, 17, 1.0), (100.0, 30, 1.0), (115.0, 30, 0.6), (154.0, 35, 0.6), (220.0, 35, 0.5),
             (310.0, 35, 0.5), (430.0, 35, 0.5), (560.0, 35, 0.5)),
}  # fmt: skip


def taps_of(family, seed, tuning, *, snr_db=30.0, loud=0.2, hum=50.0):
    """A take of six taps on a body with strings `tuning` {index: (cents off, B)}."""
    rng = np.random.default_rng([seed, 51])
    body = [
        synthesis.BodyMode(f * (1.0 + rng.uniform(-0.02, 0.02)), 0.5 / q, a * rng.uniform(0.7, 1.3))
        for f, q, a in BODIES[family]
    ]
    strings = []
    for k, (off, stiffness) in tuning.items():
        pitch = assumed_strings(family)[k] * 2.0 ** (off / 1200.0) / sqrt(1.0 + stiffness)
        strings += synthesis.string_partials(pitch, count=14, inharmonicity=stiffness, amplitude=loud)
    length = {"violin": 0.8, "cello": 1.1, "bass": 1.4}[family]
    blows = synthesis.even_blows(6, rng=rng, width=0.001, spacing=length)
    recording = synthesis.tap_recording(
        body, blows, rng=rng, sample_rate=12000.0, strings=strings, snr_db=snr_db, hum=synthesis.Hum(hum),
        scatter=0.05,
    )  # fmt: skip
    onsets = [blow.onset for blow in blows]
    ends = [*(t - 0.01 for t in onsets[1:]), recording.duration]
    return [Take(recording)], [Tap(t, end=e) for t, e in zip(onsets, ends, strict=True)]


@pytest.mark.parametrize(
    ("family", "tuning"),
    [
        ("violin", {0: (-3.0, 2e-5), 1: (-60.0, 1e-4), 2: (4.0, 5e-5), 3: (0.0, 2e-5)}),
        ("cello", {0: (8.0, 2e-4), 1: (-35.0, 1e-4), 2: (2.0, 5e-5), 3: (-1.0, 2e-5)}),
        ("bass", {0: (20.0, 2e-4), 1: (-4.0, 1e-4), 2: (0.0, 1e-4), 3: (3.0, 5e-5)}),
    ],
)
def test_strings_read_from_taps(family, tuning):
    takes, taps = taps_of(family, 1, tuning)
    result = find_modes(takes, taps, family=family)
    assert [reading.name for reading in result.strings] == list(string_names(assumed_strings(family), family))
    for k, reading in enumerate(result.strings):
        assert reading.cents_off == pytest.approx(tuning[k][0], abs=1.0)
    for k, (off, stiffness) in tuning.items():  # what rings of them within the band is called a string
        pitch = assumed_strings(family)[k] * 2.0 ** (off / 1200.0)
        for f in partials(pitch, stiffness, result.band[1]):
            near = [m for m in result.modes if abs(m.frequency - f) < 0.5 and m.damping != m.damping]
            assert {m.kind for m in near} <= {"string"}


@pytest.mark.slow
@pytest.mark.parametrize(("snr_db", "hum"), [(30.0, 50.0), (12.0, 60.0)])
def test_no_string_is_read_from_a_body_without(snr_db, hum):
    read = [find_modes(*taps_of("violin", seed, {}, snr_db=snr_db, hum=hum)).strings for seed in range(15)]
    assert [readings for readings in read if readings] == []
