"""Asking for a journal entry: one line an item on the terminal, or a form in the runner's editor."""

import contextlib
import os
import shlex
import subprocess
import sys
import tempfile
from pathlib import Path

from guard.errors import InputError, UsageError, clean, printable
from guard.files.folders import data_dir
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
    return f"  {item.words}{unit}{scale}{_present(present)}: "


def _present(value: object) -> str:
    if value is None:
        return ""
    return f" [{clean(value) if isinstance(value, str) else f'{value:g}'}]"


def by_editor(entry: Entry) -> dict[str, object]:
    """Open a form in the editor; the items as they stand when it is left.

    A form that is wrong stays on disk and the error names it, so nothing typed
    is lost.
    """
    handle, name = tempfile.mkstemp(prefix=f"{entry.day}-", suffix=".txt", dir=data_dir())
    form = Path(name)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(as_form(entry))
    before = form.read_bytes()
    _edit(form)
    try:
        text = form.read_text(encoding="utf-8-sig")
        answers = from_form(text)
    except (OSError, UnicodeDecodeError, UsageError) as error:
        raise InputError(f"the entry was not kept: {error}. What you wrote is in {form}") from None
    with contextlib.suppress(OSError):
        form.unlink()
    return {} if text.encode() == before else answers


def as_form(entry: Entry) -> str:
    """The entry as lines of `item: value` under comments that say what each takes."""
    lines = [f"# Journal of {entry.day}. Nothing behind a colon means nothing written.",
             "# The note may go on over several lines. Save and leave the editor to keep it.", ""]
    for item in ITEMS:
        value = getattr(entry, item.key)
        shown = "" if value is None else clean(value) if isinstance(value, str) else f"{value:g}"
        lines += [*([f"# {item.wants}"] if item.low is not None else []), f"{item.words}: {shown}".rstrip()]
    return "\n".join(lines) + "\n"


def from_form(text: str) -> dict[str, object]:
    """The items of a form; an item whose line is gone is left as it was.

    Raises UsageError naming the line.
    """
    by_words = {item.words: item for item in ITEMS}
    found: dict[str, str] = {}
    last = ""
    for number, line in enumerate(text.splitlines(), start=1):
        if line.startswith("#") or not line.strip():
            continue
        words, colon, value = line.partition(":")
        item = by_words.get(words.strip().lower()) if colon else None
        if item is not None and item.key not in found:
            last = item.key
            found[last] = value.strip()
        elif last == "note":
            found["note"] += " " + line.strip()
        else:
            raise UsageError(f"line {number} ({printable(line.strip())[:40]}) is not an item: "
                             f"begin it with one of {', '.join(by_words)}")
    return {key: checked(key, value) if value else None for key, value in found.items()}


def _edit(form: Path) -> None:
    wanted = os.environ.get("VISUAL") or os.environ.get("EDITOR") or (
        "notepad" if sys.platform == "win32" else "vi")
    try:
        words = shlex.split(wanted, posix=sys.platform != "win32")
        code = subprocess.run([*words, str(form)], check=False).returncode
    except (OSError, ValueError) as error:
        form.unlink(missing_ok=True)
        why = error.strerror if isinstance(error, OSError) else "unbalanced quotes"
        raise UsageError(f"the editor {printable(wanted)[:60]} cannot be started ({why}): "
                         "set EDITOR to one that is installed, or give the items as options") from None
    if code:
        raise InputError(f"the editor {printable(wanted)[:60]} ended with an error ({code}), so nothing was "
                         f"kept. What you wrote is in {form}")
