"""DEVELOPERS.md and README.md say what is so."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


def read(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


def test_readme_opens_with_one_paragraph_and_the_two_commands():
    title, paragraph, block, *_ = re.split(r"\n\n", read("README.md"), maxsplit=3)
    assert title.startswith("# ") and "\n" not in paragraph
    assert block.splitlines() == [
        "```",
        "bash hardware/setup.sh && .venv/bin/guard rehearse",
        "bash hardware/setup.sh --tests && .venv/bin/python -m pytest",
        "```"]
    assert block.splitlines()[2] in read(".ci/run").splitlines()


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md"])
def test_each_guard_command_shown_is_understood(document):
    from guard.cli import _parser
    from guard.commands.arguments import COMMANDS

    shown = re.findall(r"^(?:\.venv/bin/)?guard [^\n]*", read(document), re.M)
    shown += re.findall(r"`(?:\.venv/bin/)?guard ([a-z]+ [^`]*)`", read(document))
    assert shown or document == "DEVELOPERS.md"
    for line in shown:
        words = [word for word in shlex.split(line.split("#")[0]) if not word.endswith("guard")]
        words = ["139" if word == "BPM" else word for word in words]
        assert words[0] in COMMANDS, line
        assert _parser(words).parse_args(words).command == words[0], line


def test_developers_is_read_in_ten_minutes():
    """At 200 words a minute, as technical prose is read (common practice)."""
    assert len(read("DEVELOPERS.md").split()) <= 2000


def test_files_named_are_there():
    readmes = [path for folder in ("guard", "tests", "hardware", "recordings")
               for path in (ROOT / folder).rglob("README.md")]
    for path in [*ROOT.glob("*.md"), *readmes]:
        text = path.read_text(encoding="utf-8")
        for name in re.findall(r"\]\(([\w./-]+)\)", text):
            assert (path.parent / name).exists(), f"{path} names {name}"
        if path.parent.parent.name == "guard":
            for name in re.findall(r"`(\w+\.py)`", text):
                assert (path.parent / name).exists() or (ROOT / "tests" / name).exists(), f"{path}: {name}"
    for name in re.findall(r"`((?:\w+/)+\w+\.(?:py|lock))`", read("DEVELOPERS.md")):
        assert (ROOT / name).exists() or (ROOT / "guard" / name).exists(), name


def test_the_phrases_of_the_readme_are_the_spoken_ones():
    from guard.decide.wording import cue_phrases
    from guard.settings import Settings

    rows = re.findall(r"^\| [a-z, ]+ \| (\".*\") \|", read("README.md"), re.MULTILINE)
    quoted = re.findall(r'"([^"]+)"', " ".join(rows))
    assert len(quoted) >= 9
    assert set(quoted) <= set(cue_phrases(Settings()))
    assert "belt down to walking pace" in cue_phrases(Settings(belt=True))


def test_the_lab_is_listed_whole():
    lab = ROOT / "tests" / "lab"
    tools = {path.stem for path in lab.glob("*.py") if "__main__" in path.read_text(encoding="utf-8")}
    tools |= {path.parent.name for path in lab.glob("*/__main__.py")}
    listed = re.findall(r"-m tests\.lab\.(\w+)", read("tests/lab/README.md"))
    assert set(listed) == tools - {"__init__"}
