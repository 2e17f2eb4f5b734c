"""Resonances that are the room's own: heard in a clap, or in the quiet before the first tap.

A room rings at its resonances whatever is struck in it. A clap, recorded where the taps were, shows them; so
may the quiet, where a fan or the street excites them. A mode of the tap set with the frequency and the decay
of one of the clap's is the room's, unless so many stand there that one would agree by chance: then it is
unsure. One that merely stands near stays what it was. In the quiet only what the taps hardly rise above
tells: `QUIET_DB` (assumed).

Reason codes of a mode
----------------------
in_clap : {of}    the clap rings at this frequency, Hz, with the same decay: kind 'room'
near_clap : {of}  the clap rings there too, and whether it is the same cannot be told: kind 'unsure'
in_quiet : {of}   it sounds before the taps as well, hardly fainter: kind 'room'
near_quiet : {of} something broader sounds there before the taps too: kind 'unsure'
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot, inf, isfinite, log, sqrt

import numpy as np

from resonance.modes.intervals import half_bandwidth
from resonance.modes.mode import Mode
from resonance.modes.strings import off_mains
from resonance.reasons import Reason
from resonance.sound.recording import FloatArray, Take
from resonance.taps.tap import Tap

ALIKE = 2.5  # standard uncertainties
BY_CHANCE = 0.1  # expected number of the clap's resonances that agree by chance, above which none is claimed
AROUND = 60.0  # Hz on either side in which they are counted
DECAYS = 2.0  # nepers over which the decays of a room and a body lie; assumed
JUDGED = ("body", "air", "unsure")
LEAST_QUIET = 0.4  # s before the first tap
LEFT_OUT = 0.02  # s right before it
SEGMENT = 0.5  # s
CHANCE = 1e-3  # of one false peak in the quiet
BACKGROUND = 80.0  # Hz of the running median that a peak stands out of
QUIET_DB = 10.0
LINE = 1.5  # times the resolution, up to which a peak is a line; assumed


@dataclass(frozen=True)
class QuietPeak:
    """A peak of the quiet: frequency, half-power width, resolution (Hz), height over what is around it."""

    frequency: float
    width: float
    resolution: float
    over_db: float


def by_clap(modes: Sequence[Mode], clap: Sequence[Mode]) -> list[Mode]:
    """Give the modes, those told by a clap as the room's own so called.

    Parameters
    ----------
    modes : sequence of Mode   of the tap set; strings and hum stay what they are
    clap : sequence of Mode   resonances of the clap's decay, read by the same estimator
    """
    return [_judged_by_clap(mode, clap) if mode.kind in JUDGED else mode for mode in modes]


def _judged_by_clap(mode: Mode, clap: Sequence[Mode]) -> Mode:
    near = [heard for heard in clap if _apart(mode, heard) < ALIKE and _decay_apart(mode, heard) < ALIKE]
    if not near:
        return mode
    best = min(near, key=lambda heard: hypot(_apart(mode, heard), _decay_apart(mode, heard)))
    known = isfinite(mode.damping) and isfinite(best.damping)
    told = known and _by_chance(mode, best, clap) < BY_CHANCE
    code, kind = ("in_clap", "room") if told else ("near_clap", "unsure")
    return replace(mode, kind=kind, reasons=(*mode.reasons, Reason(code, {"of": best.frequency})))


def _apart(mode: Mode, heard: Mode) -> float:
    """Distance in frequency in standard uncertainties; the room's share in them does not count here."""
    u = _frequency_u(mode, heard)
    return abs(mode.frequency - heard.frequency) / u if u > 0.0 else inf


def _frequency_u(mode: Mode, heard: Mode) -> float:
    return hypot(*(m.frequency_u for m in (mode, heard) if m.frequency_u > 0.0), 1e-3 * mode.frequency)


def _decay_apart(mode: Mode, heard: Mode) -> float:
    """Distance of ln damping in standard uncertainties; 0 where a damping is not shown."""
    if not (mode.damping > 0.0 and heard.damping > 0.0):
        return 0.0
    return abs(log(mode.damping / heard.damping)) / _log_damping_u(mode, heard)


def _log_damping_u(mode: Mode, heard: Mode) -> float:
    return hypot(*(m.damping_u / m.damping for m in (mode, heard) if m.damping_u > 0.0), 0.05)


def _by_chance(mode: Mode, heard: Mode, clap: Sequence[Mode]) -> float:
    """How many resonances of the clap, as dense as around here, would agree with the mode by chance."""
    density = sum(abs(m.frequency - mode.frequency) < AROUND for m in clap) / (2.0 * AROUND)
    decays = min(1.0, 2.0 * ALIKE * _log_damping_u(mode, heard) / DECAYS)
    return density * 2.0 * ALIKE * _frequency_u(mode, heard) * decays


