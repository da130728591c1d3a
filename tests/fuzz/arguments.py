"""The command line: words of any kind to every command that only reads and writes files.

The output may hold nothing that a terminal acts on, and no input is a fault of
the guard itself (exit code 1) but for what `--verify` finds.
"""

from __future__ import annotations

import contextlib
import io
import os
import shutil
from pathlib import Path
from unittest.mock import patch

from tests.fuzz import seeds

# The others open a radio or play sound: of them the options only.
_DONE = frozenset({"settings", "plan", "ceiling", "journal", "sessions", "import", "export", "replay",
                   "review",
                   "progress", "data"})
_CODES = frozenset({0, 2, 3, 4})


def check(data: bytes, folder: Path) -> None:
    from guard.cli import main
    from tests.fuzz.targets import Wrong

    words = _words(data, folder)
    output = io.StringIO()
    # With stdin, nothing waits for an answer; a folder of its own keeps relative names in it.
    with (patch.dict(os.environ, GUARD_HOME=str(folder / "home"), COLUMNS="80"),
          Path(os.devnull).open() as nothing,
          contextlib.chdir(folder), patch("sys.stdin", nothing),
          contextlib.redirect_stdout(output), contextlib.redirect_stderr(output)):
        command = next((word for word in words if not word.startswith("-")), "")
        try:
            code = main(words) if command in _DONE or not command else _parsed(words)
        except SystemExit as end:  # argparse
            code = end.code if isinstance(end.code, int) else 1
    said = output.getvalue()
    if code not in _CODES and not (code == 1 and any(word.startswith("--v") for word in words)):
        raise Wrong(f"exit code {code} for {words}: {said[-500:]}")
    if strange := {sign for sign in said if not sign.isprintable() and sign != "\n"}:
        raise Wrong(f"{words} prints {strange}")


def _parsed(words: list[str]) -> int:
    from guard.cli import _parser
    from guard.commands.options import typed_values
    from guard.errors import GuardError

    try:
        args = _parser(words).parse_args(words)
        if hasattr(args, "assignments"):
            typed_values(args)
    except GuardError as error:
        return error.exit_code
    return 0


def _words(data: bytes, folder: Path) -> list[str]:
    """Argument words; names of files stand for real ones, and none leads out of the folder."""
    shutil.rmtree(folder, ignore_errors=True)
    home = folder / "home" / "data" / "sessions"
    home.mkdir(parents=True)
    (home / "2026-03-02_0610.jsonl").write_bytes(seeds.small_log())
    (folder / "PLAN").write_bytes(seeds.plans()[0])
    (folder / "CSV").write_bytes(seeds.csvs()[0][1:])
    (folder / "LOG").write_bytes(seeds.small_log())
    (folder / "LOGS").mkdir()
    text = data.decode("utf-8", "surrogateescape").replace("/", "_").replace("~", "_").replace("..", "_")
    return text.split("\0") if text else []
