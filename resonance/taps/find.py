"""Find the taps of a recording: a detection curve, then onsets from it, then each tap measured and vetted.

Conventions. Times in s from the start of the recording, levels in dB. Nothing is absolute: every level is
compared with other levels of the same recording, so its gain does not matter (full-scale clipping, in
`resonance.taps.vet`, is the one exception).

How a tap is told. In six bands of equal ratio from 200 Hz up, the largest level of the next 6 ms is set
against the largest of the 40 ms before; a tap makes most of the bands that can be heard rise by 9 dB at
once. Beats lift one band, a bowed note swells more slowly, handling stays lower. (Bands from 300 Hz up found
the same real taps, but lost a tenth of the soft ones on a made-up cello.) Then a tap is within 27 dB of the
loudest, at least 50 ms from the one before, and does not go on growing. A soft finger excites the lowest
bands alone, so only bands that stand clear of the recording's own noise have a vote.
A recording that starts loud and decays was cut at its first blow: that blow counts as a tap at time 0.

A second blow within `TapLimits.double_hit_within` belongs to the tap before it (a bounce), which
`resonance.taps.vet` then refuses. The numbers come from trials on forty-nine real taps of plates, knocks and
bars (common practice, no source).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import scipy
from numpy.typing import NDArray

from resonance.sound.recording import FloatArray, Recording
from resonance.taps.measures import measure_taps
from resonance.taps.tap import Tap, TapLimits
from resonance.taps.vet import vet_taps

STEP = 0.001  # s between the points of the curve
AHEAD = 0.006  # s whose largest level makes the rise
BEFORE = 0.040  # s before it that it is set against
BEFORE_AGAIN = 0.012  # s before a second blow that it is set against
AGAIN_DB = 6.5  # rise of a second blow; beats, reflections and room gave at most 5 in trials
AGAIN_AFTER = 0.008  # s after the onset, at the earliest
LOWEST, HIGHEST = 200.0, 10_000.0  # Hz, of the bands
N_BANDS = 6
USABLE = 0.45  # of the sample rate: bands end here at the latest
SILENCE_DB = 100.0  # this far below the loudest a band counts as silent: rounding, digital silence
QUIET_SHARE = 0.1  # of the recording is taken to be no tap, to tell each band's noise
VOTE_DB = 12.0  # a band this far above its noise has a vote
BLOW = 0.020  # s in which the blow itself is loudest
SETTLED = 0.030  # s in which the sound may still build up (two close modes of opposite sign)
PRECURSOR_DB = 20.0  # a click this far below the blow that follows within the dead time is not the blow
START_DB = 10.0  # a recording starts loud when its first moments are this near its loudest
DECAYED_DB = 10.0  # and decays when it falls this far below its start
REGROWTH_DB = 3.0  # and on its way never comes back by more than this
BLOCK = 0.050  # s over which that decay is averaged
PICK_BEFORE, PICK_AFTER = 0.015, 0.008  # s about a coarse onset in which the fine one is sought
PICK_HIGH_PASS = 200.0  # Hz; handling noise moves more than a tap's first rise
STARTED = 10.0  # in power: a recording that rises less than this at its start had begun before
DEFAULT_LIMITS = TapLimits()


@dataclass(frozen=True, eq=False)
class DetectionCurve:
    """How suddenly a recording gets louder.

    Parameters
    ----------
    times : array (n,), s   start of each step
    rise_db : array (n,), dB   largest level of the next 6 ms over that of the 40 ms before, median over
        the bands that can be heard; -inf where none can
    again_db : array (n,), dB   the same over the 12 ms before, from the second band up and where two can be
        heard: a second blow while the first still rings
    level_db : array (n,), dB   level of all bands together, comparable within the recording only
    """

    times: FloatArray
    rise_db: FloatArray
    again_db: FloatArray
    level_db: FloatArray


def find_taps(recording: Recording, *, channel: int = 0, limits: TapLimits = DEFAULT_LIMITS) -> list[Tap]:
    """Taps of one channel of a recording, by time, measured and vetted.

    Parameters
    ----------
    recording : Recording
    channel : int   counted from 0
    limits : TapLimits   what counts as a tap and when it is refused

    Returns
    -------
    list of Tap   refused ones included (`kept` False) with their faults; empty when there are none

    Raises
    ------
    ValueError   no such channel, or samples that are not finite numbers
    """
    sound, rate = one_channel(recording, channel), recording.sample_rate
    found = blows(detection_curve(sound, rate), limits=limits)
    fine = [[refine_onset(sound, rate, time) for time in blow] for blow in found]
    joined = join_bounces(fine, within=limits.double_hit_within)
    taps = measure_taps(sound, rate, [blow[0] for blow in joined])
    return vet_taps(sound, rate, taps, bounces=[blow[1:] for blow in joined], limits=limits)


def one_channel(recording: Recording, channel: int) -> FloatArray:
    """One channel, array (n_samples,).

    Raises
    ------
    ValueError   no such channel, or samples that are not finite numbers
    """
    if not 0 <= channel < recording.n_channels:
        raise ValueError(
            f"there is no channel {channel}; the recording has channels 0 to {recording.n_channels - 1}"
        )
    sound = np.asarray(recording.samples[:, channel], dtype=float)
    if not np.all(np.isfinite(sound)):
        bad = int(np.count_nonzero(~np.isfinite(sound)))
        raise ValueError(f"{bad} samples of channel {channel} are not finite numbers; leave that channel out")
    return sound


def detection_curve(sound: FloatArray, sample_rate: float) -> DetectionCurve:
    """How suddenly a sound gets louder, in steps of a millisecond (see the module's head).

    Parameters
    ----------
    sound : array (n_samples,)
    sample_rate : float, Hz   at low rates the bands end at 0.45 of it and start lower if they must

    Returns
    -------
    DetectionCurve; empty when the sound is constant or shorter than 50 steps
    """
    step = max(1, round(STEP * sample_rate))
    times = np.arange(len(sound) // step) * step / sample_rate
    power = (
        band_powers(sound - np.mean(sound), sample_rate, step=step) if len(times) >= 50 else np.zeros((1, 0))
    )
    if power.size == 0 or not np.ptp(sound) > 0.0:
        return DetectionCurve(*np.zeros((4, 0)))
    silence = power.max() * 10.0 ** (-SILENCE_DB / 10.0)
    return curve_of_levels(10.0 * np.log10(np.maximum(power, silence)), times, sample_rate / step)


def curve_of_levels(level_db: FloatArray, times: FloatArray, per_second: float) -> DetectionCurve:
    """Detection curve from the level of each band in each step, array (n_bands, n), dB."""
    rise_db, again_db, _ = sudden_rises(level_db, per_second)
    total_db = 10.0 * np.log10(np.sum(10.0 ** (level_db / 10.0), axis=0))
    return DetectionCurve(times, rise_db, again_db, total_db)


def sudden_rises(
    level_db: FloatArray, per_second: float, *, quiet_db: FloatArray | None = None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """How suddenly the levels of the bands rise, and how suddenly again while the first still rings.

    Parameters
    ----------
    level_db : array (n_bands, n), dB   level of each band in each step
    per_second : float   steps in a second
    quiet_db : array (n_bands,), dB   each band's quiet; from the levels themselves when None

    Returns
    -------
    (rise_db, again_db, ahead_db) : arrays (n,), (n,) and (n_bands, n), dB   as in `DetectionCurve`, and the
        largest level of the next 6 ms
    """
    ahead = _largest(level_db, max(1, round(AHEAD * per_second)), ahead=True)
    quiet = quiet_of(ahead) if quiet_db is None else quiet_db
    audible = ahead >= quiet[:, None] + VOTE_DB
    before, just_before = (
        _largest(level_db, max(1, round(span * per_second)), ahead=False) for span in (BEFORE, BEFORE_AGAIN)
    )
    rise_db = _median_of_audible(ahead - before, audible)
    again_db = _median_of_audible((ahead - just_before)[1:], audible[1:], least=2)
    return rise_db, again_db, ahead


def quiet_of(ahead_db: FloatArray) -> FloatArray:
    """Each band's quiet, dB; array (n_bands,) from the levels (n_bands, n) of `sudden_rises`."""
    return np.asarray(np.quantile(ahead_db, QUIET_SHARE, axis=1))


def band_powers(sound: FloatArray, sample_rate: float, *, step: int) -> FloatArray:
    """Mean square of each band in each step; array (N_BANDS, n_samples // step)."""
    n = len(sound) // step
    powers = []
    for sections in band_sections(sample_rate):
        band = scipy.signal.sosfilt(sections, sound[: n * step])
        powers.append(np.mean(np.square(band).reshape(n, step), axis=1))
    return np.stack(powers)


def band_sections(sample_rate: float) -> list[FloatArray]:
    """Second-order sections of each band's filter."""
    highest = min(HIGHEST, USABLE * sample_rate)
    edges = np.geomspace(min(LOWEST, highest / 3.0), highest, N_BANDS + 1)
    return [
        scipy.signal.butter(2, (low, high), "bandpass", fs=sample_rate, output="sos")
        for low, high in pairwise(edges)
    ]


def _largest(level_db: FloatArray, width: int, *, ahead: bool) -> FloatArray:
    """Largest of the `width` steps from each step on, or before it; same shape (n_bands, n)."""
    n_bands, n = level_db.shape
    if ahead:
        padded = np.concatenate([level_db, np.full((n_bands, width - 1), -np.inf)], axis=1)
    else:
        padded = np.concatenate([np.repeat(level_db[:, :1], width, axis=1), level_db[:, : n - 1]], axis=1)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, width, axis=1).max(axis=-1))


