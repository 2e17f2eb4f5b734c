"""What a maker can meet that stops the work, each with a message that says what to do.

Misuse by a programmer raises ``ValueError`` or ``TypeError``; poor data is not an error but comes back
with its faults listed (`resonance.reasons`). The edges turn every `ResonanceError` into one plain line.
"""


class ResonanceError(Exception):
    """Anything a maker can meet; the message is one plain line that says what to do."""


class SoundFileError(ResonanceError):
    """A sound file that cannot be read, or holds nothing that could be analysed."""


class ShopError(ResonanceError):
    """The shop folder cannot be used: missing, locked, damaged, or of a newer program."""


class NotFoundError(ResonanceError):
    """No such job, tap set, adjustment or mode in the shop."""


class MicrophoneError(ResonanceError):
    """The microphone cannot be used: none there, busy, pulled out, or the sound library is missing."""
