"""`guard completion`: a script by which the shell completes commands, options and names."""

import argparse
from collections.abc import Iterator

from guard.plan.examples import EXAMPLES
from guard.runner.rehearsal import PRACTICE
from guard.settings import table

SHELLS = {
    "bash": "echo 'eval \"$(guard completion bash)\"' >> ~/.bashrc",
    "zsh": "echo 'eval \"$(guard completion zsh)\"' >> ~/.zshrc",
    "fish": "mkdir -p ~/.config/fish/completions; "
            "guard completion fish > ~/.config/fish/completions/guard.fish",
}
_FILES = ("FILE", "FILE.csv", "LOG", "OUT", "OUT.csv", "OUT.jsonl", "ZIP")
_FOLDERS = ("DIR", "FOLDER")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    lines = "\n".join(f"  {line}" for line in SHELLS.values())
    parser.epilog = f"{parser.epilog}\n\nOne line keeps it, then open a new terminal:\n\n{lines}\n"
    parser.add_argument("shell", choices=tuple(SHELLS), help="the shell you use")


def run(args: argparse.Namespace) -> int:
    import shtab

    from guard.cli import COMMANDS, parser_of

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
    import shtab

    keys = [entry.key for entry in table()]
    names = {("rehearse", "course"): list(PRACTICE), ("plan", "make"): list(EXAMPLES),
             ("settings", "words"): keys, ("settings", "explain"): keys, ("settings", "unset"): keys}
    if (command, action.dest) in names:
        action.choices = names[command, action.dest]
    elif action.metavar in _FILES:
        action.complete = shtab.FILE  # type: ignore[attr-defined]
    elif action.metavar in _FOLDERS:
        action.complete = shtab.DIRECTORY  # type: ignore[attr-defined]
