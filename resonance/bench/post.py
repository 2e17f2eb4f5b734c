"""The drawing of a soundpost under its bridge foot, seen from above, in millimetres.

The foot's outer back corner is the origin; x runs away from the centre joint, y away from the bridge, as the
post is measured (`resonance.sets.setup.Post`). A left-handed instrument is drawn as its mirror image. Foot,
post and joint are drawn at usual sizes (common practice, no source) and say nothing of this instrument.
"""

from dataclasses import dataclass
from math import isfinite, nan

from resonance.report.facts import move_words
from resonance.report.numbers import plain
from resonance.sets.setup import Adjustment, Post

STEP_MM = 0.25
# family: foot (width, depth), diameter of the post, half the distance over both feet
USUAL = {
    "violin": ((11.5, 4.5), 6.3, 20.7),
    "viola": ((13.0, 5.0), 6.8, 24.0),
    "cello": ((22.0, 9.0), 11.0, 46.0),
    "bass": ((35.0, 14.0), 18.0, 78.0),
}
MARGIN_MM = 4.0
USUAL_BEHIND = 0.4  # of the post's diameter, where nothing is noted


@dataclass(frozen=True)
class PostDrawing:
    """What is drawn, in mm; x is already mirrored for a left-handed instrument.

    Parameters
    ----------
    box : (x, y, width, height)
    foot : (x, y, width, height)
    joint_x : x of the centre joint
    x, y, radius : of the post; `known` says whether its place is noted
    halo : radius of the ring that the post's outline stays within, by the uncertainty of its reading (95 %)
    from_x, from_y : where it stood before, for a move; NaN for none
    out : +1 where 'out' is to the right, -1 for a left-handed instrument
    words : what the drawing shows, read out in its place
    letter_mm : height of letters
    """

    box: tuple[float, float, float, float]
    foot: tuple[float, float, float, float]
    joint_x: float
    x: float
    y: float
    radius: float
    known: bool
    halo: float
    out: int
    words: str
    letter_mm: float
    from_x: float = nan
    from_y: float = nan

    @property
    def moved(self) -> bool:
        """Whether it shows a move."""
        return isfinite(self.from_x)


def post_drawing(post: Post, family: str, move: Adjustment | None = None) -> PostDrawing:
    """Draw a post where it stands, or stood and will stand.

    Parameters
    ----------
    post : Post   as noted
    family : str   for usual sizes
    move : Adjustment or None   from where the post is noted
    """
    (wide, deep), usual_mm, half = USUAL.get(family, USUAL["violin"])
    radius = (post.diameter_mm if isfinite(post.diameter_mm) else usual_mm) / 2.0
    known = isfinite(post.behind_mm) and isfinite(post.inward_mm)
    behind = post.behind_mm if isfinite(post.behind_mm) else USUAL_BEHIND * usual_mm
    inward = post.inward_mm if isfinite(post.inward_mm) else wide / 2.0 - radius
    out = -1 if post.side == "bass" else 1
    x, y = -(inward + radius), behind + radius
    along, across = (_mm(move.along_mm), _mm(move.across_mm)) if move is not None else (0.0, 0.0)
    now_x, now_y = x - across, y + along
    left, right = min(-half, now_x - radius) - MARGIN_MM / 2.0, max(0.0, now_x + radius) + 2.0 * MARGIN_MM
    top, bottom = -deep - MARGIN_MM, max(now_y, y) + radius + MARGIN_MM
    box_x = left if out > 0 else -right
    return PostDrawing(
        (box_x, top, right - left, bottom - top),
        (-wide if out > 0 else 0.0, -deep, wide, deep),
        -half * out,
        now_x * out,
        now_y,
        radius,
        known,
        radius + (2.0 * post.position_u_mm if known and isfinite(post.position_u_mm) else 0.0),
        out,
        place_words(post) if move is None else moved_words(post, along, across),
        (right - left) / 26.0,
        x * out if move is not None else nan,
        y if move is not None else nan,
    )


def place_words(post: Post) -> str:
    """Say where the post stands, e.g. ``2.5 mm behind the bridge foot, 1.5 mm in from its outer edge``."""
    parts = [
        f"{plain(post.behind_mm, 'mm')} behind the bridge foot" if isfinite(post.behind_mm) else "",
        f"{plain(post.inward_mm, 'mm')} in from its outer edge" if isfinite(post.inward_mm) else "",
    ]
    at = ", ".join(filter(None, parts))
    return f"{at}; read to ± {plain(2.0 * post.position_u_mm, 'mm')}" if at else "its place is not noted yet"


def moved_words(post: Post, along_mm: float, across_mm: float) -> str:
    """Say a move of the post; of a left-handed instrument likewise, since in and out are its own."""
    return move_words(along_mm, across_mm) or "not moved yet"


def stepped(value: float, step: float) -> float:
    """Add a step to a measure that may not be noted (NaN counts as 0), rounded to hundredths."""
    return round(_mm(value) + step, 2) + 0.0


def _mm(value: float) -> float:
    return value if isfinite(value) else 0.0
