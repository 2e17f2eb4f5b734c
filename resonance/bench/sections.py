"""The parts of a job, in the order of the work. A page that belongs to a job is listed here."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Part:
    """One part of a job: its key, the words of its link, and its address."""

    key: str
    words: str
    path: str


SECTIONS = (
    Part("job", "The job", "/job/{job}"),
    Part("tap", "Take a tap set", "/job/{job}/tap"),
    Part("files", "Add recordings", "/job/{job}/files"),
    Part("adjust", "Adjust", "/job/{job}/adjust"),
    Part("moved", "What moved", "/job/{job}/moved"),
    Part("weeks", "The weeks", "/job/{job}/weeks"),
    Part("overrule", "Your word", "/job/{job}/overrule"),
    Part("copies", "Report and copies", "/job/{job}/copies"),
    Part("setup", "Setup", "/job/{job}/setup"),
)
