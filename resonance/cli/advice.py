"""What would make the next recording better, from the faults of this one. Common practice, no source."""

from resonance.sets.tapset import TapSet

# What is said, and the codes of faults and reasons that call for it; in order of weight.
ADVICE: tuple[tuple[str, tuple[str, ...]], ...] = (
    (
        "Tap the bridge lightly, five to eight times, with a second of quiet before the first tap.",
        ("no_taps", "no_modes", "model_misfit", "one_tap", "few_taps"),
    ),
    ("Turn the gain down until no tap clips.", ("clipped",)),
    (
        "Record WAV or FLAC, with automatic gain, noise suppression and voice modes off.",
        ("lossy", "gain_controlled", "noise_gated"),
    ),
    ("One blow, then hands off: a tip that rests on the bridge or bounces hits twice.", ("double_hit",)),
    (
        "Let each tap die away, about a second, before the next one and before you stop.",
        ("cut_short", "overlaps_next"),
    ),
    (
        "Bring the microphone nearer, 10 to 40 cm from the treble f-hole, or wait for a quieter moment.",
        ("too_quiet", "room_heard"),
    ),
    ("A harder tip and a lighter blow reach higher.", ("dull", "not_reached")),
    (
        "Record about four more taps with the microphone at a second place: two files, one tap set.",
        ("one_microphone_place",),
    ),
)
MOST = 3


def advice(tap_set: TapSet) -> tuple[str, ...]:
    """Give at most three things that would help next time, the weightiest first."""
    codes = {reason.code for reason in tap_set.reasons}
    codes |= {fault.code for tap in tap_set.taps for fault in tap.faults}
    codes |= {reason.code for take in tap_set.takes for reason in take.recording.warnings}
    return tuple(text for text, calls in ADVICE if codes.intersection(calls))[:MOST]
