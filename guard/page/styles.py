"""How a report page looks: the style sheet all share, and after it its own."""

from pathlib import Path

_FOLDER = Path(__file__).with_name("styles")


def style_of(page: str) -> str:
    """The style sheets of the page of that name, one after the other."""
    return "".join((_FOLDER / f"{name}.css").read_text(encoding="utf-8") for name in ("base", page))
