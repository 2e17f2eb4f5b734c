"""Places of taps and microphones that differ from an earlier one by a slip of the pen."""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from resonance.jobs.job import Job
    from resonance.sets.tapset import TapSet

SHORTEST = 6  # letters; shorter names that differ by two are as likely two places
MOST_LETTERS = 2


def place_questions(job: "Job", tap_set: "TapSet") -> tuple[str, ...]:
    """Ask after each new place of a tap set that comes within two letters of one noted before it."""
    from resonance.changes.places import KINDS, plain_name
    from resonance.report.words import set_words

    asked = []
    for kind, field in zip(KINDS, ("tap_place", "microphone_place"), strict=True):
        known: dict[str, tuple[str, str]] = {}
        for other in (each for each in job.sets if each.id != tap_set.id):
            for take in other.takes:
                name = getattr(take, field)
                known.setdefault(plain_name(name), (name, other.id))
        for said in dict.fromkeys(getattr(take, field) for take in tap_set.takes):
            near = [known[each] for each in known if is_slip(plain_name(said), each)]
            if near and plain_name(said) not in known:
                meant, where = near[0]
                asked.append(
                    f"{kind.capitalize()} '{said}': did you mean '{meant}', as in {set_words(where)}? "
                    f"If so: 'resonance undo {job.id}', and add it again."
                )
    return tuple(asked)


def is_slip(one: str, other: str) -> bool:
    """Whether two names differ by a letter or two; names that differ in a figure are two places."""
    if min(len(one), len(other)) < SHORTEST or _figures(one) != _figures(other):
        return False
    return 0 < letters_apart(one, other) <= MOST_LETTERS


def letters_apart(one: str, other: str) -> int:
    """Count the letters to add, drop or change to make one word of the other (Levenshtein 1966)."""
    row = list(range(len(other) + 1))
    for i, letter in enumerate(one, 1):
        last, row = row, [i]
        for j, sign in enumerate(other, 1):
            row.append(min(last[j] + 1, row[-1] + 1, last[j - 1] + (letter != sign)))
    return row[-1]


def _figures(name: str) -> str:
    return "".join(sign for sign in name if sign.isdigit())
