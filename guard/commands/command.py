"""A command and its options as data, and how argparse gets them."""

import argparse
import contextlib
from collections.abc import Callable
from typing import NamedTuple


class Option(NamedTuple):
    names: tuple[str, ...]
    how: dict[str, object]  # as argparse takes it

    def add_to(self, parser: argparse._ActionsContainer) -> None:
        parser.add_argument(*self.names, **self.how)  # type: ignore[arg-type]


class Either(NamedTuple):
    """Of these only one may be given."""

    options: tuple[Option, ...]

    def add_to(self, parser: argparse._ActionsContainer) -> None:
        group = parser.add_mutually_exclusive_group()
        for option in self.options:
            option.add_to(group)


class OfSetting(NamedTuple):
    """An option that stands for a setting; only to tell of it are the settings imported."""

    key: str

    def add_to(self, parser: argparse._ActionsContainer) -> None:
        from guard.settings import find

        row, name = find(self.key), f"--{self.key.replace('_', '-')}"
        (choice(name, row.choices, row.meaning) if row.choices else flag(name, row.meaning)).add_to(parser)


class CommandRow(NamedTuple):
    """A command: its line in `guard --help`, an example that parses, its options, what else its help says."""

    line: str
    example: str
    options: tuple[Option | Either | OfSetting, ...]
    module: str = ""  # where it has not the command's name
    more: str = ""

    def describe(self, parser: argparse.ArgumentParser) -> None:
        """Give the parser of this command its options."""
        if self.more:
            parser.formatter_class = argparse.RawDescriptionHelpFormatter
            parser.epilog = f"{parser.epilog}\n\n{self.more}"
        for option in self.options:
            option.add_to(parser)


def flag(name: str, words: str) -> Option:
    return Option((name,), {"action": "store_true", "help": words})


def word(name: str, placeholder: str | tuple[str, str], words: str, **how: object) -> Option:
    return Option(tuple(name.split()), {"metavar": placeholder, "help": words, **how})


def choice(name: str, choices: tuple[str, ...], words: str, **how: object) -> Option:
    return Option((name,), {"choices": choices, "help": words, **how})


def number(kind: type[float], low: float, high: float) -> Callable[[str], float]:
    """What reads an option's number, whole where `kind` is int."""
    def parsed(text: str) -> float:
        with contextlib.suppress(ValueError):
            if low <= (value := kind(text)) <= high:
                return value
        what = "whole number" if kind is int else "number"
        raise argparse.ArgumentTypeError(f"must be a {what} from {low:g} to {high:g}")

    return parsed
