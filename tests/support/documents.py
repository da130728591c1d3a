"""The JSON documents as the README of a room lists them, held against a document that was really printed.

A README has a table `| in | fields |` for each command, under a heading that names it. Its first row
is the document, each further one an object in it by its path (`cues`, `fit.gain`; of a list, each of
its items). Fields stand in backticks; `field`? may be missing. A row without any is an object whose
keys are data: settings, counts by cue.
"""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def listed(readme: str, command: str) -> dict[str, dict[str, bool]]:
    """Path of each object to its fields, each with whether it is always there."""
    text = (ROOT / readme).read_text(encoding="utf-8")
    section = re.search(rf"^#+ `{re.escape(command)}`\n(.*?)(?=^#|\Z)", text, re.MULTILINE | re.DOTALL)
    assert section, f"{readme} has no section `{command}`"
    rows = re.findall(r"^\| (.+?) \| (.*?) \|$", section[1], re.MULTILINE)
    assert rows and rows[0] == ("in", "fields"), f"{readme}: the table of `{command}` is missing"
    found = {}
    for path, fields in rows[1:]:
        for one in re.findall(r"`([\w.]+)`", path) or [""]:
            found[one] = {name: mark != "?" for name, mark in re.findall(r"`(\w+)`(\??)", fields)}
    return found


def check_listed(readme: str, command: str, document: object) -> None:
    """The fields of `document` are those that the README lists: none more, none fewer."""
    table = listed(readme, command)
    wrong = []
    for path, objects in _objects(document, "", table).items():
        if path not in table:
            wrong.append(f"{path} is not listed: {', '.join(sorted(objects[0]))}")
        elif table[path]:
            there = {name for one in objects for name in one}
            wrong += [f"{path}: {name} is not listed" for name in sorted(there - set(table[path]))]
            wrong += [f"{path}: {name} is listed and missing" for name, always in table[path].items()
                      if always and not all(name in one for one in objects)]
    assert not wrong, f"{readme}, `{command}`: {'; '.join(wrong)}"


def _objects(
    value: object, path: str, table: dict[str, dict[str, bool]]
) -> dict[str, list[dict[str, object]]]:
    found: dict[str, list[dict[str, object]]] = {}
    for item in value if isinstance(value, list) else [value]:
        if not isinstance(item, dict):
            continue
        found.setdefault(path, []).append(item)
        if path in table and not table[path]:
            continue
        for name, inner in item.items():
            for where, objects in _objects(inner, f"{path}.{name}".strip("."), table).items():
                found.setdefault(where, []).extend(objects)
    return found
