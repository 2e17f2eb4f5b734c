"""Help in drawings of our own: how to hold, where to tap, why repeat sets, what a verdict means; cautions."""

from dataclasses import dataclass

from starlette.requests import Request
from starlette.responses import Response

from resonance.bench.pages import get, page
from resonance.report.cautions import caution_items
from resonance.report.words import VERDICTS
from resonance.sets.instrument import Instrument

MEANINGS = {
    "moved": "the shift is larger than put-back scatter and all else known of would explain",
    "no change seen": "anything smaller than the least shift shown could have gone unseen",
    "appeared": "there after, and not before, where it would have been seen",
    "not found": "there before, and not after, where it would have been seen",
    "not reached": "the blows were too dull up there to tell",
    "ambiguous": "two readings fit equally well, or too little is known; it says what would settle it",
}


@dataclass(frozen=True)
class HelpPage:
    """Verdicts with their signs and meanings, and every caution."""

    verdicts: tuple[tuple[str, str, str], ...]
    cautions: tuple[str, ...]


def help_page() -> HelpPage:
    """Make the page."""
    verdicts = tuple((*VERDICTS[code], meaning) for code, meaning in MEANINGS.items())
    return HelpPage(verdicts, caution_items(Instrument("", "cello")))


def show(request: Request) -> Response:
    """Show the help."""
    return page(request, "help.html", help_page())


ROUTES = (get("/help", show),)
