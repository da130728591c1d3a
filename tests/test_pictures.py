"""The pictures of the README show what the guard shows now, and fetch nothing."""

from __future__ import annotations

import html
import importlib.util
import re
from types import ModuleType
from xml.etree import ElementTree

import pytest

from tests.support.recordings import FOLDER


def loaded(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(f"draw_{name}", FOLDER / f"{name}.py")
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def script() -> ModuleType:
    return loaded("pictures")


def words(svg: str) -> list[str]:
    return [html.unescape(text) for text in re.findall(r"<text[^>]*>([^<]*)</text>", svg)]


def test_they_are_as_the_script_draws_them(script: ModuleType) -> None:
    """After a change of the screens: `python recordings/pictures.py`."""
    for name, fresh in script.pictures().items():
        kept = (FOLDER / "pictures" / f"{name}.svg").read_text(encoding="utf-8")
        assert words(kept) == words(fresh), name
        root = ElementTree.fromstring(kept)
        assert root.tag.endswith("svg") and "://" not in kept.replace("http://www.w3.org/2000/svg", "")
    shown = (FOLDER.parent / "README.md").read_text(encoding="utf-8")
    assert all(f"recordings/pictures/{name}.svg" in shown for name in script.pictures())
    assert "INVENTED" in kept


def test_the_belief_is_drawn_as_it_is() -> None:
    """After a change of the decision: `python recordings/belief.py`."""
    kept = (FOLDER / "pictures" / "belief.svg").read_text(encoding="utf-8")
    assert kept == loaded("belief").picture()
    assert {"ease", "walk", "run again"} <= set(words(kept))
    assert "recordings/pictures/belief.svg" in (FOLDER.parent / "guard/decide/README.md").read_text("utf-8")
