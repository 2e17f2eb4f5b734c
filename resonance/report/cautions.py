"""Cautions printed with every report, by family and piece: common practice of the trade unless said."""

from resonance.sets.instrument import Instrument

_TAPPING = (
    "Tap lightly, with the flesh of a finger or a soft tip of a few grams, at the bridge or at a place "
    "meant for it; never on varnish, on the wings of the f-holes, on a crack or near an open seam. Stick "
    "nothing to varnish."
)
_PLATE = (
    "Hold the plate and tap it at the same places each time, lightly, with the flesh of a finger.",
    "Note weight and humidity with every tap set: both move every resonance.",
    "Wood taken away cannot be put back: take little at a time, and tap in between.",
    "Keep the plate between 40 and 60 % humidity, and let it settle before you compare.",
)
_AIR = "Keep the instrument between 40 and 60 % humidity. Take special care under 35 % and over 65 %."
_TENSION = (
    "Strings pull hard. Let them down before a post is moved or set up: with the post down, strings at "
    "pitch can push the top in. Bring all strings up together, a little at a time, and never take all of "
    "them off at once: the post may fall."
)
_POST = (
    "Every move of the post wears the inside of the top. Keep the moves few and small, and never glue a post."
)
_BRIDGE = (
    "See that the bridge stands square after every tuning. It leans as strings are tuned, and one that "
    "falls can break the top."
)
_NEW = "On a newly strung instrument look at post and bridge again after a day and after a week."
_LARGE = (
    "Secure endpin and stand. The strings of a cello or bass together pull like a heavy load: protect "
    "your eyes when you change them."
)
_DEFER = (
    "Leave an old, valuable or damaged instrument to a qualified restorer, whose judgement goes before "
    "any number here; keep to the rules for the workshop that hold where you are."
)


def caution_items(instrument: Instrument) -> tuple[str, ...]:
    """Give the cautions that concern an instrument, or a free plate."""
    if instrument.piece != "whole":
        return _PLATE
    large = (_LARGE,) if instrument.family in ("cello", "bass") else ()
    return (_TENSION, _POST, _BRIDGE, _NEW, *large, _TAPPING, _AIR, _DEFER)
