"""Curves for pictures: the averaged spectrum of a tap set, that of single taps, the decay of one mode.

Nothing here is measured from: modes come from `resonance.modes.estimate`. Every tap counts alike: each decay
is scaled to the same energy before it is averaged, since a hand's blows differ.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import isfinite, nan

import numpy as np

from resonance.modes.mode import Mode
from resonance.sets.tapset import TapSet
from resonance.sound.recording import FloatArray
from resonance.spectra.spectrum import average_spectrum
from resonance.taps.tap import Tap

START = 0.006  # s from the onset to the free decay
LONGEST = 0.5  # s of decay shown where the analysis does not say how much it used
HEARD = ("sound", "contact")
BEFORE, SHOWN = 0.16, 0.6  # s before the blow, for the noise, and of decay
STEP = 0.001  # s between the points of an envelope
CLEAR_DB = 6.0  # over the noise
NARROWEST = 6.0  # Hz, standard deviation of the filter around a mode


@dataclass(frozen=True, eq=False)
class Decay:
    """Envelope of the sound around one mode.

    Parameters
    ----------
    times : array (n,), s from the start of the free decay
    db : array (n,), dB   mean over the taps, its largest value 0
    noise_db : float, dB   level of the quiet before the blows, NaN when there is too little of it
    clear : float, s   the envelope stands above the noise up to here
    taps : tuple of arrays (n,), dB   each tap's own
    """

    times: FloatArray
    db: FloatArray
    noise_db: float = nan
    clear: float = nan
    taps: tuple[FloatArray, ...] = ()


def set_spectrum(tap_set: TapSet) -> tuple[FloatArray, FloatArray]:
    """Averaged spectrum of the kept taps of a tap set, with sound.

    Returns
    -------
    (frequencies, db) : arrays (n,), Hz and dB, the largest level within the set's band 0; both
        empty when no kept tap has sound. Takes of another sample rate than the first one heard are left out.
    """
    rate, segments = _segments(tap_set, [tap for tap in tap_set.taps if tap.kept])
    if not segments:
        return np.zeros(0), np.zeros(0)
    frequencies, power = average_spectrum(_scaled(segments), rate)
    db = 10.0 * np.log10(power + 1e-300)
    return frequencies, db - _top(tap_set, frequencies, db)


def refused_spectra(tap_set: TapSet) -> tuple[FloatArray, ...]:
    """Spectra of the refused taps in order, dB, at the frequencies of `set_spectrum`.

    A tap that cannot be drawn there (no sound left of it, another sample rate) is all NaN.
    """
    rate, kept = _segments(tap_set, [tap for tap in tap_set.taps if tap.kept])
    found = []
    for tap in tap_set.taps:
        if tap.kept or not kept:
            continue
        own_rate, segments = _segments(tap_set, [tap], n_samples=kept[0].size)
        grid, power = average_spectrum(_scaled(segments or kept), own_rate or rate)
        db = 10.0 * np.log10(power + 1e-300)
        drawable = bool(segments) and own_rate == rate
        found.append(db - _top(tap_set, grid, db) if drawable else np.full(grid.size, nan))
    return tuple(found)


def mode_decay(tap_set: TapSet, mode: Mode) -> Decay | None:
    """Envelope of the sound around a mode, averaged over the kept taps; None when none has sound.

    The sound is filtered by a Gaussian of standard deviation 2 zeta f (at least 6 Hz) around the mode, which
    leaves its decay rate as it is after the first milliseconds.
    """
    envelopes, before = [], []
    for sound, rate, tap in _sounds(tap_set, [tap for tap in tap_set.taps if tap.kept]):
        power = _envelope(sound, rate, tap, mode)
        envelopes.append(power[power.size - _points(SHOWN) :])
        quiet = power[: _points(BEFORE) // 2]
        if tap.onset > BEFORE:
            before.append(float(np.mean(quiet)))
    if not envelopes:
        return None
    tops = [float(np.max(e)) + 1e-300 for e in envelopes]
    mean = np.mean([e / top for e, top in zip(envelopes, tops, strict=True)], axis=0)
    noise = [b / top for b, top in zip(before, tops, strict=False)]
    zero = 10.0 * float(np.log10(np.max(mean) + 1e-300))
    db = 10.0 * np.log10(mean + 1e-300) - zero
    noise_db = 10.0 * float(np.log10(np.mean(noise) + 1e-300)) - zero if noise else nan
    covered = np.flatnonzero(db < noise_db + CLEAR_DB)
    return Decay(
        np.arange(mean.size) * STEP,
        db,
        noise_db,
        (int(covered[0]) if covered.size else mean.size - 1) * STEP,
        tuple(10.0 * np.log10(e / top + 1e-300) - zero for e, top in zip(envelopes, tops, strict=True)),
    )


def _points(seconds: float) -> int:
    return round(seconds / STEP)


def _envelope(sound: FloatArray, rate: float, tap: Tap, mode: Mode) -> FloatArray:
    """Power around a mode every `STEP`, from `BEFORE` before the free decay to `SHOWN` after."""
    start = round((tap.onset + START) * rate)
    margin = 0.2  # s, so that the filter's wrap-around falls outside
    first = start - round((BEFORE + margin) * rate)
    last = start + round((SHOWN + margin) * rate)
    cut = np.zeros(last - first)
    low, high = max(0, first), min(sound.size, last)
    cut[low - first : high - first] = sound[low:high] - np.mean(sound[low:high])
    grid = np.fft.fftfreq(cut.size, 1.0 / rate)
    damping = mode.damping if isfinite(mode.damping) else 0.01
    width = max(NARROWEST, 2.0 * damping * mode.frequency)
    keep = np.exp(-0.5 * ((grid - mode.frequency) / width) ** 2)
    power = np.abs(np.fft.ifft(np.fft.fft(cut) * keep)) ** 2
    times = np.arange(_points(BEFORE) + _points(SHOWN)) * STEP + margin
    return np.asarray(power[np.minimum(np.round(times * rate).astype(int), cut.size - 1)])


def _top(tap_set: TapSet, frequencies: FloatArray, db: FloatArray) -> float:
    """Largest level within the set's band (60 to 1200 Hz where it is not known)."""
    low, high = tap_set.analysis.band
    low, high = (low, high) if isfinite(low) and isfinite(high) else (60.0, 1200.0)
    inside = (frequencies >= low) & (frequencies <= high)
    return float(np.max(db[inside] if np.any(inside) else db))


