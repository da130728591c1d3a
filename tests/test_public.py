"""What `from guard import …` promises: every name documented, every example true, nothing loaded early."""

from __future__ import annotations

import doctest
import re
import subprocess
import sys
from pathlib import Path

import pytest

import guard

ROOT = Path(__file__).resolve().parent.parent
README = ROOT / "guard" / "README.md"
PROMISED = {
    "Cue", "State", "Settings", "Lanes", "Session", "Reading", "Speed", "Battery", "Link", "Command",
    "Action", "Mark", "CueGiven", "StateChanged", "ReadingDoubted"}


def test_the_names_promised_are_there() -> None:
    assert set(guard.__all__) == PROMISED | {"__version__"} == set(dir(guard))
    for name in PROMISED:
        assert getattr(guard, name).__name__ == name


@pytest.mark.parametrize("name", sorted(PROMISED))
def test_each_name_is_explained_beside_its_example(name: str) -> None:
    text = README.read_text(encoding="utf-8")
    examples = "\n".join(line for line in text.splitlines() if line.startswith((">>>", "...")))
    assert f"**`{name}" in text
    assert re.search(rf"\b{name}[(.)]", examples), "no example"


def test_the_examples_do_what_they_show() -> None:
    done = doctest.testfile(str(README), module_relative=False, optionflags=doctest.ELLIPSIS)
    assert done.attempted > 20 and done.failed == 0


def test_an_unknown_name_is_refused_as_usual() -> None:
    with pytest.raises(AttributeError, match="no attribute 'Ring'"):
        guard.Ring  # noqa: B018
    with pytest.raises(ImportError):
        from guard import Ring  # noqa: F401


def test_a_name_loads_what_it_needs_and_no_more() -> None:
    code = ("import sys, guard\n"
            "assert not [name for name in sys.modules if name.startswith('guard.')]\n"
            "from guard import CueGiven, Mark, Session\n"
            "assert 'numpy' not in sys.modules and 'asyncio' not in sys.modules\n"
            "from guard import Lanes\n"
            "assert 'numpy' in sys.modules")
    subprocess.run([sys.executable, "-c", code], check=True, cwd=ROOT, timeout=60)
