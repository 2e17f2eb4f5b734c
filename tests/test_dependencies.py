"""What is installed with the program: bounded on both sides, the same again in a year, free to pass on."""

import re
import tomllib
from importlib.metadata import distribution
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
WANTED = [
    Requirement(line) for line in (*PROJECT["dependencies"], *PROJECT["optional-dependencies"]["phone"])
]
PINNED = {
    canonicalize_name(name): Version(version)
    for name, version in re.findall(
        r"^([\w.-]+)==([\w.]+)", (ROOT / ".ci" / "constraints.txt").read_text("utf-8"), re.M
    )
}
# Words of licences that let a maker, or a firm, pass the program on without more than a notice.
FREE = ("MIT", "BSD", "Apache", "PSF", "Python Software Foundation", "0BSD", "Zlib", "CC0", "ISC", "HPND")


def installed():
    """Every package that the program needs, with those that they need: name to distribution."""
    found, todo = {}, list(WANTED)
    while todo:
        wanted = todo.pop()
        if wanted.marker is not None and not wanted.marker.evaluate({"extra": ""}):
            continue
        name = canonicalize_name(wanted.name)
        if name not in found:
            found[name] = distribution(name)
            todo += [Requirement(line) for line in found[name].requires or ()]
    return found


def licence(package):
    """The licence of a package in its own words."""
    told = package.metadata
    classes = [c.split(" :: ")[-1] for c in told.get_all("Classifier") or () if c.startswith("License ::")]
    return told.get("License-Expression") or "; ".join(classes) or (told.get("License") or "").split("\n")[0]


@pytest.mark.parametrize("wanted", WANTED, ids=lambda wanted: wanted.name)
def test_each_is_bounded_on_both_sides_and_pinned_within(wanted):
    assert {bound.operator for bound in wanted.specifier} == {">=", "<"}
    assert wanted.specifier.contains(PINNED[canonicalize_name(wanted.name)])


def test_every_package_is_pinned_and_free(capsys):
    found = installed()
    assert sorted(set(found) - set(PINNED)) == []
    lines = [
        f"{name:<20} {package.version:<12} {licence(package)}" for name, package in sorted(found.items())
    ]
    with capsys.disabled():
        print("\nInstalled with the program:", *lines, sep="\n  ")
    for name, package in found.items():
        parts = re.split(r" AND | OR |; ", licence(package))
        assert all(any(word in part for word in FREE) for part in parts), (name, parts)
    assert len(found) < 40
