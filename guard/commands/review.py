"""`guard review`: how a session went."""

import argparse
import sys
from pathlib import Path

from guard.commands.options import (
    can_ask,
    log_path,
    print_json,
    readers_units,
    tell,
    typed_values,
    with_ceiling,
    wrote,
)
from guard.commands.session_note import ask_and_keep
from guard.errors import InputError, UsageError
from guard.files.folders import sessions_dir
from guard.library.library import sessions
from guard.log.recording import read_log
from guard.review.page import page
from guard.review.review import review
from guard.review.terminal import view
from guard.screen.report import console_and_look


def run(args: argparse.Namespace) -> int:
    changes = typed_values(args)
    path = _newest() if args.file is None else Path(log_path(args.file))
    if args.note:
        _ask(path)
    recording = read_log(path)
    settings = with_ceiling(recording.settings.replaced({**readers_units(), **changes}), path)
    found = review(recording, settings)
    title = path.name.removesuffix(".jsonl")
    if args.html is not None:
        wrote(args.html, [page(found, title).encode()], force=args.force)
    if args.json:
        for remark in found.remarks:
            tell(remark)
        print_json(found.as_dict())
    elif args.html is None:
        console, look = console_and_look()
        console.print(view(found, title, console.width, look))
    return 0


def _newest() -> Path:
    # By when a session began, not by when its file was last touched; a clock that nobody set is not believed.
    logs = [entry.path for entry in sessions() if not entry.problem]
    if not logs:
        raise InputError(f"no session is kept in {sessions_dir(make=False)} yet: `guard run` makes one, "
                         "or name one (`guard review last` takes the newest rehearsal)")
    return logs[-1]


def _ask(path: Path) -> None:
    if not can_ask():
        raise UsageError("--note asks questions and needs a terminal: leave it out")
    ask_and_keep(path, sys.stdin, sys.stderr)
