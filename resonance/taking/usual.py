"""How the next set will be taken unless the maker says otherwise: as the last one was."""

from collections.abc import Sequence
from dataclasses import replace
from statistics import median

from resonance.jobs.job import Job
from resonance.sets.tapset import Conditions
from resonance.sound.recording import Take, is_clap
from resonance.taking.level import TAP_PEAK_DBFS

PLACES = ("treble f-hole", "bass side")
PLATE_PLACES = ("above", "below")
TAP_PLACE = "bass corner"


def usual_conditions(job: Job, said: Conditions, device: str) -> Conditions:
    """Give the conditions: as said, else as in the last tap set; the microphone is the one recorded from.

    Checks, weight and remark belong to one sitting, and are never taken over.
    """
    last = job.sets[-1].conditions if job.sets else Conditions()
    return replace(
        said,
        holding=said.holding or last.holding,
        string_damping=said.string_damping or last.string_damping,
        tapper=said.tapper or last.tapper,
        microphone=said.microphone or device,
    )


def usual_tap_place(job: Job, said: str = "") -> str:
    """Give the tap place: as said, else as in the last tap set, else the usual one of a whole instrument."""
    noted = [take.tap_place for take in _last_takes(job) if take.tap_place]
    return said or (noted[0] if noted else TAP_PLACE if job.instrument.piece == "whole" else "")


def usual_places(job: Job, said: Sequence[str], *, wanted: int | None = None) -> tuple[str, ...]:
    """Give the microphone places: as said, else as in the last tap set, else the usual ones.

    Parameters
    ----------
    said : sequence of str   in order
    wanted : int or None   how many; None takes those said, else two of a whole instrument and one of a plate
    """
    whole = job.instrument.piece == "whole"
    noted = (take.microphone_place for take in _last_takes(job))
    last = tuple(dict.fromkeys(filter(None, noted)))
    usual = PLACES if whole else PLATE_PLACES
    known = [*said, *(place for place in (*last, *usual) if place not in said)]
    return tuple(dict.fromkeys(known))[: wanted or (len(said) if said else 2 if whole else 1)]


def _last_takes(job: Job) -> list[Take]:
    """Takes of the last tap set that hold taps."""
    return [take for take in job.sets[-1].takes if not is_clap(take)] if job.sets else []


def usual_peak(job: Job, microphone: str) -> float:
    """Give the peak of the taps last taken through this microphone, dB re full scale, else the usual one."""
    for tap_set in reversed(job.sets):
        peaks = [tap.peak_dbfs for tap in tap_set.taps if tap.kept]
        if peaks and tap_set.conditions.microphone == microphone:
            return median(peaks)
    return TAP_PEAK_DBFS
