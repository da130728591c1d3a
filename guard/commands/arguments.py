"""The commands and their options, read from `commands.toml`.

A command itself, a module with `run(args) -> int`, is imported when it is run,
so that help and completion stay quick.
"""

import argparse
import contextlib
import tomllib
from collections.abc import Callable, Iterator, Mapping
from importlib import import_module
from pathlib import Path
from typing import Any, NamedTuple

_TABLE: dict[str, Any] = tomllib.loads(Path(__file__).with_name("commands.toml").read_text(encoding="utf-8"))
_SETS: dict[str, dict[str, Any]] = _TABLE.pop("sets")


class CommandRow(NamedTuple):
    """A command: its line in `guard --help`, an example that parses, its module, what else its help says."""

    line: str
    example: str
    module: str
    more: str
    options: Mapping[str, object]

    def describe(self, parser: argparse.ArgumentParser) -> None:
        """Give the parser of this command its options."""
        if self.more:
            parser.formatter_class = argparse.RawDescriptionHelpFormatter
            parser.epilog = f"{parser.epilog}\n\n{self.more}"
        groups: dict[int, argparse._ActionsContainer] = {0: parser}
        for names, how in _every(self.options):
            either = how.pop("either", 0)
            if either not in groups:
                groups[either] = parser.add_mutually_exclusive_group()
            _add(groups[either], names, how)


COMMANDS = {name: CommandRow(row["line"], row["example"], row.get("module", name), row.get("more", ""),
                             row.get("options", {})) for name, row in _TABLE.items()}


def run_command(args: argparse.Namespace) -> int:
    """Import the command that was parsed and run it; the exit code."""
    return int(import_module(f"guard.commands.{COMMANDS[args.command].module}").run(args))


def _every(options: Mapping[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Each option with what is said of it, sets opened up."""
    for names, how in options.items():
        if names.startswith("*"):
            yield from _every(_SETS[names[1:]])
        else:
            yield names, {"help": how} if isinstance(how, str) else dict(how)


def _add(parser: argparse._ActionsContainer, names: str, how: dict[str, Any]) -> None:
    if key := how.pop("setting", None):
        from guard.settings import find  # takes longer than all else here, and few commands need it

        how = {"help": find(key).meaning, **({"choices": find(key).choices} if find(key).choices else {})}
    words = names.split()
    flags = [word for word in words if word.startswith("-")] or words[:1]
    values = words[len(flags):]
    flag = not values and "choices" not in how
    made: dict[str, Any] = {"help": how.pop("help")}
    if values:
        made["metavar"] = values[0]
    if len(values) > 1:
        made |= {"metavar": tuple(values), "nargs": len(values)}
    for said, argument in (("many", "nargs"), ("alone", "const"), ("into", "dest")):
        if said in how:
            made[argument] = how.pop(said)
    for kind, said in ((int, "whole"), (float, "number")):
        if said in how:
            made["type"] = _number(kind, how.pop(said))
    if how.pop("or_no", False):
        made |= {"action": argparse.BooleanOptionalAction, "default": None}
    elif how.pop("repeat", False):
        made |= {"action": "append", "default": []}
    elif flag:
        made["action"] = "store_true"
    parser.add_argument(*flags, **made, **how)


def _number(kind: type[float], limits: list[float] | bool) -> Callable[[str], float]:
    """What reads an option's number, whole where `kind` is int, between two limits if there are any."""
    if isinstance(limits, bool):
        return kind
    low, high = limits

    def parsed(text: str) -> float:
        with contextlib.suppress(ValueError):
            if low <= (value := kind(text)) <= high:
                return value
        what = "whole number" if kind is int else "number"
        raise argparse.ArgumentTypeError(f"must be a {what} from {low:g} to {high:g}")

    return parsed
