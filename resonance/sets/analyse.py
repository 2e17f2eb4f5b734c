"""From takes to a tap set: taps found and vetted, modes estimated and named, bands measured.

A pure function of sound and settings; when the set was taken and how the instrument stood are passed through.

Reason codes (beside those of `resonance.modes.estimate` and `resonance.sets.agree`)
------------------------------------------------------------------------------------
microphone_not_noted : {}   several recordings, none with a microphone place: in place of one_microphone_place
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np

from resonance import __version__
from resonance.modes.estimate import METHOD, find_modes
from resonance.modes.mode import Mode, ModesResult
from resonance.modes.names import name_modes
from resonance.modes.strings import assumed_strings
from resonance.reasons import Reason
from resonance.sets.agree import disagreement
from resonance.sets.setup import Setup
from resonance.sets.tapset import Analysis, Climate, Conditions, TapSet
from resonance.sound.recording import Recording, Take, as_take, is_clap
from resonance.spectra.bands import band_levels
from resonance.taps.find import find_taps
from resonance.taps.tap import Tap, TapLimits

DEFAULT_LIMITS = TapLimits()


def analyse_set(
    takes_or_recordings: Sequence[Take | Recording],
    *,
    family: str = "violin",
    piece: str = "whole",
    band: tuple[float, float] | None = None,
    taken: datetime | None = None,
    setup: Setup | None = None,
    climate: Climate | None = None,
    conditions: Conditions | None = None,
    start: Sequence[Mode] | None = None,
    channel: int | None = None,
    pitch_a4: float = 440.0,
    set_id: str = "",
    taps: Sequence[Tap] | None = None,
    limits: TapLimits = DEFAULT_LIMITS,
    claps: Sequence[Take | Recording] = (),
    progress: Callable[[float, str], None] | None = None,
) -> TapSet:
    """Analyse the takes of one sitting.

    Parameters
    ----------
    takes_or_recordings : one or more; a bare recording is a take with places unnamed
    family, piece, band, start : see `resonance.modes.estimate.find_modes`
    channel : int or None   use this channel alone (counted from 0); None uses every sounding channel
    pitch_a4 : float, Hz   pitch the open strings are assumed at
    taps : sequence of Tap or None   taps already found and judged, e.g. by the maker; None finds them
    claps : recordings of a clap or more where the taps were taken; kept as takes of role 'room'
    progress : called with (fraction, text)

    Raises
    ------
    ResonanceError   when the band does not fit the recordings
    ValueError       no takes, or no such channel
    """
    if not takes_or_recordings:
        raise ValueError("a tap set needs at least one recording")
    report = progress or (lambda fraction, text: None)
    takes = [
        take if is_clap(take) else _one_channel(take, channel) for take in map(as_take, takes_or_recordings)
    ]
    takes += [as_clap(item) for item in claps]
    found = list(taps) if taps is not None else []
    if taps is None:
        for index, take in enumerate(takes):
            report(0.3 * index / len(takes), "finding taps")
            found += [replace(tap, take=index) for tap in _taps_of(take, limits)]
    report(0.3, "fitting the resonances")
    strings = assumed_strings(family, pitch_a4=pitch_a4)
    result = find_modes(
        takes,
        found,
        band=band,
        family=family,
        piece=piece,
        open_strings=strings,
        start=start,
        claps=[take for take in takes if is_clap(take)],
    )
    report(0.8, "seeing that the recordings agree")
    alike = disagreement(takes, found, result.modes, family=family, piece=piece, open_strings=strings)
    unread = piece == "whole" and len(result.strings) < len(strings)
    assumed = (Reason("assumed_strings"),) if unread else ()
    report(0.9, "measuring levels")
    return TapSet(
        id=set_id,
        taken=taken,
        modes=name_modes(result.modes, family=family, piece=piece),
        takes=tuple(takes),
        taps=tuple(found),
        bands=band_levels(takes, found),
        setup=setup or Setup(),
        climate=climate or Climate(),
        conditions=conditions or Conditions(),
        analysis=analysis_of(result, family=family, piece=piece, band=band, pitch_a4=pitch_a4),
        reasons=(*alike, *_places_noted(result.reasons, takes, found), *assumed),
        strings=result.strings,
    )


def as_clap(item: Take | Recording) -> Take:
    """Give a recording of claps as the take it is kept as: every channel of role 'room'."""
    take = as_take(item)
    return replace(take, channels=("room",) * take.recording.n_channels)


def analysis_of(
    result: ModesResult, *, family: str, piece: str, band: tuple[float, float] | None, pitch_a4: float
) -> Analysis:
    """How the modes were obtained: method number, settings, versions, and what bounds them."""
    import scipy

    settings: dict[str, float | str | bool | None] = {"family": family, "piece": piece, "pitch_a4": pitch_a4}
    settings["band_given"] = band is not None
    return Analysis(
        method=METHOD,
        program=__version__,
        settings=settings,
        libraries={"numpy": np.__version__, "scipy": scipy.__version__},
        record=result.record,
        band=result.band,
        reach=result.reach,
        misfit=result.misfit,
        noise_db=result.noise_db,
        fitted=result.fitted,
    )


def _places_noted(reasons: Sequence[Reason], takes: Sequence[Take], taps: Sequence[Tap]) -> list[Reason]:
    """Take no microphone place noted in several recordings for what it is, not for one place."""
    heard = {tap.take for tap in taps if tap.kept}
    unknown = len(heard) > 1 and not any(takes[i].microphone_place for i in heard)
    swapped = {"one_microphone_place": Reason("microphone_not_noted")} if unknown else {}
    return [swapped.get(reason.code, reason) for reason in reasons]


def _one_channel(take: Take, channel: int | None) -> Take:
    """Give the take with every channel but one set aside."""
    if channel is None:
        return take
    n = take.recording.n_channels
    if not 0 <= channel < n:
        raise ValueError(f"there is no channel {channel}; the recording has channels 0 to {n - 1}")
    roles = tuple(take.role(i) if i == channel else "unused" for i in range(n))
    return replace(take, channels=roles)


def _taps_of(take: Take, limits: TapLimits) -> list[Tap]:
    """Taps of a take from its first sounding channel; none where every channel is set aside."""
    for channel in range(take.recording.n_channels):
        if take.role(channel) in ("sound", "contact"):
            return find_taps(take.recording, channel=channel, limits=limits)
    return []
