"""One row a cue, one table a medium: nothing forgets one, and a new one is four edits."""

from __future__ import annotations

import pickle
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from guard.cues import CUES, PACE_CUES, SLOW_DOWN, Cue, Cued
from tests.support.cues import check_all_served, unserved

ROOT = Path(__file__).resolve().parent.parent


def test_every_medium_serves_every_cue() -> None:
    assert list(unserved()) == []


@pytest.mark.parametrize("cue", CUES)
def test_each_cue_is_spoken_shown_heard_felt_and_kept(cue: Cue) -> None:
    check_all_served(cue)


def test_what_a_cue_asks_and_makes_untrue() -> None:
    assert set(SLOW_DOWN) == {Cue.EASE, Cue.WALK, Cue.STOP}
    faster = {Cue.RESUME, Cue.PICK_UP}
    assert set(PACE_CUES) == set(SLOW_DOWN) | faster
    undone = {cue: {other for other in CUES if cue.undoes(other)} for cue in CUES}
    assert undone == {
        Cue.EASE: faster, Cue.WALK: faster, Cue.STOP: faster, Cue.SIGNAL_LOST: faster | {Cue.SIGNAL_BACK},
        Cue.SIGNAL_BACK: {Cue.SIGNAL_LOST}, Cue.RESUME: set(), Cue.PICK_UP: set(), Cue.BATTERY_LOW: set(),
        Cue.PART: set()}


def test_neither_mute_nor_a_quiet_part_holds_back_what_must_be_heard() -> None:
    assert {cue for cue in CUES if not cue.about.mutable} == {Cue.STOP, Cue.SIGNAL_LOST, Cue.SIGNAL_BACK}
    for cued in Cued:
        assert all(cue.let_out(cued) for cue in CUES if not cue.about.mutable)
    assert not any(Cue.NONE.let_out(cued) for cued in Cued)
    ranks = [cue.about.rank for cue in (Cue.STOP, Cue.SIGNAL_LOST, Cue.WALK, Cue.EASE, Cue.RESUME)]
    assert ranks == sorted(ranks, reverse=True) and len(set(ranks)) == len(ranks)


def test_a_cue_is_its_code_wherever_it_goes() -> None:
    for cue in Cue:
        assert Cue(int(cue)) is cue and pickle.loads(pickle.dumps(cue)) is cue
        assert cue.key == cue.name.lower()


# --- a new cue, by the recipe of DEVELOPERS.md ---------------------------------------------


def recipe() -> list[tuple[str, str, str]]:
    """(file, table, line to add) of each step that DEVELOPERS.md gives."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    return re.findall(r"^\d\. `(guard/[\w/]+\.py)`, `(\w+)`: `(.+)`$", text, re.MULTILINE)


def follow(steps: list[tuple[str, str, str]], tree: Path) -> None:
    """Add each line to its table: at its beginning, or after the last member of a class."""
    for file, table, line in steps:
        path = tree / file
        text = path.read_text(encoding="utf-8")
        if f"\nclass {table}(" in text:
            begin = text.index(f"\nclass {table}(")
            place = text.index("\n    @property", begin)
        else:
            found = re.search(rf"^{table}\b.*{{\n", text, re.MULTILINE)
            assert found, f"{file} has no {table}"
            place = found.end()
        path.write_text(f"{text[:place]}    {line}\n{text[place:]}", encoding="utf-8")


JUDGE = """
from guard.cues import CUES, Cue
from tests.support.cues import check_all_served, unserved
print(*unserved())
check_all_served(Cue.DRINK)
"""


def judged(tree: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-c", JUDGE], cwd=tree, env={"PYTHONPATH": str(tree)},
                          capture_output=True, text=True, timeout=60)


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    ignored = shutil.ignore_patterns("__pycache__")
    shutil.copytree(ROOT / "guard", tmp_path / "guard", ignore=ignored)
    (tmp_path / "tests" / "support").mkdir(parents=True)
    for name in ("tests/__init__.py", "tests/support/__init__.py", "tests/support/cues.py"):
        shutil.copy(ROOT / name, tmp_path / name)
    return tmp_path


def test_the_recipe_for_a_new_cue_works_and_is_four_edits_at_most(tree: Path) -> None:
    steps = recipe()
    assert 1 <= len(steps) <= 4
    follow(steps, tree)
    done = judged(tree)
    assert (done.returncode, done.stdout.strip()) == (0, ""), done.stderr


def test_a_step_left_out_is_noticed(tree: Path) -> None:
    follow(recipe()[:-1], tree)
    done = judged(tree)
    assert done.stdout.strip() == "buzzer: drink" and done.returncode == 1