def by_quiet(modes: Sequence[Mode], peaks: Sequence[QuietPeak]) -> list[Mode]:
    """Give the modes, those that sound in the quiet as well so called."""
    heard = [peak for peak in peaks if not _mains(peak)]
    return [_judged_by_quiet(mode, heard) if mode.kind in JUDGED else mode for mode in modes]


def _mains(peak: QuietPeak) -> bool:
    """Whether a peak is a line of the mains: it is no resonance, and a body mode may stand beside it."""
    return off_mains(peak.frequency) < 0.5 * peak.resolution and peak.width < LINE * peak.resolution


def _judged_by_quiet(mode: Mode, peaks: Sequence[QuietPeak]) -> Mode:
    width = 2.0 * half_bandwidth(mode)
    near = [
        peak
        for peak in peaks
        if abs(peak.frequency - mode.frequency) < 0.5 * max(peak.width, peak.resolution)
        and mode.snr_db < peak.over_db + QUIET_DB
    ]
    if not near:
        return mode
    best = max(near, key=lambda peak: peak.over_db)
    seen = hypot(width, best.resolution)  # the width at which the mode would show there
    if best.width < 0.5 * seen:  # a tone beside a broad resonance: two things
        return mode
    alike = best.width < 2.0 * seen
    code, kind = ("in_quiet", "room") if alike else ("near_quiet", "unsure")
    return replace(mode, kind=kind, reasons=(*mode.reasons, Reason(code, {"of": best.frequency})))


def quiet_peaks(
    takes: Sequence[Take], taps: Sequence[Tap], band: tuple[float, float]
) -> tuple[QuietPeak, ...]:
    """Peaks of the averaged spectrum of the quiet before the first tap of each take.

    Later quiet does not count: strings may ring in it. Nothing where no take begins with 0.4 s of quiet.
    """
    by_rate: dict[float, list[FloatArray]] = {}
    for index, take in enumerate(takes):
        onsets = [tap.onset for tap in taps if tap.take == index]
        last = int((min(onsets, default=0.0) - LEFT_OUT) * take.recording.sample_rate)
        if last >= LEAST_QUIET * take.recording.sample_rate:
            for channel in range(take.recording.n_channels):
                if take.role(channel) == "sound":
                    quiet = take.recording.samples[:last, channel]
                    by_rate.setdefault(take.recording.sample_rate, []).append(quiet - quiet.mean())
    found = [peak for rate, parts in by_rate.items() for peak in _peaks(parts, rate, band)]
    return tuple(sorted(found, key=lambda peak: peak.frequency))


def _peaks(parts: Sequence[FloatArray], rate: float, band: tuple[float, float]) -> list[QuietPeak]:
    import scipy

    n = min(int(SEGMENT * rate), min(part.size for part in parts))
    window = np.hanning(n + 2)[1:-1]
    cut = [part[i : i + n] for part in parts for i in range(0, part.size - n + 1, max(1, n // 2))]
    power = np.mean(np.abs(np.fft.rfft(np.stack(cut) * window, axis=1)) ** 2, axis=0)
    independent = max(1.0, 0.6 * len(cut))  # half-overlapping Hann segments
    grid = np.asarray(np.fft.rfftfreq(n, 1.0 / rate), np.float64)
    inside = (grid >= band[0]) & (grid <= band[1])
    size = 2 * max(2, int(0.5 * BACKGROUND * n / rate)) + 1
    ratio: FloatArray = np.asarray(
        power / np.maximum(scipy.ndimage.median_filter(power, size=size, mode="nearest"), 1e-300), float
    )
    needed = scipy.stats.gamma.isf(CHANCE / max(1, inside.sum()), independent, scale=1.0 / independent)
    tops = np.flatnonzero(inside[1:-1] & (ratio[1:-1] > ratio[:-2]) & (ratio[1:-1] >= ratio[2:])) + 1
    return [_peak(grid, ratio, int(top), rate / n) for top in tops if ratio[top] > needed]


def _peak(grid: FloatArray, ratio: FloatArray, top: int, step: float) -> QuietPeak:
    """One peak: frequency and half-power width of the parabola through ln power, a Gaussian's."""
    low, middle, high = np.log(ratio[top - 1 : top + 2])
    bend = min(low - 2.0 * middle + high, -1e-3)
    frequency = grid[top] + 0.5 * (low - high) / bend * step
    width = 2.0 * sqrt(2.0 * log(2.0) / -bend) * step
    resolution = 1.44 * step  # half-power width of a Hann line (Harris 1978)
    return QuietPeak(float(frequency), width, resolution, float(10.0 * np.log10(ratio[top])))
