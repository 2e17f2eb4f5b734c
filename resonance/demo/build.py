"""Build the invented viola into a shop: sound, analyses, adjustments, remarks, and `truth.json`.

Sound and analysis of the tap sets run over processes (started afresh, so that it works on every system),
each with one BLAS thread; the shop is written by this process alone, set by set, in the order of time.
"""

import os
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np

from resonance.demo import scenario, truth
from resonance.demo.scenario import ADJUSTMENTS, INSTRUMENT, REMARKS, SITTINGS
from resonance.jobs.job import Job
from resonance.jobs.store import Shop
from resonance.sets.analyse import analyse_set
from resonance.sets.setup import Adjustment
from resonance.sets.tapset import Climate, Conditions, TapSet
from resonance.sound.files import read_recording, write_recording
from resonance.sound.recording import Take

Progress = Callable[[float, str], None]
WORKERS = 2


@dataclass(frozen=True, eq=False)
class MadeSet:
    """One tap set, analysed, and the files its recordings lie in."""

    tap_set: TapSet
    files: tuple[Path, ...]


def build_demo(
    folder: str | os.PathLike[str], *, progress: Progress | None = None, workers: int = WORKERS
) -> Job:
    """Make the invented viola, analyse its tap sets and keep them as a job.

    Parameters
    ----------
    folder : path of the shop, made where it is missing; `truth.json` is written into it
    progress : called with the fraction done (0 to 1) and a short text
    workers : int   processes; 1 does all in this one

    Returns
    -------
    Job   as the shop shows it
    """
    tell = progress or (lambda fraction, text: None)
    tell(0.0, "making up a viola")
    shop = Shop(folder)
    job = shop.new_job(
        INSTRUMENT, setup=scenario.setup_after(0), created=scenario.STRUNG, notes=truth.INVENTED
    )
    ids: dict[int, str] = {}
    with tempfile.TemporaryDirectory(prefix="resonance-demo-") as sounds:
        for number, made in enumerate(_made_sets(Path(sounds), workers), start=1):
            _add_what_came_before(shop, job.id, number)
            _add_set(shop, job.id, number, made, ids)
            tell(number / (len(SITTINGS) + 1), f"tap set {number} of {len(SITTINGS)} made and analysed")
    shop.set_setup(job.id, scenario.setup_after(len(ADJUSTMENTS)))
    sets = [truth.set_truth(s.number) for s in SITTINGS]
    truth.write_truth(Path(shop.folder) / "truth.json", truth.truth_record(sets))
    tell(1.0, "done")
    return shop.job(job.id)


def make_set(number: int, folder: Path) -> MadeSet:
    """Make the sound of one tap set into a folder, and analyse it."""
    from threadpoolctl import threadpool_limits

    plan = scenario.sitting(number)
    files, takes = [], []
    for index, take in enumerate(plan.takes):
        path = folder / f"demo-set{number:02d}-{index + 1}.flac"
        write_recording(truth.take_recording(number, index), path)
        files.append(path)
        takes.append(Take(read_recording(path), take.tap_place, take.microphone_place))
    temperature, humidity = scenario.air(scenario.days(plan.taken))
    with threadpool_limits(limits=1, user_api="blas"):
        tap_set = analyse_set(
            takes,
            family=INSTRUMENT.family,
            piece=INSTRUMENT.piece,
            taken=plan.taken,
            setup=scenario.setup_after(sum(a.made is not None and a.made < plan.taken for a in ADJUSTMENTS)),
            climate=Climate(round(temperature, 1), float(round(humidity)), 12.0),
            conditions=_conditions(plan.remark),
        )
    return MadeSet(_without_samples(tap_set), tuple(files))


def _conditions(remark: str) -> Conditions:
    """How each set was taken: alike throughout."""
    return Conditions(
        holding="cradle",
        string_damping="felt strip and after-lengths",
        tapper="the demo",
        microphone="small condenser",
        checks={"seams": True, "post": True, "bridge upright": True, "at pitch": True},
        remark=remark,
    )


def _without_samples(tap_set: TapSet) -> TapSet:
    """Leave the samples out: they lie in the files."""
    takes = tuple(
        replace(t, recording=replace(t.recording, samples=np.zeros((0, t.recording.n_channels))))
        for t in tap_set.takes
    )
    return replace(tap_set, takes=takes)


def _made_sets(folder: Path, workers: int) -> Iterator[MadeSet]:
    """Make all tap sets, in order, over processes where there are several."""
    numbers = [s.number for s in SITTINGS]
    if workers <= 1:
        for number in numbers:
            yield make_set(number, folder)
        return
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    pool = ProcessPoolExecutor(
        workers, mp_context=get_context("spawn"), initializer=_leave_stopping_to_parent
    )
    try:
        yield from pool.map(make_set, numbers, [folder] * len(numbers))
    finally:
        pool.shutdown(cancel_futures=True)


def _leave_stopping_to_parent() -> None:
    """Let Ctrl-C stop the parent, which stops the workers, without a word from each."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _add_what_came_before(shop: Shop, job: str, number: int) -> None:
    """Adjustments and remarks between the set before and this one."""
    now = scenario.sitting(number).taken
    then = scenario.sitting(number - 1).taken if number > 1 else scenario.STRUNG.replace(hour=0)
    acts: list[tuple[datetime, str | Adjustment]] = [(t, text) for t, text in REMARKS if then <= t < now]
    acts += [(a.made, a) for a in ADJUSTMENTS if a.made is not None and then <= a.made < now]
    for when, act in sorted(acts, key=lambda pair: pair[0]):
        if isinstance(act, str):
            shop.add_remark(job, act, at=when)
        else:
            shop.add_adjustment(job, replace(act, id=""))


def _add_set(shop: Shop, job: str, number: int, made: MadeSet, ids: dict[int, str]) -> None:
    """Keep one tap set; `ids` takes the id the shop gave it."""
    plan = scenario.sitting(number)
    tap_set = replace(made.tap_set, repeat_of=ids.get(plan.repeat_of), repeat_kind=plan.repeat_kind)
    ids[number] = shop.add_tap_set(job, tap_set, made.files, confirmed=True).id
