"""After a set was taken: keep it and say what was found; offer what an earlier start left behind."""

from pathlib import Path
from typing import TYPE_CHECKING

from resonance.cli import ordering, screen
from resonance.errors import ResonanceError
from resonance.report.blocks import Items, Paragraph

if TYPE_CHECKING:
    from resonance.jobs.recording import KeptRecording
    from resonance.jobs.store import Shop
    from resonance.sets.tapset import TapSet
    from resonance.taking.keep import Noted
    from resonance.taking.runner import Taken
    from resonance.taking.spool import Unfinished

CLAPPED = "It was held against the clap kept before: what rings in that too is called the room's."
RINGS = (
    "Heard in it: {n} of the room. Tap sets of the next four hours are held against it. Leave the microphone "
    "where it stands."
)
NO_RING = "Nothing rings in it that can be read: clap again, once, loudly, then two seconds of quiet."
LEFT = "it is offered at the next 'resonance take'"


def after_set(shop: "Shop", taken: "Taken", folder: Path | None, noted: "Noted", *, json: bool) -> int:
    """Keep what was taken, or say why it is not kept yet."""
    from resonance.taking.spool import discard, read

    kept = sum(taken.session.n_kept(take) for take in range(taken.session.take + 1))
    if taken.trouble is not None:
        if folder is not None and kept == 0:
            discard(folder)
        screen.note(f"{kept} good so far; {LEFT}." if folder is not None and kept else "")
        raise taken.trouble
    if folder is None:
        return _show_dry(taken, noted)
    spool = read(folder)
    if spool is None or kept == 0:
        discard(folder)
        raise ResonanceError("nothing was heard that can be used, so nothing was kept")
    _keep(shop, spool, noted, taken=taken, json=json)
    return 0


def _show_dry(taken: "Taken", noted: "Noted") -> int:
    """Say what a trial gave; nothing is written."""
    from resonance.taking.readings import read_taps
    from resonance.taking.session import clip_takes

    clips = taken.session.clips()
    screen.note("A trial: nothing was written.")
    if not clips or noted.plan.looked_for != "taps":
        return 0
    from resonance.cli.analysing import one_thread
    from resonance.report.live import reading_line

    plan = noted.plan
    takes, taps = clip_takes(
        clips, plan.microphone_places, tap_place=plan.tap_place, sample_rate=taken.session.sample_rate
    )
    with one_thread():
        found = read_taps(
            takes, taps, family=plan.family, piece=plan.piece, pitch_a4=440.0, scatter_cents=7.0
        )
    screen.show(Items(tuple(reading_line(mode) for mode in found.modes), title="Readings"))
    return 0


def _keep(
    shop: "Shop",
    spool: "Unfinished",
    noted: "Noted",
    *,
    taken: "Taken | None" = None,
    json: bool,
) -> None:
    """Analyse a set from its spool, keep it, print it; without `taken` it is judged again first."""
    from resonance.jobs.recording import KeptRecording
    from resonance.taking.keep import keep_spool

    judged = (taken.session, taken.began, taken.ended) if taken is not None else None
    with screen.Progress() as progress:
        stored = keep_spool(shop, spool, noted, judged=judged, progress=progress)
    if stored is None:
        what = "tap set" if noted.plan.looked_for == "taps" else "recording"
        screen.note(f"That {what} had been kept already.")
        return
    if isinstance(stored, KeptRecording):
        _show_recording(shop, noted, stored, json=json)
        return
    _show_kept(shop, noted.job, stored, json=json)


def _show_recording(shop: "Shop", noted: "Noted", kept: "KeptRecording", *, json: bool) -> None:
    """Say that bowed notes or claps are kept, and what they are good for."""
    from resonance.jobs.records import to_record
    from resonance.report.words import count_words

    if json:
        screen.print_json({**to_record(kept), "job": noted.job})
        return
    what = "bowed note" if kept.what == "bowed" else "clap"
    screen.show(f"Kept as {kept.id} of {noted.job}: {count_words(len(kept.events), what)}.")
    if kept.what == "bowed":
        screen.show(f"'resonance bowed --job {noted.job} {kept.id}' reads them.")
        return
    n = _n_rings(shop, noted, kept)
    if n:
        screen.show(RINGS.format(n=count_words(n, "resonance")))
    else:
        screen.note(NO_RING)


def _n_rings(shop: "Shop", noted: "Noted", kept: "KeptRecording") -> int:
    """Count what rings in a clap where the taps will be looked at."""
    from resonance.cli.analysing import one_thread
    from resonance.jobs.recording import with_sound
    from resonance.modes.estimate import clap_modes
    from resonance.modes.ranges import search_of

    band = search_of(noted.plan.family, noted.plan.piece).band
    with one_thread():
        return len(clap_modes(with_sound(shop, kept).takes, band))


def _show_kept(shop: "Shop", job_id: str, kept: "TapSet", *, json: bool) -> None:
    from resonance.cli.modes import set_blocks
    from resonance.jobs.answers import put_back_scatter
    from resonance.jobs.job import unconfirmed
    from resonance.jobs.records import to_record
    from resonance.report.differences import differs_blocks
    from resonance.report.scatter import repeat_pays_words
    from resonance.report.words import set_words
    from resonance.sound.recording import is_clap

    job = shop.job(job_id)
    waits = kept.id in [entry.id for entry in unconfirmed(job)]
    if json:
        screen.print_json({**to_record(kept), "job": job.id, "confirmed": not waits})
        return
    unread = any(reason.code == "clap_not_read" for reason in kept.reasons)
    tapped = [take for take in kept.takes if not is_clap(take)]
    paths = [Path(take.microphone_place or take.recording.source) for take in tapped]
    then = f"resonance take {job.id} --repeat 'put back'"
    screen.show(
        Paragraph(f"Kept as {set_words(kept.id)} of {job.id}."),
        *set_blocks(kept, paths),
        *differs_blocks(job, kept),
        Paragraph(CLAPPED, "small") if len(tapped) < len(kept.takes) and not unread else "",
        Paragraph(repeat_pays_words(job, put_back_scatter(job, shop=shop), then=then), "small"),
        ordering.unconfirmed_words(job) if waits else "",
    )


def offer_unfinished(shop: "Shop", *, json: bool) -> None:
    """Offer each set that was cut off: keep its whole taps, or discard it; nobody there to ask: leave it."""
    from resonance.report.words import count_words, moment_words
    from resonance.taking.keep import noted_in, replay
    from resonance.taking.spool import discard, unfinished

    for spool in unfinished(shop.folder):
        noted = noted_in(spool.note)
        session, _, _ = replay(spool)
        n = sum(session.n_kept(take) for take in range(session.take + 1))
        what = {"taps": "tap", "bowed": "note", "clap": "clap"}[noted.plan.looked_for]
        told = (
            f"A set of {noted.job}, begun {moment_words(spool.started)}, was cut off: {count_words(n, what)}."
        )
        if not n:
            discard(spool.folder)
            screen.note(f"A set of {noted.job}, cut off with no whole {what}, was cleared away.")
        elif not screen.can_ask():
            screen.note(f"{told} Start 'resonance take' at a terminal to keep or discard it.")
        elif screen.confirm(f"{told} Keep it?"):
            _keep(shop, spool, noted, json=json)
        elif screen.confirm("Discard it for good?", default=False):
            discard(spool.folder)
