"""What the post does on this instrument, in words and as a table; and a hint, where one is asked for."""

from collections.abc import Sequence
from math import hypot, isfinite

from resonance.changes.hint import Hint
from resonance.changes.post import FEWEST_MOVES, PostResponse
from resonance.jobs.job import Job
from resonance.report.blocks import Block, Items, Paragraph, table_of
from resonance.report.facts import move_words
from resonance.report.numbers import measured, number, plain
from resonance.report.readings import tracks_of
from resonance.report.words import adjustment_id_words, count_words, list_words, reasons_words, sentence
from resonance.units import hertz

QUARTER_MM = 0.25
WAYS = ("away from the bridge", "in")
CAUTIONS = (
    "Let the strings down before you move the post: with the post down, strings at pitch can push the top "
    "in.",
    "Each move wears the top inside and can call for a patch in the end. Make few.",
    "See that the bridge stands square after tuning; wait until the strings hold before you tap.",
    "An old, valuable or damaged instrument belongs in the hands of a qualified restorer.",
)


def post_blocks(response: PostResponse, names: Sequence[str], *, chapter_words: str = "") -> list[Block]:
    """Say what moving the post does, and what is not known.

    Parameters
    ----------
    response : PostResponse
    names : sequence of str   one a track
    chapter_words : str   which chapter this is, '' for an only one
    """
    blocks: list[Block] = [Paragraph(headline(response) + chapter_words, "lead")]
    known = [k for k in range(len(names)) if response.estimable[k].any()]
    sentences = tuple(slope_sentence(response, k, names[k]) for k in known)
    if sentences:
        blocks.append(Items(sentences, title="For a quarter of a millimetre, where the post stands now"))
    if len(names):
        columns = ("Resonance", "Now, Hz", *(f"Cents, 0.25 mm {way}" for way in WAYS))
        rows = [
            (
                names[k],
                number(float(response.frequency[k]), 1),
                *(slope_cell(response, k, axis) for axis in (0, 1)),
            )
            for k in range(len(names))
        ]
        note = ("( )", "too uncertain to be told; – : not moved that way often enough")
        blocks.append(table_of(columns, rows, numeric=columns[1:], title="In numbers", notes=(note,)))
    notes = tuple(sentence(words) for words in reasons_words(response.reasons))
    place = (
        f"A post's place is read to about {plain(response.place_u_mm, 'mm')}; that is in every interval "
        "here. What holds for this instrument holds for no other."
    )
    blocks.append(Items((*notes, place), title="What to bear in mind"))
    return blocks


def headline(response: PostResponse) -> str:
    """Say in a sentence how many moves there are and whether they tell anything."""
    moves = count_words(response.n_moves, "move")
    if response.n_moves < FEWEST_MOVES:
        return (
            f"{moves} of the post read so far: from fewer than three nothing is said about what a move does."
        )
    known = int(response.estimable.any(axis=1).sum()) if len(response.tracks) else 0
    if not known:
        return f"{moves} of the post read: what a move does is not known well enough for any resonance yet."
    of = count_words(known, "resonance")
    return f"{moves} of the post read: what a move does is known for {of}."


def slope_sentence(response: PostResponse, k: int, name: str) -> str:
    """Say what a quarter millimetre does to one mode, in hertz and cents, the ways that are known."""
    told = []
    at = float(response.frequency[k])
    for axis, way in enumerate(WAYS):
        if response.estimable[k, axis]:
            value = QUARTER_MM * float(response.cents_per_mm[k, axis])
            low, high = (QUARTER_MM * float(v) for v in response.intervals[k, axis])
            half = 0.5 * (high - low)
            hz = measured(float(hertz(value, at)), abs(float(hertz(half, at))), "Hz", signed=True)
            clear = "" if low > 0.0 or high < 0.0 else ", which may be nothing"
            told.append(f"{way} {hz} ({number(value, 0, signed=True)} ± {number(half, 0)} cents{clear})")
    return sentence(f"{name}: {list_words(told)}")


def slope_cell(response: PostResponse, k: int, axis: int) -> str:
    """Write a slope for a quarter millimetre; in brackets where it is too uncertain, – where not known."""
    value = QUARTER_MM * float(response.cents_per_mm[k, axis])
    if not isfinite(value):
        return "–"
    low, high = response.intervals[k, axis]
    text = measured(value, 0.5 * QUARTER_MM * float(high - low), signed=True, decimals=0)
    return text if response.estimable[k, axis] else f"({text})"


def hint_blocks(hint: Hint | None, target: str, why: str = "") -> list[Block]:
    """Say a hint of direction with its uncertainty and the cautions; or that there is none, and why."""
    if hint is None:
        return [Paragraph(why or f"No hint: no move is sure enough to lead nearer to {target}.")]
    way = move_words(hint.along_mm, hint.across_mm)
    low, high = hint.left_interval_cents
    text = (
        f"A hint, no more: {way} would probably lead nearer to {target} ({number(100 * hint.chance, 0)} "
        f"times in 100): from {number(hint.away_cents, 0)} cents away to about {number(hint.left_cents, 0)} "
        f"({number(low, 0)} to {number(high, 0)}), over the resonances whose answer is known. It rests on "
        f"{count_words(hint.n_moves, 'move')}, and a post can be placed to about "
        f"{plain(hint.place_u_mm, 'mm')}. "
        "It knows nothing of how the instrument sounds or plays."
    )
    return [Paragraph(text), Items(CAUTIONS, title="Take care", tone="caution")]


def track_names(response: PostResponse, job: Job, *, guesses: bool = True) -> tuple[str, ...]:
    """Name the tracks as the readings over time do: a guess with a question mark, else where they lie."""
    names = dict(tracks_of(job, guesses=guesses))
    return tuple(
        names.get(track, f"near {number(float(f), 0)} Hz")
        for track, f in zip(response.tracks, response.frequency, strict=True)
    )


def moves_words(response: PostResponse) -> tuple[str, ...]:
    """Say each move of the chapter and whether it could be read."""
    return tuple(
        sentence(
            f"{adjustment_id_words(m.adjustment)}: {move_words(m.along_mm, m.across_mm)}"
            + ("" if m.used else ", not read")
        )
        for m in response.moves
        if hypot(m.along_mm, m.across_mm) > 0.0
    )