def _median_of_audible(rise_db: FloatArray, audible: NDArray[np.bool_], *, least: int = 1) -> FloatArray:
    """Lower median over the audible bands at each step, -inf where fewer than `least` are; array (n,)."""
    ordered = np.sort(np.where(audible, rise_db, np.inf), axis=0)
    count = np.count_nonzero(audible, axis=0)
    middle = np.take_along_axis(ordered, np.maximum(count - 1, 0)[None, :] // 2, axis=0)[0]
    return np.where(count >= least, middle, -np.inf)


def onsets(curve: DetectionCurve, *, limits: TapLimits = DEFAULT_LIMITS) -> list[float]:
    """Coarse onsets (s, to a step or so) of the taps that a detection curve shows, rising; see `blows`."""
    return [blow[0] for blow in blows(curve, limits=limits)]


def blows(curve: DetectionCurve, *, limits: TapLimits = DEFAULT_LIMITS) -> list[list[float]]:
    """Each tap's coarse onset (s), followed by the bounces within its dead time.

    A rise of `rise_db`, within `range_db` of the loudest, `dead_time` apart, not growing by more than
    `growth_db` within `growth_time`; 0.0 for the blow of a recording that starts loud and decays.
    """
    if not len(curve.times):
        return []
    found = _rises(curve.rise_db, limits.rise_db)
    if not (found and curve.times[found[0]] < limits.dead_time) and _starts_loud(curve, found):
        found.insert(0, 0)
    loudness = {i: _largest_between(curve, i, curve.times[i] + BLOW) for i in found}
    loudest = max(loudness.values(), default=-np.inf)
    found = [i for i in found if loudness[i] >= loudest - limits.range_db]
    again = _rises(curve.again_db, AGAIN_DB)
    kept = []
    for group in _grouped(curve, found, limits.dead_time):
        following = next((i for i in found if i > group[-1]), len(curve.times))
        until = float(curve.times[following]) - AHEAD if following < len(curve.times) else np.inf
        blow = _without_precursors(group, loudness)
        blow = sorted({*blow, *_second_blows(curve, again, blow[0], until, limits)})
        if _growth(curve, blow[-1], until, limits.growth_time) <= limits.growth_db:
            kept.append([float(curve.times[i]) for i in blow])
    return kept


def _rises(curve_db: FloatArray, least_db: float) -> list[int]:
    """Step of each stretch that rises enough: the last one near the stretch's largest rise."""
    up = np.concatenate([[False], curve_db >= least_db, [False]])
    edges = np.flatnonzero(np.diff(up.astype(int)))
    steps = []
    for first, end in zip(edges[::2], edges[1::2], strict=True):
        rise = curve_db[first:end]
        steps.append(int(first + np.flatnonzero(rise >= rise.max() - 1.0)[-1]))
    return steps


def _largest_between(curve: DetectionCurve, first: int, until: float) -> float:
    """Largest level from a step up to a time, dB; -inf when there is no step between."""
    end = int(np.searchsorted(curve.times, until))
    return float(np.max(curve.level_db[first:end], initial=-np.inf))


def _grouped(curve: DetectionCurve, found: Sequence[int], dead_time: float) -> list[list[int]]:
    """Rises within the dead time after the first of them, together."""
    groups: list[list[int]] = []
    for i in found:
        if groups and curve.times[i] - curve.times[groups[-1][0]] < dead_time:
            groups[-1].append(i)
        else:
            groups.append([i])
    return groups


def _without_precursors(group: Sequence[int], loudness: dict[int, float]) -> list[int]:
    """The rises of a group from the first on that is not a mere click before a much louder one."""
    loudest = max(loudness[i] for i in group)
    first = next(i for i in group if loudness[i] >= loudest - PRECURSOR_DB)
    return [i for i in group if i >= first]


def _second_blows(
    curve: DetectionCurve, again: Sequence[int], first: int, until: float, limits: TapLimits
) -> list[int]:
    """The rises soon after a blow that are loud enough beside it to be another."""
    onset = float(curve.times[first])
    start, end = onset + AGAIN_AFTER, min(until, onset + limits.double_hit_within)
    least_db = _largest_between(curve, first, onset + AGAIN_AFTER) + limits.double_hit_db
    soon = [i for i in again if start <= curve.times[i] < end]
    return [i for i in soon if _largest_between(curve, i, curve.times[i] + AGAIN_AFTER) >= least_db]


def _growth(curve: DetectionCurve, step: int, until: float, within: float) -> float:
    """How far the level after the blow exceeds that of its first 30 ms, dB."""
    settled = min(curve.times[step] + SETTLED, until)
    start = _largest_between(curve, step, settled)
    later = int(np.searchsorted(curve.times, settled))
    return _largest_between(curve, later, min(curve.times[step] + within, until)) - start


def _starts_loud(curve: DetectionCurve, found: Sequence[int]) -> bool:
    """Whether the recording starts within a decay: loud at once, then falling, up to its first rise."""
    end = found[0] if found else len(curve.times)
    block = int(np.searchsorted(curve.times, BLOCK))
    n = end // block
    if n < 2 or np.max(curve.level_db[:block]) < np.max(curve.level_db) - START_DB:
        return False
    power = 10.0 ** (curve.level_db[: n * block] / 10.0)
    fall = 10.0 * np.log10(power.reshape(n, block).mean(axis=1))
    lowest = np.minimum.accumulate(fall)
    heard = lowest > lowest[-1] + REGROWTH_DB
    regrowth = np.max(np.where(heard, fall - lowest, 0.0))
    return bool(fall[0] - lowest[-1] >= DECAYED_DB and regrowth <= REGROWTH_DB)


def refine_onset(sound: FloatArray, sample_rate: float, coarse: float) -> float:
    """Time of a blow's first rise, s, from a coarse onset good to some milliseconds.

    Parameters
    ----------
    sound : array (n_samples,)
    sample_rate : float, Hz
    coarse : float, s

    Returns
    -------
    float, s   where splitting the sound in a quiet and a loud part, each Gaussian of its own variance, is
        most likely (Akaike's criterion on two variances; Maeda 1985, from memory); 0.0 when the sound is
        loud from its first sample. On made-up taps it is late by 0.1 ms at 50 dB and 0.2-0.4 ms at 20 dB.
    """
    first = max(0, round((coarse - PICK_BEFORE) * sample_rate))
    end = min(len(sound), round((coarse + PICK_AFTER) * sample_rate))
    lead = max(0, first - round(0.01 * sample_rate))
    corner = min(PICK_HIGH_PASS, 0.1 * sample_rate)
    sections = scipy.signal.butter(1, corner, "highpass", fs=sample_rate, output="sos")
    piece = scipy.signal.sosfilt(sections, sound[lead:end] - sound[lead])[first - lead :]
    top = int(np.argmax(np.abs(piece)))
    piece = piece[: top + max(3, round(0.0003 * sample_rate))]
    if len(piece) < 6:
        return first / sample_rate
    power = np.square(piece)
    split = _two_variances(power)
    started = first == 0 and STARTED * np.mean(power[:split]) > np.mean(power[split:])
    return 0.0 if started else (first + split) / sample_rate


def _two_variances(power: FloatArray) -> int:
    """Sample at which a squared sound best splits into two parts of different mean."""
    n = len(power)
    k = np.arange(2, n - 1)
    total = np.cumsum(power)
    tiny = 1e-12 * total[-1] / n
    quiet, loud = total[k - 1] / k, (total[-1] - total[k - 1]) / (n - k)
    return int(k[np.argmin(k * np.log(quiet + tiny) + (n - k) * np.log(loud + tiny))])


def join_bounces(found: Sequence[Sequence[float]], *, within: float) -> list[list[float]]:
    """Taps, each with its bounces (s), joined where one begins less than `within` (s) after another."""
    joined: list[list[float]] = []
    for blow in found:
        if joined and blow[0] - joined[-1][0] < within:
            joined[-1].extend(blow)
        else:
            joined.append([blow[0], *(time for time in blow[1:] if time >= blow[0] + 0.5 * AGAIN_AFTER)])
    return joined
