"""Asking for a journal entry, one line an item on the terminal."""

import sys

from guard.errors import UsageError, clean
from guard.journal.journal import ITEMS, Entry, Item, checked

TAKE_AWAY = "-"


def by_prompt(entry: Entry) -> dict[str, object]:
    """Ask for each item on the terminal; what was answered. Ctrl-D ends early and keeps the answers."""
    print(f"Journal of {entry.day}. Enter keeps it, {TAKE_AWAY} clears it, Ctrl-D saves and ends.",
          file=sys.stderr)
    answers: dict[str, object] = {}
    for item in ITEMS:
        while item.asked or getattr(entry, item.key) is not None:
            print(_question(item, getattr(entry, item.key)), end="", file=sys.stderr, flush=True)
            line = sys.stdin.readline()
            if not line:
                print(file=sys.stderr)
                return answers
            word = line.strip()
            if not word:
                break
            try:
                answers[item.key] = None if word == TAKE_AWAY else checked(item.key, word)
                break
            except UsageError as error:
                print(f"  {error}", file=sys.stderr)
    return answers


def _question(item: Item, present: object) -> str:
    unit = f", {item.unit}" if item.unit else ""
    scale = f" ({item.scale})" if item.scale else ""
    shown = "" if present is None else clean(present) if isinstance(present, str) else f"{present:g}"
    return f"  {item.words}{unit}{scale}{shown and f' [{shown}]'}: "
