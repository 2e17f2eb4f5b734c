"""The pictures of a job, made from its sound: for `report`, `figure` and `demo`."""

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from resonance.sets.tapset import TapSet

if TYPE_CHECKING:
    from resonance.changes.comparison import Comparison
    from resonance.jobs.job import Job
    from resonance.jobs.store import Shop
    from resonance.plots.spectrum import Curve
    from resonance.report.blocks import Picture

Progress = Callable[[float, str], None]


def job_pictures(
    shop: "Shop", job: "Job", comparisons: "Sequence[Comparison]", *, guesses: bool, progress: Progress
) -> "list[Picture]":
    """Draw a report's pictures: readings over time, the last comparison before and after, the last tap set.

    Parameters
    ----------
    comparisons : those of the report, in order; the last one is drawn
    guesses : bool   show names that the maker has not given or confirmed
    progress : called with the fraction done and a short text
    """
    from resonance.jobs.job import find_set
    from resonance.report.pictures import before_after_picture, readings_picture, set_spectrum_picture
    from resonance.sets.curves import refused_spectra

    found = []
    progress(0.0, "drawing readings over time")
    over_time = readings_picture(job, guesses=guesses)
    if over_time is not None:
        found.append(over_time)
    if comparisons:
        last = comparisons[-1]
        progress(0.3, f"drawing {last.before} and {last.after}")
        curves = [curve_of(shop.with_sound(find_set(job, each))) for each in (last.before, last.after)]
        if all(curve.frequencies.size for curve in curves):
            found.append(before_after_picture(job, last, *curves, guesses=guesses))
    if job.sets:
        progress(0.7, f"drawing {job.sets[-1].id}")
        heard = shop.with_sound(job.sets[-1])
        curve = curve_of(heard)
        if curve.frequencies.size:
            found.append(set_spectrum_picture(heard, curve, refused_spectra(heard), guesses=guesses))
    return found


def curve_of(tap_set: TapSet) -> "Curve":
    """Give the averaged spectrum of a tap set, with sound, as it is drawn."""
    from resonance.plots.spectrum import Curve
    from resonance.report.words import set_words
    from resonance.sets.curves import set_spectrum

    return Curve(*set_spectrum(tap_set), set_words(tap_set.id))
