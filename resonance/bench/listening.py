"""Two tap sets to listen to, one against the other at equal loudness: their taps as sounds.

Loudness is that of ITU-R BS.1770 over all taps played (`resonance.spectra.loudness`), so that nobody takes a
harder blow for a better sound.
"""

from dataclasses import dataclass

import numpy as np

from resonance.bench.waves import BEFORE, PLAYED_PEAK, cut_sound, faded, wav_of
from resonance.sets.tapset import TapSet
from resonance.sound.recording import FloatArray, Recording
from resonance.spectra.loudness import equal_loudness

PLAYED = 4  # taps of each set at most
SLOT = 1.2  # s from one tap to the next
WAYS = ("before", "after", "turns")


@dataclass(frozen=True)
class Heard:
    """Which takes of two tap sets are listened to, and how many taps of each."""

    before: int
    after: int
    n: int


def heard_takes(before: TapSet, after: TapSet) -> Heard | None:
    """Choose the takes to listen to: with the same places where there are such; None without a tap."""
    counts = [_kept_by_take(tap_set) for tap_set in (before, after)]
    pairs = [(b, a) for b in counts[0] for a in counts[1]]
    if not pairs:
        return None
    alike = [(b, a) for b, a in pairs if _places(before, b) == _places(after, a)]
    b, a = (alike or pairs)[0]
    return Heard(b, a, min(PLAYED, counts[0][b], counts[1][a]))


def same_places(before: TapSet, after: TapSet, heard: Heard) -> bool:
    """Whether both takes were tapped and heard at the same places, as noted."""
    return _places(before, heard.before) == _places(after, heard.after)


def sounds_alike(
    before: TapSet, after: TapSet, heard: Heard, sounds: tuple[FloatArray, FloatArray]
) -> tuple[list[FloatArray], list[FloatArray], float]:
    """Give the taps of both sets at equal loudness, and their sample rate.

    Parameters
    ----------
    sounds : (array (n,), array (n,))   of the two takes

    Raises
    ------
    ValueError   when the sample rates differ, or one is too quiet for its loudness to be told
    """
    takes = before.takes[heard.before], after.takes[heard.after]
    rates = {take.recording.sample_rate for take in takes}
    if len(rates) > 1:
        raise ValueError("the two were recorded at other sample rates")
    (rate,) = rates
    places = zip((before, after), (heard.before, heard.after), sounds, strict=True)
    whole = [_raised(np.concatenate(_taps(s, take, sound, rate, heard.n))) for s, take, sound in places]
    first, second, _ = equal_loudness(*(Recording(each[:, None], rate) for each in whole))
    return np.split(first[:, 0], heard.n), np.split(second[:, 0], heard.n), rate


def listening_wav(before: list[FloatArray], after: list[FloatArray], rate: float, way: str) -> bytes:
    """Give a WAV file of 16 bit: the taps 'before', those 'after', or both in 'turns'."""
    turns = [tap for pair in zip(before, after, strict=True) for tap in pair]
    sound = np.concatenate({"before": before, "after": after, "turns": turns}[way])
    return wav_of(sound, rate, peak=float(np.max(np.abs(sound))))  # as loud as it is


def _kept_by_take(tap_set: TapSet) -> dict[int, int]:
    kept = [tap.take for tap in tap_set.taps if tap.kept]
    return {take: kept.count(take) for take in dict.fromkeys(kept)}


def _places(tap_set: TapSet, take: int) -> tuple[str, str]:
    return tap_set.takes[take].tap_place, tap_set.takes[take].microphone_place


def _taps(tap_set: TapSet, take: int, sound: FloatArray, rate: float, n: int) -> list[FloatArray]:
    """Cut the first kept taps of a take out, each from just before its blow to the next blow at most."""
    own = sorted((tap.onset, tap.kept) for tap in tap_set.taps if tap.take == take)
    found: list[FloatArray] = []
    for k, (onset, kept) in enumerate(own):
        if kept and len(found) < n:
            until = own[k + 1][0] if k + 1 < len(own) else np.inf
            long = min(SLOT, until - onset)
            piece = faded(cut_sound(sound, rate, onset - BEFORE, long), rate)
            found.append(np.pad(piece, (0, round(SLOT * rate) - len(piece))))
    return found


def _raised(sound: FloatArray) -> FloatArray:
    """Bring the largest sample to `PLAYED_PEAK`: a soft one must not fall under the gate of loudness."""
    return np.asarray(sound * (PLAYED_PEAK / (float(np.max(np.abs(sound))) or 1.0)))
