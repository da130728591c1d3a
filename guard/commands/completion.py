"""`guard completion`: a script by which the shell completes commands, options and names."""

import argparse
from collections.abc import Iterator

import shtab

from guard.cli import parser_of
from guard.commands.arguments import COMMANDS
from guard.plan.examples import EXAMPLES
from guard.runner.rehearsal import PRACTICE
from guard.settings import table

_FILES = ("FILE", "FILE.csv", "LOG", "OUT", "OUT.csv", "OUT.jsonl", "ZIP")
_FOLDERS = ("DIR", "FOLDER")


def run(args: argparse.Namespace) -> int:
    parser = parser_of(COMMANDS)
    for command, action in _actions(parser):
        _hint(command, action)
    print(shtab.complete(parser, shell=args.shell))
    return 0


def _actions(parser: argparse.ArgumentParser) -> Iterator[tuple[str, argparse.Action]]:
    """Every option and argument of every command, with the command's name."""
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for name, command in action.choices.items():
                yield from ((name, one) for one in command._actions)


def _hint(command: str, action: argparse.Action) -> None:
    """What can stand there: a file, a folder, or one of the names the guard knows."""
    keys = [entry.key for entry in table()]
    names = {("rehearse", "course"): list(PRACTICE), ("plan", "make"): list(EXAMPLES),
             ("settings", "words"): keys, ("settings", "unset"): keys}
    if (command, action.dest) in names:
        action.choices = names[command, action.dest]
    elif action.metavar in _FILES:
        action.complete = shtab.FILE  # type: ignore[attr-defined]
    elif action.metavar in _FOLDERS:
        action.complete = shtab.DIRECTORY  # type: ignore[attr-defined]
