"""What the documents say is so: commands stand in the README, its examples run, its lines are CI's lines."""

import re
import shlex
import shutil
import subprocess
from pathlib import Path

import pytest

import resonance
from resonance.cli.main import COMMANDS, build_parser, main

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
CHANGELOG = (ROOT / "CHANGELOG.md").read_text("utf-8")


def blocks(language):
    """Fenced blocks of one language."""
    return re.findall(rf"^```{language}\n(.*?)^```$", README, re.M | re.S)


def examples():
    """Every ``resonance ...`` line of the README's shell blocks, in order, comments taken off."""
    lines = "\n".join(blocks("sh")).replace("\\\n", " ").splitlines()
    return [shlex.split(line, comments=True) for line in lines if line.startswith("resonance ")]


def shape(line):
    """A printed line with its numbers and spacing taken out: values may differ in the last digit."""
    return " ".join(re.sub(r"[+−]?[\d.]+", "#", line).split())


@pytest.mark.parametrize("command", COMMANDS)
def test_readme_names_every_command(command):
    assert f"`resonance {command}" in README or any(words[1] == command for words in examples())


def test_readme_names_no_other_command():
    named = set(re.findall(r"\bresonance ([a-z]+)\b", "\n".join(re.findall(r"`(resonance [^`]*)`", README))))
    assert named | {words[1] for words in examples()} <= set(COMMANDS)


@pytest.mark.parametrize("words", examples(), ids=" ".join)
def test_readme_examples_are_well_formed(words):
    assert build_parser().parse_args(words[1:]).command.split()[0] == words[1]


@pytest.mark.slow
def test_readme_examples_run_and_print_what_it_shows(tmp_path, monkeypatch, capsys):
    shutil.copytree(ROOT / "recordings_demo", tmp_path / "recordings_demo")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("RESONANCE_SHOP", str(tmp_path / "shop"))
    printed = []
    for words in examples():
        code = main(words[1:])
        out, err = capsys.readouterr()
        assert code == 0, f"{' '.join(words)}\n{out}\n{err}"
        printed += [shape(line) for line in (out + err).splitlines()]
    shown = [shape(line) for block in blocks("text") for line in block.splitlines() if line.strip(" …")]
    assert shown
    assert [line for line in shown if not any(row.startswith(line) for row in printed)] == []


def test_build_machine_runs_the_test_line_of_the_readme():
    script = (ROOT / ".ci" / "run").read_text("utf-8")
    (extraction,) = re.findall(r"^line=.*$", script, re.M)
    result = subprocess.run(
        ["bash", "-c", f'{extraction}; echo "$line"'], cwd=ROOT, capture_output=True, text=True, check=True
    )
    line = result.stdout.strip()
    assert [line] == [block.strip() for block in blocks("sh") if block.strip().endswith("pytest")]
    assert f"    {line}\n" in DEVELOPERS
    assert 'bash -euo pipefail -c "$line"' in script


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_links_and_named_files_exist(text):
    links = [link for link in re.findall(r"\]\(([^)#]+)\)", text) if "://" not in link]
    paths = re.findall(r"\b(?:tests|recordings_demo|resonance|notebooks)/[\w./-]*\w", text)
    missing = [name for name in (*links, *paths) if not (ROOT / name).exists()]
    assert missing == []


def test_changelog_has_this_version():
    assert f"\n## {resonance.__version__}\n" in CHANGELOG
