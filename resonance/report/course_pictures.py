"""The pictures of histories and of the post, worded and ready: for `figure` and the report."""

from collections.abc import Callable, Sequence
from math import nan

import numpy as np
from matplotlib.figure import Figure

from resonance.changes.course import History
from resonance.changes.post import PostResponse
from resonance.jobs.job import Job
from resonance.modes.intervals import half_width
from resonance.plots.changes import TimeAxis, day_number, readings_figure
from resonance.plots.history import Fitted, Noted
from resonance.plots.post import Slopes, post_sketch
from resonance.report.pictures import PANELS, job_events, job_places, track_series
from resonance.report.post_words import QUARTER_MM, WAYS, headline
from resonance.report.readings import chief_tracks
from resonance.report.words import set_words
from resonance.sets.tapset import TapSet

ROWS = 12
POST_NOTE = (
    "filled: known well enough; open: too uncertain to be told; cross: not moved that way often enough"
)
HISTORY_CAPTION = (
    "Histories. Dots are readings with their 95 % intervals; the line is the fitted course with settling, "
    "steps and weather, its band the 95 % interval of the course. Readings scatter about it by the put-back "
    "scatter. Upright lines are adjustments, a heavy one begins a new chapter. A ring marks a tap set that "
    "was counted less. Every panel of a resonance spans the same interval in cents. Below: what was "
    "noted along the way."
)


def history_figure(job: Job, histories: Sequence[History], *, guesses: bool = True) -> Figure | None:
    """Draw the readings of the chief modes with their fitted courses, and humidity and projection below.

    None when no mode was seen twice. Courses are drawn only where time runs by date.
    """
    tracks = chief_tracks(job, PANELS, guesses=guesses)
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
    series = [track_series(job, track, name, time) for track, name in tracks]
    below = [
        *_noted(job, time, "Humidity at the bench", "%", lambda s: s.climate.humidity_percent),
        *_noted(job, time, "Projection", "mm", lambda s: s.setup.projection_mm),
    ]
    return readings_figure(series, job_events(job, places), time, courses=courses, below=below)


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
    ]
    return post_sketch(
        response.places_mm,
        response.place_u_mm,
        slopes if names else [],
        title=headline(response),
        note=POST_NOTE if names else "",
    )


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
    if np.unique(values[np.isfinite(values)]).size < 2:
        return []
    return [Noted(text, unit, np.array(time.sets), values)]
