"""Names of modes and what is not the body, against published examples."""

import pytest

from resonance.modes.mode import Level, Mode
from resonance.modes.names import name_modes, ranges_of
from resonance.modes.strings import assumed_strings, kind_of


def body(frequency: float, db: float = -6.0, damping: float = 0.012) -> Mode:
    return Mode(frequency, damping, kind="body", levels=(Level(db=db),))


def test_one_violin_as_published():
    # 272, 407, 462, 551 Hz: one violin, Woodhouse, Euphonics 5.3 Fig. 5 (quoted in a public source file)
    modes = [body(f) for f in (172.0, 272.0, 345.0, 407.0, 462.0, 551.0, 640.0)]
    named = {m.frequency: m.label for m in name_modes(modes, family="violin") if m.label}
    assert named == {272.0: "A0", 407.0: "CBR", 462.0: "B1-", 551.0: "B1+"}


def test_one_cello_as_published():
    # A0 97, T1 140, main body 173 Hz: Zhang, Woodhouse and Stoppani 2016, JASA 140, 2636 (quoted)
    named = {m.frequency: m.label for m in name_modes([body(97.0), body(140.0), body(173.0)], family="cello")}
    assert named == {97.0: "A0", 140.0: "T1", 173.0: "B1-"}


def test_air_modes_are_air_and_guesses_are_the_programs():
    (mode,) = name_modes([body(275.0)], family="violin")
    assert (mode.label, mode.kind, mode.labelled_by) == ("A0", "air", "program")


def test_the_makers_name_stays_and_is_not_given_twice():
    mine = Mode(455.0, 0.011, kind="body", label="B1+", labelled_by="maker", levels=(Level(db=-3.0),))
    named = name_modes([body(275.0), mine, body(545.0)], family="violin")
    assert [m.label for m in named] == ["A0", "B1+", None]


def test_faint_modes_and_strings_get_no_name():
    string = Mode(440.0, 4e-4, kind="string", levels=(Level(db=-1.0),))
    named = name_modes([string, body(460.0, db=-40.0), body(545.0, db=-3.0)], family="violin")
    assert [m.label for m in named] == [None, None, "B1+"]


def test_free_plate():
    named = name_modes([body(88.0), body(165.0), body(355.0)], family="violin", piece="top")
    assert [m.label for m in named] == ["#1", "#2", "#5"]


def test_every_range_says_where_it_comes_from():
    for family in ("violin", "viola", "cello", "bass"):
        for named in ranges_of(family):
            assert named.low < named.high
            assert named.mark in ("read", "quoted", "memory")
            assert named.source


def test_open_strings_at_440():
    # ISO 16 A4 = 440 Hz, equal temperament (computed): violin G3 195.9977, D4 293.6648, E5 659.2551
    assert assumed_strings("violin") == pytest.approx((195.9977, 293.6648, 440.0, 659.2551), abs=1e-3)


@pytest.mark.parametrize(
    ("frequency", "damping", "strung", "kind"),
    [
        (440.3, 4e-4, True, "string"),
        (880.9, 4e-4, True, "string"),
        (470.0, 1e-3, True, "unsure"),
        (470.0, 1.1e-2, True, "body"),
        (470.0, 1e-3, False, "body"),
        (100.02, 1e-6, True, "hum"),
    ],
)
def test_what_a_resonance_is(frequency, damping, strung, kind):
    found = kind_of(frequency, damping, duration=0.6, strung=strung, open_strings=assumed_strings("violin"))
    assert found == kind
