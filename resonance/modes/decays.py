"""The free decays of a tap set, cut out and transformed, with the noise they stand in.

Each kept tap gives one segment per sounding channel, from a few milliseconds after the blow. Segments of one
channel of one take and of one length form a `Group`: they share the frequency bins, the noise and so the
design matrix of the fit. Nothing is windowed or resampled: a sum of exponentials stays one.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from resonance.modes.ranges import Search
from resonance.sound.recording import ComplexArray, FloatArray, Take
from resonance.taps.tap import Tap

ATTACK = 0.010  # s after the onset in which the blow's rise is sought
LONGEST_BLOW = 2.2  # duration times reach of simulated blows: 1.0-1.4 hard, 1.3-2.5 soft ones
AFTER_BLOW = 0.001  # s from the end of the blow to the start of the decay
QUIET = 0.25  # s at most of the quiet before a tap that tells the noise
SHORTEST_QUIET = 0.04  # s
LENGTH_STEP = 0.75  # lengths are cut to steps of this ratio, so that few groups arise


@dataclass(frozen=True, eq=False)
class Group:
    """Spectra of the decays that share one take, channel and length.

    Parameters
    ----------
    take, channel : int
    places : (str, str)   tap place, microphone place
    taps : tuple of int   index of each tap in the set's list
    sample_rate : float, Hz
    n : int   samples in a segment
    segments : array (n_taps, n)   the decays themselves
    frequencies : array (n_bins,), Hz   bins of the fit
    spectra : array (n_taps, n_bins), complex   DFT of the segments at the bins
    noise : array (n_bins,)   expected power of the noise in the same DFT
    floor : float   power below which nothing is believed
    """

    take: int
    channel: int
    places: tuple[str, str]
    taps: tuple[int, ...]
    sample_rate: float
    n: int
    segments: FloatArray
    frequencies: FloatArray
    spectra: ComplexArray
    noise: FloatArray
    floor: float

    @property
    def duration(self) -> float:
        """Length of the segments in seconds."""
        return self.n / self.sample_rate


def segment_start(
    sound: FloatArray, sample_rate: float, onset: float, search: Search, *, reach: float = np.nan
) -> int:
    """First sample of the free decay: a little after the blow's rise, and not before the blow has ended.

    The rise is sought in the first difference, where the blow stands out from the ringing body. Its largest
    may be milliseconds after the blow, where high modes beat. A half sine of duration T excites up to about
    1.5 / T, of which a soft one is heard up to 2 / T.

    Parameters
    ----------
    search : Search   settling time, and the share of the largest rise that counts as risen
    reach : float, Hz   where the blow stops exciting, NaN when not known
    """
    first = max(0, int(onset * sample_rate))
    rise = np.abs(np.diff(sound[first : first + max(8, int(ATTACK * sample_rate))]))
    width = max(1, int(0.0005 * sample_rate))
    envelope = np.convolve(rise, np.ones(width), "same") if rise.size >= width else rise
    risen = int(np.argmax(envelope >= search.risen * envelope.max())) if envelope.size else 0
    start = first + risen + max(1, int(np.ceil(search.settle * sample_rate)))
    if not reach > 0.0:
        return start
    return max(start, int(np.ceil((onset + AFTER_BLOW + LONGEST_BLOW / reach) * sample_rate)))


def longest_decay(takes: Sequence[Take], taps: Sequence[Tap], search: Search) -> float:
    """Length of decay to use, s: what all but the shortest quarter of the taps have, within bounds."""
    available = []
    for tap in taps:
        if tap.kept:
            recording = takes[tap.take].recording
            end = min(recording.duration, tap.end if np.isfinite(tap.end) else recording.duration)
            available.append(end - tap.onset - search.settle - 0.5 * ATTACK)
    return float(min(search.longest, np.quantile(available, 0.25))) if available else 0.0


def cut_groups(
    takes: Sequence[Take],
    taps: Sequence[Tap],
    *,
    search: Search,
    fit_band: tuple[float, float],
    longest: float,
    delay: float = 0.0,
) -> tuple[Group, ...]:
    """Cut the kept taps into groups of equal length, one per take and channel.

    Parameters
    ----------
    takes, taps : the set
    fit_band : (float, float), Hz   bins to keep
    search : Search   shortest length (taps with less left are passed over), settling time and floor
    longest : float, s   length of a segment
    delay : float, s   start this much later (for the model term)
    """
    groups: list[Group] = []
    for index, take in enumerate(takes):
        members = [(i, tap) for i, tap in enumerate(taps) if tap.kept and tap.take == index]
        for channel in range(take.recording.n_channels):
            if members and take.role(channel) in ("sound", "contact"):
                groups += _channel_groups(take, index, channel, members, search, fit_band, longest, delay)
    return tuple(groups)


def _channel_groups(
    take: Take,
    index: int,
    channel: int,
    members: list[tuple[int, Tap]],
    search: Search,
    fit_band: tuple[float, float],
    longest: float,
    delay: float,
) -> list[Group]:
    rate = take.recording.sample_rate
    sound = take.recording.samples[:, channel]
    sound = sound - np.mean(sound)
    by_length: dict[int, list[tuple[int, int]]] = {}
    for i, tap in members:
        start = segment_start(sound, rate, tap.onset, search, reach=tap.reach) + int(delay * rate)
        end = min(sound.size, int(tap.end * rate) if np.isfinite(tap.end) else sound.size)
        length = _stepped_length((end - start) / rate, longest, search.shortest)
        if length > 0.0:
            by_length.setdefault(round(length * rate), []).append((i, start))
    quiet = _quiet_parts(sound, rate, [tap.onset for _, tap in members])
    groups = []
    for n, cut in sorted(by_length.items(), reverse=True):
        segments = np.stack([sound[start : start + n] for _, start in cut])
        frequencies, spectra = _bins(segments, rate, fit_band)
        source = quiet or [segment[-max(n // 4, 16) :] for segment in segments]
        floor = search.floor * float(np.max(np.abs(spectra) ** 2))
        noise = np.maximum(noise_power(source, rate, frequencies) * n, 1e-6 * floor)
        places = (take.tap_place, take.microphone_place)
        tap_ids = tuple(i for i, _ in cut)
        groups.append(
            Group(index, channel, places, tap_ids, rate, n, segments, frequencies, spectra, noise, floor)
        )
    return groups


def _stepped_length(available: float, longest: float, shortest: float) -> float:
    """Longest allowed length not above what is available; 0 when even the shortest does not fit."""
    if available >= longest:
        return longest
    if available < shortest:
        return 0.0
    steps = np.ceil(np.log(available / longest) / np.log(LENGTH_STEP) - 1e-9)
    return float(max(shortest, longest * LENGTH_STEP**steps))


def _bins(segments: FloatArray, rate: float, band: tuple[float, float]) -> tuple[FloatArray, ComplexArray]:
    frequencies = np.fft.rfftfreq(segments.shape[1], 1.0 / rate)
    inside = (frequencies >= max(band[0], 0.5 / (segments.shape[1] / rate))) & (frequencies <= band[1])
    return frequencies[inside], np.fft.rfft(segments, axis=1)[:, inside]


def _quiet_parts(sound: FloatArray, rate: float, onsets: list[float]) -> list[FloatArray]:
    """Quiet stretches right before the taps, equal in length; the quieter half where there are many."""
    parts, previous = [], 0
    for onset in sorted(onsets):
        last = int((onset - 0.006) * rate)
        first = max(previous, last - int(QUIET * rate))
        if last - first >= SHORTEST_QUIET * rate:
            parts.append(sound[first:last])
        previous = int((onset + 0.35) * rate)
    if not parts:
        return []
    n = min(part.size for part in parts)
    if n < 0.1 * rate and max(part.size for part in parts) > 2 * n:
        n = int(0.1 * rate)
    parts = [part[-n:] for part in parts if part.size >= n]
    parts.sort(key=lambda part: float(np.mean(part**2)))
    return parts[: max(1, (len(parts) + 1) // 2)] if len(parts) > 2 else parts


def noise_power(parts: list[FloatArray], rate: float, frequencies: FloatArray) -> FloatArray:
    """Noise power per sample of an unwindowed DFT at `frequencies`, from quiet stretches.

    Hann-windowed periodograms, averaged, with a running median over 40 Hz so that single lines do not count.
    """
    import scipy

    n = min(part.size for part in parts)
    window = np.hanning(n + 2)[1:-1]
    window /= np.sqrt(np.mean(window**2))
    stack = np.stack([(part[-n:] - np.mean(part[-n:])) * window for part in parts])
    power = np.mean(np.abs(np.fft.rfft(stack, axis=1)) ** 2, axis=0) / n
    width = 2 * max(1, int(20.0 * n / rate)) + 1
    size = min(width, power.size)
    # the median of a mean of exponentials lies below its mean: Gamma(k) median / mean = 1 - 1/(3k) nearly
    smooth = scipy.ndimage.median_filter(power, size=size, mode="nearest") / (1.0 - 1.0 / (3.0 * len(parts)))
    grid = np.fft.rfftfreq(n, 1.0 / rate)
    return np.asarray(np.interp(frequencies, grid, smooth))


def joined_noise_db(groups: Sequence[Group], band: tuple[float, float]) -> float:
    """Median over the band of signal power over noise power, dB."""
    ratios: list[NDArray[np.float64]] = []
    for group in groups:
        inside = (group.frequencies >= band[0]) & (group.frequencies <= band[1])
        ratios.append(np.mean(np.abs(group.spectra[:, inside]) ** 2, axis=0) / group.noise[inside])
    joined = np.concatenate(ratios) if ratios else np.array([])
    return float(10.0 * np.log10(np.median(joined))) if joined.size else float("nan")
