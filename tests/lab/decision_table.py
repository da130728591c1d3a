"""The decision table as Markdown, for DEVELOPERS.md.

    python -m tests.lab.decision_table DEVELOPERS.md

puts it between the two marker lines of that file, so that the text there is
always the table the guard runs on (a test compares them).
"""

from __future__ import annotations

import sys
from pathlib import Path

from guard.decide.table import TABLE, Row
from guard.errors import GuardError, InputError
from guard.events import Cue, State

BEGIN = "<!-- decision table: generated, begin -->"
END = "<!-- decision table: generated, end -->"


def as_markdown() -> str:
    """The whole table, rows in order of priority."""
    head = "| | row | from | when | to | cue | numbers |\n|---|---|---|---|---|---|---|\n"
    return head + "".join(f"| {number} | {_cells(row)} |\n" for number, row in enumerate(TABLE, start=1))


def _cells(row: Row) -> str:
    when = ", ".join(f"not `{name[1:]}`" if name.startswith("~") else f"`{name}`" for name in row.when)
    if row.dwell:
        when += f", for `{row.dwell}`"
    to = f"`{row.to.key}`" if isinstance(row.to, State) else f"_{row.to}_"
    cue = "" if row.cue is Cue.NONE else f"`{row.cue.key}`"
    numbers = " ".join(f"`{name}`" for name in row.numbers)
    states = " ".join(f"`{state.key}`" for state in row.from_states)
    return " | ".join((row.name, states, when, to, cue, numbers))


def put_into(text: str) -> str:
    """`text` with what stands between the markers replaced by the table; InputError without them."""
    before, begin, rest = text.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not begin or not end:
        raise InputError(f"no place for the table: put {BEGIN} and {END} on lines of their own")
    return f"{before}{BEGIN}\n{as_markdown()}{END}{after}"


def main(words: list[str]) -> int:
    """Print the table, or put it into the file named."""
    if not words:
        print(as_markdown(), end="")
        return 0
    path = Path(words[0])
    try:
        path.write_text(put_into(path.read_text(encoding="utf-8")), encoding="utf-8")
    except (GuardError, OSError, UnicodeDecodeError) as error:
        print(f"{path}: {error}", file=sys.stderr)
        return InputError.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
