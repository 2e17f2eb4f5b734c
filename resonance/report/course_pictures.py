"""The pictures of histories and of the post, worded and ready: for `figure` and the report."""

from collections.abc import Callable, Sequence
from math import isfinite, nan

import numpy as np
from matplotlib.figure import Figure

from resonance.changes.course import History
from resonance.changes.post import PostResponse
from resonance.jobs.job import Job
from resonance.modes.intervals import half_width
from resonance.plots.changes import PANEL_MM, Event, TimeAxis, day_number, readings_figure
from resonance.plots.history import Fitted, Noted
from resonance.plots.post import Slopes, post_sketch
from resonance.report.facts import shortened
from resonance.report.pictures import PANELS, job_events, job_places, track_series
from resonance.report.post_words import QUARTER_MM, WAYS, headline
from resonance.report.readings import chief_tracks
from resonance.report.words import set_words
from resonance.sets.tapset import TapSet

ROWS = 12
LONGEST_REMARK = 160
POST_NOTE = (
    "filled: known well enough; open: too uncertain to be told; cross: not moved that way often enough"
)
POST_CAPTION = (
    "The post from above, and what moving it does. Left: where it has been, to the right is in, upward is "
    "away from the bridge; the ring shows how surely its place is known. Right: cents for a quarter of a "
    "millimetre, with 95 % intervals: filled where known well enough, open where not, a cross where the post "
    "was not moved that way often enough."
)
STORY_CAPTION = (
    "Chief resonances and the course fitted to their readings. Bars and bands are 95 % intervals, the thin "
    "bars with the put-back scatter. Numbers are the adjustments in their order; every panel spans the same "
    "interval in cents."
)
HISTORY_CAPTION = (
    "Readings and the course fitted to them. Bars are 95 % intervals: thick of the reading by itself, thin "
    "with the put-back scatter. The line is the course with settling, steps and weather, its band the 95 % "
    "interval of the course. Upright lines are adjustments, a heavy one begins a new chapter. A ring marks a "
    "tap set that was counted less, a question mark a reading that may belong to another resonance and is "
    "left out. Every panel of a resonance spans the same interval in cents."
)


def history_figure(
    job: Job,
    histories: Sequence[History],
    *,
    guesses: bool = True,
    remarks: bool = True,
    scatter_cents: float = nan,
    most: int = PANELS,
    noted: bool = True,
    panel_mm: float = PANEL_MM,
    listed: bool = True,
) -> Figure | None:
    """Draw the readings of the chief modes with their fitted courses, and what was noted below.

    None when no mode was seen twice. Courses are drawn only where time runs by date.

    Parameters
    ----------
    job : Job   its modes with tracks, as the histories have them
    histories : sequence of History
    guesses : bool   show names that the maker has not given or confirmed
    remarks : bool   show the maker's and the player's words too
    scatter_cents : float, cents   put-back scatter of one reading; NaN: not known
    most : int   modes at most
    noted : bool   draw below what was noted along the way
    panel_mm : float   height of a mode's panel
    listed : bool   say the adjustments in words on top
    """
    tracks = chief_tracks(job, most, guesses=guesses)
    if not tracks:
        return None
    places, dated = job_places(job)
    time = TimeAxis(
        tuple(places[s.id] for s in job.sets),
        tuple(set_words(s.id).removeprefix("tap set ") for s in job.sets),
        dated,
    )
    courses = [
        [_fitted(h, places) for h in histories if h.track == track and len(h.course_at)] if dated else []
        for track, _ in tracks
    ]
    series = [track_series(job, track, name, time, scatter_cents=scatter_cents) for track, name in tracks]
    below = [panel for text, unit, read in NOTED for panel in _noted(job, time, text, unit, read)]
    return readings_figure(
        series,
        job_events(job, places),
        time,
        courses=courses,
        below=below if noted else (),
        remarks=_remarks(job, places, dated=dated) if remarks else (),
        panel_mm=panel_mm,
        listed=listed,
    )


def post_figure(response: PostResponse, names: Sequence[str]) -> Figure:
    """Draw where the post has been and what moving it does, as far as is known; one name a track."""
    order = sorted(range(len(names)), key=lambda k: (not response.labels[k], k))[:ROWS]
    order.sort()
    slopes = [
        Slopes(
            f"moved\n{way}",
            [names[k] for k in order],
            QUARTER_MM * response.cents_per_mm[order, axis],
            QUARTER_MM * response.intervals[order, axis, 0],
            QUARTER_MM * response.intervals[order, axis, 1],
            response.estimable[order, axis],
        )
        for axis, way in enumerate(WAYS)
        if names  # without tracks an answer that was kept has lost its second dimension
    ]
    return post_sketch(
        response.places_mm,
        response.place_u_mm,
        slopes,
        title=headline(response),
        note=POST_NOTE if names else "",
    )


def _remarks(job: Job, places: dict[str, float], *, dated: bool) -> list[Event]:
    """Give what was said at a tap set, and between them where time runs by date."""
    at_sets = [(places[s.id], s.conditions.remark) for s in job.sets]
    between = [
        (day_number(entry.at), entry.text)
        for entry in job.timeline
        if dated and entry.kind == "remark" and entry.at is not None
    ]
    said = [(at, shortened(" ".join(text.split()), LONGEST_REMARK)) for at, text in at_sets + between]
    return [Event(at, f"“{text}”") for at, text in said if text]


def _off_notes(tap_set: TapSet) -> float | None:
    """How far the open strings that were heard are off their notes, on average."""
    heard = [each.cents_off for each in tap_set.strings if isfinite(each.cents_off)]
    return sum(heard) / len(heard) if heard else None


# what may be a cause: words, unit, and where it was noted
NOTED: tuple[tuple[str, str, Callable[[TapSet], float | None]], ...] = (
    ("Humidity at the bench", "%", lambda s: s.climate.humidity_percent),
    ("Air temperature", "°C", lambda s: s.climate.temperature_c),
    ("Weight", "g", lambda s: s.conditions.mass_g),
    ("Tuned to, A4", "Hz", lambda s: s.setup.pitch_a4),
    ("Open strings off their notes, as heard", "cents", _off_notes),
    ("Projection", "mm", lambda s: s.setup.projection_mm),
    ("String height", "mm", lambda s: s.setup.string_height_mm),
)
LEAST_CHANGE = {"cents": 3.0, "°C": 1.0}  # smaller changes are no cause worth a panel


def _fitted(history: History, places: dict[str, float]) -> Fitted:
    suspects = [places[name] for name in history.suspect_sets if name in places]
    return Fitted(
        np.array([day_number(moment) for moment in history.course_at]),
        np.asarray(history.course),
        np.array([half_width(float(u)) for u in history.course_u]),
        np.array(suspects),
    )


def _noted(
    job: Job, time: TimeAxis, text: str, unit: str, read: Callable[[TapSet], float | None]
) -> list[Noted]:
    """Give a panel of what was noted; none where it was not, or never changed."""
    values = np.array([nan if (value := read(s)) is None else value for s in job.sets], float)
    known = values[np.isfinite(values)]
    if np.unique(known).size < 2 or np.ptp(known) < LEAST_CHANGE.get(unit, 0.0):
        return []
    return [Noted(text, unit, np.array(time.sets), values)]
