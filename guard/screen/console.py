"""The console that every command prints through."""

from typing import NoReturn

from rich.console import Console as _Console


class Console(_Console):
    """Rich's console, but for a reader that goes away (`guard settings | head -1`).

    Rich ends the program with exit code 1 then; that the reader had enough is no error,
    and `guard.cli` treats it as such.
    """

    def on_broken_pipe(self) -> NoReturn:
        raise BrokenPipeError
