"""Sentences that a command prints, in lines of the terminal they go to."""

import os
import shutil
import sys
from textwrap import fill
from typing import TextIO

_NARROWEST, _WIDEST = 20, 79  # cells of a line of text


def filled(words: str, first: str = "", later: str = "", *, stream: TextIO | None = None) -> str:
    """`words` broken between words, line by line, where `stream` (stdout) is a terminal; else as they are."""
    if not (stream or sys.stdout).isatty():
        return first + words
    width = max(_NARROWEST, min(_WIDEST, shutil.get_terminal_size((80, 24)).columns - 1))
    return "\n".join(fill(line, width, initial_indent=first, subsequent_indent=later,
                          break_long_words=False, break_on_hyphens=False) for line in words.split("\n"))


def let_go_of_output() -> None:
    """What waits for an output that takes no more is dropped, also at the interpreter's end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
