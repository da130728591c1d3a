"""The pictures of the README show what the guard shows now, and fetch nothing."""

from __future__ import annotations

import html
import re
from xml.etree import ElementTree

from tests.support.recordings import FOLDER, script


def words(svg: str) -> list[str]:
    return [html.unescape(text) for text in re.findall(r"<text[^>]*>([^<]*)</text>", svg)]


def test_they_are_as_the_script_draws_them() -> None:
    """After a change of the screens: `python recordings/pictures.py`."""
    for name, fresh in script("pictures").pictures().items():
        kept = (FOLDER / "pictures" / f"{name}.svg").read_text(encoding="utf-8")
        assert words(kept) == words(fresh), name
        root = ElementTree.fromstring(kept)
        assert root.tag.endswith("svg") and "://" not in kept.replace("http://www.w3.org/2000/svg", "")
    shown = (FOLDER.parent / "README.md").read_text(encoding="utf-8")
    assert all(f"recordings/pictures/{name}.svg" in shown for name in script("pictures").pictures())
    assert "INVENTED" in kept


def test_the_belief_is_drawn_as_it_is() -> None:
    """After a change of the decision: `python recordings/belief.py`."""
    kept = (FOLDER / "pictures" / "belief.svg").read_text(encoding="utf-8")
    assert kept == script("belief").picture()
    assert {"ease", "walk", "run again"} <= set(words(kept))
    assert "recordings/pictures/belief.svg" in (FOLDER.parent / "guard/decide/README.md").read_text("utf-8")
