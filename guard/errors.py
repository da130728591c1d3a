"""What can go wrong on the user's side, each with the exit code it ends in.

The message is one clear sentence that names the file, key or device and says
how to fix it. `guard.cli` prints it; no traceback reaches a user.
"""

import unicodedata
from typing import NamedTuple

EXIT_DIFFERENT, EXIT_DAMAGED, EXIT_REFUSED, EXIT_INTERRUPTED = 1, 3, 3, 130  # as README.md lists them


class Trouble(NamedTuple):
    """Something that goes on without: what is wrong and the fix."""

    what: str
    fix: str = ""

    def __str__(self) -> str:
        return f"{self.what}: {self.fix}" if self.fix else self.what


class Check(NamedTuple):
    """One line of `guard check`: `fix` says what to do where not `ok`; no run without the `essential`."""

    name: str
    ok: bool
    detail: str
    fix: str = ""
    essential: bool = True


class GuardError(Exception):
    """Base of every error a user can cause or meet: what is wrong and, where it is told apart, the fix."""

    exit_code = 2

    def __init__(self, what: str, fix: str = "") -> None:
        super().__init__(f"{what}: {fix}" if fix else what)
        self.what, self.fix = what, fix


class UsageError(GuardError):
    """A wrong option, setting or combination of them (exit 2).

    `answer` is the same without the option's name, for who was asked and typed none.
    """

    exit_code = 2

    def __init__(self, what: str, fix: str = "", *, option: str = "") -> None:
        super().__init__(f"{option} {what}" if option else what, fix)
        self.answer = Trouble(what, fix)


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


def clean(words: str) -> str:
    """Text from outside (names, reasons) on one line, nothing in it a terminal acts on.

    Control, format (text direction, joiners), private and unassigned characters
    and stacked marks go (Unicode general categories C and M, after composing);
    every run of white space becomes one space.
    """
    spaced = " ".join(unicodedata.normalize("NFC", words).split())
    return "".join(sign for sign in spaced if unicodedata.category(sign)[0] not in "CM")


def quoted(value: object) -> str:
    """A value from outside as it stands in a sentence: in quotes, short and printable."""
    text = printable(value)
    return repr(text if len(text) <= 40 else text[:37] + "...")


def short(value: object, most: int = 60) -> str:
    """`value` as printable text of at most `most` letters; what is cut off shows as "…"."""
    text = printable(value)
    return text if len(text) <= most else text[:most - 1] + "…"


def number_of(count: int, noun: str) -> str:
    """A count with its noun: "1 row", "2 rows"."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"
