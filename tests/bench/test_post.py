"""The post drawn to scale. Truth: its measures, as `resonance.sets.setup.Post` defines them."""

from dataclasses import replace
from math import nan

import pytest

from resonance.bench.post import post_drawing, stepped
from resonance.sets.setup import Adjustment, Post

POST = Post(behind_mm=2.5, inward_mm=1.5, diameter_mm=6.0)


def test_the_drawing_measures_what_is_noted():
    drawn = post_drawing(POST, "violin")
    x, y, width, height = drawn.foot
    assert drawn.y - drawn.radius - (y + height) == pytest.approx(2.5)  # back of the foot to its near side
    assert (x + width) - (drawn.x + drawn.radius) == pytest.approx(1.5)  # outer edge to its outer side
    assert drawn.joint_x < x
    assert drawn.halo == pytest.approx(3.0 + 2.0 * 0.2)
    assert "2.5 mm behind the bridge foot, 1.5 mm in from its outer edge; read to ± 0.4 mm" in drawn.words


def test_a_left_handed_instrument_is_the_mirror_image():
    right, left = post_drawing(POST, "viola"), post_drawing(replace(POST, side="bass"), "viola")
    assert left.x == -right.x
    assert left.y == right.y
    assert left.joint_x == -right.joint_x
    assert left.foot[0] == -(right.foot[0] + right.foot[2])
    assert left.box[0] == pytest.approx(-(right.box[0] + right.box[2]))
    move = Adjustment("", along_mm=0.5, across_mm=0.25)
    assert post_drawing(replace(POST, side="bass"), "viola", move).x > left.x  # in is towards the joint
    assert post_drawing(POST, "viola", move).x < right.x


def test_a_move_shows_where_it_came_from():
    drawn = post_drawing(POST, "violin", Adjustment("", along_mm=-0.25, across_mm=0.1))
    assert drawn.y - drawn.from_y == pytest.approx(-0.25)
    assert drawn.x - drawn.from_x == pytest.approx(-0.1)
    assert drawn.words == "0.25 mm towards the bridge and 0.1 mm in"


@pytest.mark.parametrize("family", ["violin", "viola", "cello", "bass", "other"])
@pytest.mark.parametrize("post", [POST, Post(), Post(behind_mm=30.0, inward_mm=-4.0)])
def test_all_of_it_lies_within_the_box(family, post):
    drawn = post_drawing(post, family)
    x, y, width, height = drawn.box
    for low, high, start, size in (
        (drawn.x - drawn.halo, drawn.x + drawn.halo, x, width),
        (drawn.y - drawn.halo, drawn.y + drawn.halo, y, height),
        (drawn.foot[0], drawn.foot[0] + drawn.foot[2], x, width),
        (drawn.joint_x, drawn.joint_x, x, width),
    ):
        assert start <= low
        assert high <= start + size


def test_what_is_not_noted_is_not_claimed():
    drawn = post_drawing(Post(), "violin")
    assert not drawn.known
    assert drawn.halo == drawn.radius
    assert "not noted" in drawn.words


def test_steps_add_up_without_dust():
    value = nan
    for _ in range(7):
        value = stepped(value, 0.25)
    assert value == 1.75
    for _ in range(7):
        value = stepped(value, -0.25)
    assert str(value) == "0.0"
