"""One instrument's work: its tap sets, adjustments and remarks in the maker's order.

Ids are short and per job: ``set1``, ``set2`` ... for tap sets, ``adj1`` ... for adjustments. The order
of entries is the maker's word; dates only propose it.
"""

from dataclasses import dataclass, field
from datetime import datetime

from resonance.sets.instrument import Instrument
from resonance.sets.setup import Adjustment, Setup
from resonance.sets.tapset import TapSet

ENTRY_KINDS = ("tap set", "adjustment", "remark")


@dataclass(frozen=True)
class Entry:
    """One line of a job's timeline.

    Parameters
    ----------
    kind : one of `ENTRY_KINDS`
    id : str   of the tap set or adjustment ('' for a remark)
    at : aware datetime or None
    confirmed : bool   the maker said that its place in the order is right
    text : str   a remark in the maker's words
    """

    kind: str
    id: str = ""
    at: datetime | None = None
    confirmed: bool = True
    text: str = ""


@dataclass(frozen=True, eq=False)
class Job:
    """One instrument's work.

    Parameters
    ----------
    id : str   short name used in commands, e.g. 'viola-405'
    instrument : Instrument
    created : aware datetime or None
    sets : tuple of TapSet, in the order of the timeline
    adjustments : tuple of Adjustment, in the order of the timeline
    timeline : tuple of Entry   sets, adjustments and remarks in order
    setup : Setup   as it is now
    target : str or None   id of the tap set the maker aims at
    notes : str
    """

    id: str
    instrument: Instrument
    created: datetime | None = None
    sets: tuple[TapSet, ...] = ()
    adjustments: tuple[Adjustment, ...] = ()
    timeline: tuple[Entry, ...] = ()
    setup: Setup = field(default_factory=Setup)
    target: str | None = None
    notes: str = ""
