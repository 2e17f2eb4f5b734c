"""Tap-tone and resonance analysis for makers of the violin family.

The names below are loaded when first used, so that `import resonance` stays light.

    >>> import resonance
    >>> tap_set = resonance.analyse_set([resonance.read_recording("before.wav")], family="violin")
    >>> [(mode.label, mode.frequency, mode.frequency_u) for mode in tap_set.modes]
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from resonance.changes.compare import compare as compare
    from resonance.changes.compare import least_detectable as least_detectable
    from resonance.changes.comparison import Comparison as Comparison
    from resonance.changes.comparison import ModeShift as ModeShift
    from resonance.changes.comparison import Repeatability as Repeatability
    from resonance.changes.course import History as History
    from resonance.changes.course import Step as Step
    from resonance.changes.history import fit_history as fit_history
    from resonance.changes.post import PostResponse as PostResponse
    from resonance.changes.post import post_response as post_response
    from resonance.changes.repeatability import repeatability as repeatability
    from resonance.errors import ResonanceError as ResonanceError
    from resonance.modes.estimate import find_modes as find_modes
    from resonance.modes.intervals import frequency_half_width as frequency_half_width
    from resonance.modes.intervals import half_width as half_width
    from resonance.modes.mode import Mode as Mode
    from resonance.modes.names import name_modes as name_modes
    from resonance.sets.analyse import analyse_set as analyse_set
    from resonance.sets.curves import mode_decay as mode_decay
    from resonance.sets.curves import set_spectrum as set_spectrum
    from resonance.sets.instrument import Instrument as Instrument
    from resonance.sets.setup import Adjustment as Adjustment
    from resonance.sets.setup import Setup as Setup
    from resonance.sets.tapset import Climate as Climate
    from resonance.sets.tapset import Conditions as Conditions
    from resonance.sets.tapset import TapSet as TapSet
    from resonance.sound.files import read_recording as read_recording
    from resonance.sound.files import write_recording as write_recording
    from resonance.sound.recording import Recording as Recording
    from resonance.sound.recording import Take as Take
    from resonance.sound.synthesis import BodyMode as BodyMode
    from resonance.sound.synthesis import even_blows as even_blows
    from resonance.sound.synthesis import room_response as room_response
    from resonance.sound.synthesis import seen_from as seen_from
    from resonance.sound.synthesis import tap_recording as tap_recording
    from resonance.taps.find import find_taps as find_taps
    from resonance.taps.tap import Tap as Tap
    from resonance.units import cents as cents

__version__ = "0.1.0"

_HOMES = {
    "Adjustment": "resonance.sets.setup",
    "BodyMode": "resonance.sound.synthesis",
    "Climate": "resonance.sets.tapset",
    "Comparison": "resonance.changes.comparison",
    "Conditions": "resonance.sets.tapset",
    "History": "resonance.changes.course",
    "Instrument": "resonance.sets.instrument",
    "Mode": "resonance.modes.mode",
    "ModeShift": "resonance.changes.comparison",
    "PostResponse": "resonance.changes.post",
    "Recording": "resonance.sound.recording",
    "Repeatability": "resonance.changes.comparison",
    "ResonanceError": "resonance.errors",
    "Setup": "resonance.sets.setup",
    "Step": "resonance.changes.course",
    "Take": "resonance.sound.recording",
    "Tap": "resonance.taps.tap",
    "TapSet": "resonance.sets.tapset",
    "analyse_set": "resonance.sets.analyse",
    "cents": "resonance.units",
    "compare": "resonance.changes.compare",
    "even_blows": "resonance.sound.synthesis",
    "find_modes": "resonance.modes.estimate",
    "find_taps": "resonance.taps.find",
    "fit_history": "resonance.changes.history",
    "frequency_half_width": "resonance.modes.intervals",
    "half_width": "resonance.modes.intervals",
    "least_detectable": "resonance.changes.compare",
    "mode_decay": "resonance.sets.curves",
    "name_modes": "resonance.modes.names",
    "post_response": "resonance.changes.post",
    "read_recording": "resonance.sound.files",
    "repeatability": "resonance.changes.repeatability",
    "room_response": "resonance.sound.synthesis",
    "seen_from": "resonance.sound.synthesis",
    "set_spectrum": "resonance.sets.curves",
    "tap_recording": "resonance.sound.synthesis",
    "write_recording": "resonance.sound.files",
}
__all__ = ["__version__", *_HOMES]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'resonance' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)
