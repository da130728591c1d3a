"""What can go wrong on the user's side, each with the exit code it ends in.

The message is one clear sentence that names the file, key or device and says
how to mend it. `guard.cli` prints it; no traceback reaches a user.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something that goes on without: what is wrong and the mend."""

    what: str
    mend: str = ""

    def __str__(self) -> str:
        return f"{self.what}: {self.mend}" if self.mend else self.what


class GuardError(Exception):
    """Base of every error a user can cause or meet: what is wrong and, where it is told apart, the mend."""

    exit_code = 2

    def __init__(self, what: str, mend: str = "") -> None:
        super().__init__(f"{what}: {mend}" if mend else what)
        self.what, self.mend = what, mend


class UsageError(GuardError):
    """A wrong option, setting or combination of them (exit 2).

    `answer` is the same without the option's name, for who was asked and typed none.
    """

    exit_code = 2

    def __init__(self, what: str, mend: str = "", *, option: str = "") -> None:
        super().__init__(f"{option} {what}" if option else what, mend)
        self.answer = Trouble(what, mend)


class SettingError(UsageError, ValueError):
    """A setting with an unknown name or a value outside its range (exit 2)."""


class InputError(GuardError):
    """A file that cannot be read or understood (exit 3)."""

    exit_code = 3


class HardwareError(GuardError):
    """Missing hardware, a service that is down, or no permission (exit 4)."""

    exit_code = 4


def printable(value: object) -> str:
    """`value` as text that can stand in a sentence: what does not print becomes "?".

    File names, cells and device names come from outside and may hold codes
    that a terminal would obey.
    """
    try:
        text = str(value)
    except ValueError:  # an integer of thousands of digits has no text
        return "a huge number"
    return "".join(sign if sign.isprintable() else "?" for sign in text)


def short(value: object, most: int = 60) -> str:
    """`value` as printable text of at most `most` letters; what is cut off shows as "…"."""
    text = printable(value)
    return text if len(text) <= most else text[:most - 1] + "…"
