"""The pictures of a report, drawn once: each is kept in the shop's folder until what it shows changes."""

from collections.abc import Callable, Sequence
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

from resonance.changes.comparison import Comparison
from resonance.changes.course import History
from resonance.changes.post import PostResponse
from resonance.jobs.job import Job, find_set
from resonance.jobs.kept import mark_of, worked_out
from resonance.jobs.records import to_record
from resonance.jobs.store import Shop
from resonance.report.blocks import Picture
from resonance.report.facts import places_of
from resonance.sets.tapset import TapSet

if TYPE_CHECKING:
    from resonance.plots.spectrum import Curve

Progress = Callable[[float, str], None]
Drawn = list[Picture]  # none or one: a picture that cannot be drawn is kept as such
STORY_MODES = 3


def job_pictures(
    shop: Shop,
    job: Job,
    comparisons: Sequence[Comparison],
    *,
    histories: Sequence[History] = (),
    response: PostResponse | None = None,
    scatter_cents: float = float("nan"),
    guesses: bool,
    progress: Progress | None = None,
) -> list[Picture]:
    """Draw a report's pictures.

    Parameters
    ----------
    job : Job   its modes with tracks
    comparisons : those of the report, in order; the last one is drawn
    histories, response : as far as there are any
    scatter_cents : float, cents   put-back scatter of one reading
    guesses : bool   show names that the maker has not given or confirmed
    progress : called with the fraction done and a short text

    Returns
    -------
    list of Picture   the one for the summary first, where there is one; it does not stand a second time
    """
    tell = progress or (lambda done, text: None)
    weeks = (shop, job, histories, weeks_mark(job), scatter_cents, guesses)
    tell(0.0, "drawing the weeks")
    dated = any(len(history.course_at) for history in histories)
    story = weeks_drawn("summary", *weeks, most=STORY_MODES, noted=False, panel_mm=20.0) if dated else []
    found = [*weeks_drawn("over time", *weeks, most=5, noted=True)]
    tell(0.4, "drawing before and after")
    found += _before_after(shop, job, comparisons[-1], guesses=guesses) if comparisons else []
    tell(0.6, "drawing the last tap set")
    found += _spectrum(shop, job.sets[-1], guesses=guesses) if job.sets else []
    tell(0.8, "drawing the post")
    found += (
        post_drawn(shop, job, response, guesses=guesses) if response is not None and response.moves else []
    )
    found += _places(shop, job) if job.sets else []
    if not story:
        told = next((p for p in found if p.place in ("changes", "readings")), None)
        found = [p for p in found if p is not told]
        story = [Picture("summary", told.svg, told.caption)] if told else []
    return [*story, *found]


def curve_of(tap_set: TapSet) -> "Curve":
    """Give the averaged spectrum of a tap set, with sound, as it is drawn."""
    from resonance.plots.spectrum import Curve
    from resonance.report.words import set_words
    from resonance.sets.curves import set_spectrum

    return Curve(*set_spectrum(tap_set), set_words(tap_set.id))


def _kept(shop: Shop, name: str, inputs: Any, draw: Callable[[], Picture | None]) -> Drawn:
    """Give a picture from the shop's folder, drawn anew only where it is not there."""
    whole = [version("matplotlib"), to_record(inputs)]
    return worked_out(shop.folder, f"picture-{name}", whole, Drawn, lambda: [p for p in [draw()] if p])


def weeks_mark(job: Job) -> Any:
    """Give a mark of all that is drawn of a job over time."""
    return [[mark_of(each) for each in job.sets], to_record([job.adjustments, job.timeline])]


def weeks_drawn(
    place: str,
    shop: Shop,
    job: Job,
    histories: Sequence[History],
    mark: Any,
    scatter_cents: float,
    guesses: bool,
    *,
    most: int,
    noted: bool,
    panel_mm: float = 21.0,
) -> Drawn:
    """Draw the readings over time, with their fitted courses where there are any; none or one picture.

    Parameters
    ----------
    place : str   of the report, `Picture.place`
    mark : JSON-ready   of all that is drawn of the job beside the histories: `weeks_mark`
    scatter_cents : float, cents   put-back scatter of one reading
    most : int   modes at most
    noted : bool   draw below what was noted along the way
    """

    def draw() -> Picture | None:
        from resonance.plots.style import figure_svg
        from resonance.report.course_pictures import HISTORY_CAPTION, STORY_CAPTION, history_figure
        from resonance.report.pictures import OVER_TIME_CAPTION, readings_over_time

        options: dict[str, Any] = {
            "guesses": guesses,
            "scatter_cents": scatter_cents,
            "most": most,
            "panel_mm": panel_mm,
        }
        figure = (
            history_figure(job, histories, noted=noted, remarks=guesses and noted, listed=noted, **options)
            if histories
            else readings_over_time(job, **options)
        )
        whole = HISTORY_CAPTION if noted else STORY_CAPTION
        caption = whole if histories else OVER_TIME_CAPTION
        return Picture(place, figure_svg(figure), caption) if figure is not None else None

    marks = [mark, [mark_of(each) for each in histories]]
    inputs = [marks, scatter_cents, guesses, most, noted, place, panel_mm]
    return _kept(shop, "weeks", inputs, draw)


def _before_after(shop: Shop, job: Job, comparison: Comparison, *, guesses: bool) -> Drawn:
    sets = [find_set(job, each) for each in (comparison.before, comparison.after)]

    def draw() -> Picture | None:
        from resonance.report.pictures import before_after_picture

        before, after = (curve_of(shop.with_sound(each)) for each in sets)
        if not (before.frequencies.size and after.frequencies.size):
            return None
        return before_after_picture(job, comparison, before, after, guesses=guesses)

    return _kept(shop, "before-after", [comparison, [mark_of(each) for each in sets], guesses], draw)


def _spectrum(shop: Shop, tap_set: TapSet, *, guesses: bool) -> Drawn:
    def draw() -> Picture | None:
        from resonance.report.pictures import set_spectrum_picture
        from resonance.sets.curves import refused_spectra

        heard = shop.with_sound(tap_set)
        curve = curve_of(heard)
        if not curve.frequencies.size:
            return None
        return set_spectrum_picture(heard, curve, refused_spectra(heard), guesses=guesses)

    return _kept(shop, "spectrum", [mark_of(tap_set), guesses], draw)


def post_drawn(shop: Shop, job: Job, response: PostResponse, *, guesses: bool) -> Drawn:
    """Draw where the post has been and what moving it does; none or one picture."""
    from resonance.report.post_words import track_names

    names = track_names(response, job, guesses=guesses)

    def draw() -> Picture:
        from resonance.plots.style import figure_svg
        from resonance.report.course_pictures import POST_CAPTION, post_figure

        return Picture("post", figure_svg(post_figure(response, names)), POST_CAPTION)

    return _kept(shop, "post", [response, names], draw)


def _places(shop: Shop, job: Job) -> Drawn:
    last, instrument = job.sets[-1], job.instrument
    taps, heard = places_of(last)

    def draw() -> Picture:
        from resonance.report.places import places_picture

        return places_picture(instrument, last)

    inputs = [instrument.family, instrument.piece, taps, heard, last.conditions.holding]
    return _kept(shop, "places", inputs, draw)
