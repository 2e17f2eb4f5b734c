"""Colours, layout of labels and flags, and SVG: the same bytes every time, nothing from outside."""

import xml.etree.ElementTree as ET
from itertools import pairwise

import numpy as np
import pytest
from matplotlib.figure import Figure

from resonance.plots.style import (
    AFTER,
    BEFORE,
    SERIES,
    axes_points,
    drawable,
    figure_svg,
    flag_layout,
    frequency_axis,
    new_axes,
    note_axis,
    spread,
    text_width,
)
from resonance.units import note_frequency


def lightness(colour):
    """CIE L* of a colour, from sRGB (IEC 61966-2-1) and CIE 1976 L*: what is left of it in grey print."""
    channels = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255.0
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    y = float(linear @ [0.2126, 0.7152, 0.0722])
    return 116.0 * y ** (1.0 / 3.0) - 16.0


def test_before_and_after_differ_in_grey_print():
    assert lightness(BEFORE) - lightness(AFTER) > 25.0


def test_every_series_stands_out_from_paper_and_differs_by_style_and_marker():
    assert all(lightness(colour) < 65.0 for colour, _, _ in SERIES)
    assert (
        len({marker for _, _, marker in SERIES}) == len({str(style) for _, style, _ in SERIES}) == len(SERIES)
    )


def test_spread_moves_labels_apart_and_no_further():
    places = np.array([0.10, 0.50, 0.51, 0.90])
    moved = spread(places, 0.05, 0.0, 1.0)
    assert all(b - a >= 0.05 - 1e-12 for a, b in pairwise(moved))
    # the two neighbours give way equally, the others stay: least squares
    assert moved == pytest.approx([0.10, 0.48, 0.53, 0.90])


def test_spread_keeps_within_the_ends_and_gives_up_the_gap_where_there_is_no_room():
    assert spread(np.array([0.0, 0.01]), 0.1, 0.0, 1.0) == pytest.approx([0.0, 0.1])
    assert spread(np.array([0.99, 1.0]), 0.1, 0.0, 1.0) == pytest.approx([0.9, 1.0])
    crowded = spread(np.linspace(0.0, 0.1, 11), 0.5, 0.0, 1.0)
    assert crowded == pytest.approx(np.linspace(0.0, 1.0, 11))
    assert spread(np.zeros(0), 0.1, 0.0, 1.0).size == 0


@pytest.mark.parametrize("seed", range(40))
def test_flags_never_cross(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 10))
    poles = np.sort(rng.uniform(0.0, 400.0, n)).tolist()
    widths = rng.uniform(30.0, 250.0, n).tolist()
    flags = flag_layout(poles, widths, 420.0)
    spans = [sorted((p, p + side * w)) for p, w, (_, side) in zip(poles, widths, flags, strict=True)]
    for k in range(n):
        for j in range(n):
            if j == k:
                continue
            overlap = spans[k][0] < spans[j][1] and spans[j][0] < spans[k][1]
            assert not (overlap and flags[k][0] == flags[j][0]), "two texts run into another"
            if spans[k][0] < poles[j] < spans[k][1]:
                assert flags[k][0] > flags[j][0], "a pole runs through a text"


def test_flags_at_the_right_end_fly_to_the_left():
    assert flag_layout([10.0, 390.0], [100.0, 100.0], 400.0) == [(0, 1), (0, -1)]


def test_flags_on_one_day_stand_above_another():
    rows = [row for row, _ in flag_layout([10.0, 10.0, 10.0], [50.0, 50.0, 50.0], 400.0)]
    assert sorted(rows) == [0, 1, 2]


def test_note_axis_names_the_naturals_where_they_are():
    ax = new_axes()
    frequency_axis(ax, (200.0, 1000.0))
    note_axis(ax)
    (top,) = ax.child_axes
    ax.figure.draw_without_rendering()
    named = {t.get_text(): p for t, p in zip(top.get_xticklabels(), top.get_xticks(), strict=True)}
    assert {"A3", "C4", "A4", "B5"} <= set(named)
    assert not [name for name in named if "♯" in name]
    # ISO 16 A4 440 Hz; C4 in equal temperament 261.6256 Hz
    assert named["A4"] == pytest.approx(440.0)
    assert named["C4"] == pytest.approx(261.6256, abs=1e-3)
    # semitones from G♯3 (207.7 Hz) to B5 (987.8 Hz)
    assert len({*top.get_xticks(), *top.get_xticks(minor=True)}) == 28


def test_note_axis_follows_the_pitch():
    ax = new_axes()
    frequency_axis(ax, (400.0, 500.0))
    note_axis(ax, pitch_a4=443.0)
    assert note_frequency("A4", pitch_a4=443.0) in ax.child_axes[0].get_xticks()


def test_letters_and_their_width():
    assert drawable("B1− ♯ ± → é\nx") == "B1− ♯ ± → é\nx"
    assert drawable("弦\x00") == "□□"
    assert text_width("", 8.0) == text_width(" \n", 8.0) == 0.0
    assert text_width("a\nlonger", 8.0) == text_width("longer", 8.0)
    assert text_width("$5_{ $", 8.0) > text_width("5", 8.0)
    assert text_width("B1", 16.0) == pytest.approx(2.0 * text_width("B1", 8.0), rel=0.02)


def test_svg_is_the_same_every_time_and_fetches_nothing():
    def drawn():
        ax = new_axes()
        ax.plot([1.0, 2.0], [3.0, 4.0], marker="o", label="a")
        ax.set_xlabel("frequency, Hz")
        return figure_svg(ax.figure)

    svg = drawn()
    assert svg == drawn()
    root = ET.fromstring(svg)
    assert root.tag.endswith("svg")
    assert "<metadata" not in svg
    assert "<!DOCTYPE" not in svg
    names = {element.get("id") for element in root.iter()} - {None}
    for element in root.iter():
        for key, value in element.attrib.items():
            if key.split("}")[-1] in ("href", "src"):
                assert value[0] == "#"
                assert value[1:] in names
            assert "url(" not in value or value[value.index("url(") + 4] == "#"
    assert "<text" not in svg  # letters are outlines: no font is asked for


def test_two_pictures_share_no_id():
    pictures = []
    for height in (3.0, 4.0):
        ax = new_axes()
        ax.plot([1.0, 2.0], [3.0, height])
        pictures.append({e.get("id") for e in ET.fromstring(figure_svg(ax.figure)).iter()} - {None})
    assert not pictures[0] & pictures[1]


def test_axes_handed_in_are_used():
    ax = Figure().add_subplot()
    assert new_axes(ax) is ax
    width, height = axes_points(ax)
    assert 0 < width < 72.0 * 6.4
    assert 0 < height < 72.0 * 4.8
