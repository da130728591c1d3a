"""What several commands share: the ceiling and the other settings, and whether somebody can be asked.

What was typed (`--ceiling`, `--set`) beats a course's own settings, which beat
the settings file, which beats the defaults of the table.
"""

import argparse
import json
import os
import re
import sys
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

from guard.errors import InputError, UsageError, printable
from guard.files.whole import write_whole
from guard.library.library import rehearsals_dir, sessions
from guard.library.search import called_session, near_names
from guard.screen.lines import filled
from guard.settings import Settings, Value, find, parse, parse_assignments
from guard.settings import file as settings_file

FIND_A_CEILING = "`guard ceiling` finds one, by a test or from your age and resting heart rate"
_BAR_CELLS = 30  # of a progress bar
HOW_TO_FIND_A_CEILING = (
    "no ceiling is set, and the guard never guesses one: add --ceiling BPM, or keep yours with "
    f"`guard settings ceiling_bpm=BPM`; {FIND_A_CEILING}"
)


def typed_values(args: argparse.Namespace) -> dict[str, Value]:
    """Checked values of `--set`, `--ceiling` and a live session's; two ceilings that differ are an error."""
    values = parse_assignments(args.assignments)
    for key in ("speech", "page", "page_keys", "sound_out"):
        if (typed := getattr(args, key, None)) not in (None, False):
            values[key] = typed
    if args.ceiling is not None:
        ceiling = parse(find("ceiling_bpm"), args.ceiling)
        if values.get("ceiling_bpm", ceiling) != ceiling:
            raise UsageError(
                f"--ceiling {args.ceiling} and --set ceiling_bpm={values['ceiling_bpm']} disagree: "
                "give one of them")
        values["ceiling_bpm"] = ceiling
    return values


def chosen_settings(
    args: argparse.Namespace,
    *,
    course: Mapping[str, object] | None = None,
    need_ceiling: bool = True,
) -> Settings:
    """Settings of one session: typed over `course` over file over defaults.

    With a `course` what the file says of the runner's own body and limits is
    left out: it does not fit an invented one. Raises UsageError where
    `need_ceiling` and none of them gives a ceiling.
    """
    kept = settings_file.load(leave_out=tell)
    if course is not None:
        kept = {key: value for key, value in kept.items()
                if key == "units" or find(key).group not in ("limits", "runner")}
    values = {**kept, **(course or {}), **typed_values(args)}
    settings = Settings().replaced(values)
    if settings.page == "off" and (getattr(args, "page_keys", False) or getattr(args, "sound_out", None)):
        raise UsageError("--page-keys and --sound-out are about a page, and there is none: add --page")
    if need_ceiling and settings.ceiling_bpm is None:
        raise UsageError(HOW_TO_FIND_A_CEILING)
    return settings


def own_settings(tell: Callable[[str], None]) -> Settings:
    """The reader's own settings as kept; `tell` hears of what was left out."""
    return Settings().replaced(settings_file.load(leave_out=tell))


def readers_units() -> dict[str, str]:
    """The unit kept by who reads a log, whatever its runner had; empty where none is: the log's own stays."""
    kept = settings_file.load(leave_out=lambda told: None)
    return {"units": str(kept["units"])} if "units" in kept else {}


def with_ceiling(settings: Settings, name: object) -> Settings:
    """A log's settings, with the reader's own ceiling where it has none; UsageError where neither has."""
    if settings.ceiling_bpm is not None:
        return settings
    kept = own_settings(lambda told: None).ceiling_bpm
    if kept is None:
        raise UsageError(f"{name} has no ceiling: add --ceiling BPM; {FIND_A_CEILING}")
    tell(f"{name} has no ceiling; yours is used, {kept:g} bpm (--ceiling for another)")
    return settings.replaced({"ceiling_bpm": kept})


def wrote(file: str, chunks: Iterable[bytes], *, force: bool) -> None:
    """Write a file that an option names, and say so on stderr."""
    write_whole(Path(file), chunks, force=force)
    print(f"wrote {printable(file)}", file=sys.stderr)


def log_path(name: str) -> str:
    """The file that `name` means: itself where it is there, else the session or rehearsal called so.

    InputError where there is neither, UsageError where more than one session is called so.
    """
    if os.path.lexists(name) or os.sep in name:
        return name  # what is wrong with it is said where it is read
    kept = [entry for entry in sessions() if not entry.problem]
    if found := called_session(kept, name):
        return str(found.path)
    rehearsed = [entry for entry in sessions(rehearsals_dir(make=False)) if not entry.problem]
    if found := called_session(rehearsed, name):
        return str(found.path)
    raise InputError(f"cannot read {printable(name)[:80]} (no such file, and no session of that name): "
                     f"{near_names([*kept, *rehearsed], name)}")


def print_json(document: Mapping[str, object], *, indent: int | None = 2) -> None:
    """One JSON document on stdout, UTF-8; what does not print is escaped, so that it harms no terminal."""
    text = json.dumps(document, indent=indent, ensure_ascii=False, allow_nan=False)
    print(re.sub(r"[^\n -~]", lambda sign: sign[0] if sign[0].isprintable() else _escaped(sign[0]), text))


def done(args: argparse.Namespace, sentence: str, **more: object) -> int:
    """Say what was changed, as a sentence or with `more` as one JSON document; the exit code."""
    if args.json:
        print_json({"format": 1, "done": printable(sentence), **more}, indent=None)
    else:
        print(printable(sentence))
    return 0


def _escaped(sign: str) -> str:
    return "\\u007f" if sign == "\x7f" else json.dumps(sign)[1:-1]  # JSON leaves DEL alone


def counting(what: str, least: int = 1) -> Callable[[int, int], None] | None:
    """Shows on stderr how far `what` is, told (done, number); None where nobody looks on.

    What has fewer than `least` is done before it could be read.
    """
    if not is_terminal(sys.stderr):
        return None

    def show(done: int, number: int) -> None:
        if number >= least and (done % max(1, number // 100) == 0 or done == number):
            bar = "#" * (_BAR_CELLS * done // max(1, number))
            print(f"\r{what}: {done} of {number} [{bar:.<{_BAR_CELLS}}]", end="\n" if done == number else "",
                  file=sys.stderr, flush=True)

    return show


def tell(sentence: str) -> None:
    """A sentence beside the results, on stderr."""
    print(filled(f"note: {printable(sentence)}", stream=sys.stderr), file=sys.stderr)


def can_ask() -> bool:
    """Whether somebody is there to answer."""
    return is_terminal(sys.stdin, sys.stderr)


def answered(question: str) -> str:
    """What is typed after a question; "" where nobody can be asked."""
    if not can_ask():
        return ""
    print(filled(question, stream=sys.stderr), end=" ", file=sys.stderr, flush=True)
    return sys.stdin.readline().strip()


def is_terminal(*streams: object) -> bool:
    """Whether all of these streams are terminals."""
    return all(getattr(stream, "isatty", lambda: False)() for stream in streams)