def _scaled(segments: Sequence[FloatArray]) -> FloatArray:
    return np.stack([s / np.sqrt(np.mean(s**2) + 1e-300) for s in segments])


def _segments(tap_set: TapSet, taps: Sequence[Tap], *, n_samples: int = 0) -> tuple[float, list[FloatArray]]:
    """Free decays of taps at the sample rate of the first, one a heard channel, zeros after their end."""
    length = tap_set.analysis.record if isfinite(tap_set.analysis.record) else LONGEST
    rate, found = 0.0, []
    for sound, own_rate, tap in _sounds(tap_set, taps):
        rate = rate or own_rate
        if own_rate != rate:
            continue
        size = n_samples or max(8, round(length * rate))
        start = round((tap.onset + START) * rate)
        end = min(sound.size, round(tap.end * rate) if isfinite(tap.end) else sound.size, start + size)
        if end - start >= 8:
            found.append(np.pad(sound[start:end], (0, size - (end - start))))
    return rate, found


def _sounds(tap_set: TapSet, taps: Sequence[Tap]) -> Iterator[tuple[FloatArray, float, Tap]]:
    """Sound of each tap's take, channel by channel, as far as it is heard and at hand."""
    for tap in taps:
        take = tap_set.takes[tap.take]
        samples = take.recording.samples
        for channel in range(samples.shape[1] if samples.shape[0] else 0):
            if take.role(channel) in HEARD:
                sound = samples[:, channel]
                yield sound - np.mean(sound), take.recording.sample_rate, tap
