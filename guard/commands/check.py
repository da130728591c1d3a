"""`guard check`: is everything ready for a run, and how to mend what is not."""

from __future__ import annotations

import argparse
import json
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from textwrap import fill
from typing import NamedTuple

from guard.commands.options import is_terminal
from guard.errors import GuardError, HardwareError, printable
from guard.settings import Settings

NOT_READY = HardwareError.exit_code
LEAST_FREE_MB = 50  # a session of an hour takes well under 2 MB
STRAP_WAIT_S = 6.0
SOUND_OUTPUT = "sound output"
NARROW = 60  # columns; under that a finding stands under its name


class Line(NamedTuple):
    """One finding; where it is not `ok` and `essential`, a run cannot be guarded."""

    name: str
    ok: bool
    essential: bool
    detail: str
    mend: str


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--sounds", action="store_true", help="also play every cue, with its name")
    parser.add_argument("--no-strap", action="store_true", help="do not look for the strap")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(args: argparse.Namespace) -> int:
    """Print the findings as they come; 0 when ready, 4 when something essential is missing."""
    lines: list[Line] = []
    for line in _all_lines(args):
        lines.append(line)
        if not args.json:
            show(line)
    missing = [line.name for line in lines if line.essential and not line.ok]
    if args.json:
        findings = [line._asdict() for line in lines]
        print(json.dumps({"format": 1, "ready": not missing, "checks": findings}, indent=2))
    elif missing:
        print(f"\nNot ready: {', '.join(missing)}.")
    else:
        print("\nReady. `guard run` starts a session.")
    return NOT_READY if missing else 0


def _all_lines(args: argparse.Namespace) -> Iterator[Line]:
    settings, line = _settings()
    yield line
    yield from _disk_lines()
    yield _clock_line()
    yield from sound_lines(settings, play=args.sounds, quiet=args.json)
    if settings.page != "off":
        yield _page_line(settings)
    yield from _radio_lines(settings, look_for_strap=not args.no_strap)


def _settings() -> tuple[Settings, Line]:
    from guard.settings import file as settings_file

    try:
        settings = Settings().replaced(settings_file.load())
    except GuardError as error:
        return Settings(), _line("settings", False, True, error.what, error.mend)
    if settings.ceiling_bpm is None:
        return settings, _line("ceiling", False, False, "none is set",
                               "give one with `guard run --ceiling BPM`, or keep it with "
                               "`guard settings ceiling_bpm=BPM`")
    return settings, _line("ceiling", True, False, f"{settings.ceiling_bpm:g} bpm")


def _disk_lines() -> Iterator[Line]:
    from guard.files import folders

    for name, find, essential in (("log folder", folders.sessions_dir, True),
                                  ("cache folder", folders.cache_dir, False)):
        try:
            yield _disk_line(name, find(), essential)
        except GuardError as error:
            yield _line(name, False, essential, error.what, error.mend)


def _disk_line(name: str, folder: Path, essential: bool) -> Line:
    probe = folder / ".guard-check"
    try:
        probe.write_bytes(b"guard")
        probe.unlink()
        free_mb = shutil.disk_usage(folder).free // 1_000_000
    except OSError as error:
        return _line(name, False, essential, f"{folder} cannot be written ({error.strerror or error})",
                     "give write permission or free space there, or set GUARD_HOME to a folder of your own")
    enough = free_mb >= LEAST_FREE_MB
    return _line(name, enough, essential, f"{folder} is writable, {free_mb:,} MB free",
                 "" if enough else f"free at least {LEAST_FREE_MB} MB there")


def _clock_line() -> Line:
    from guard.clock import wall_now
    from guard.log.wall import clock_is_trusted

    now = wall_now()
    trusted = clock_is_trusted(now)
    shown = f"{now:%Y-%m-%d %H:%M:%S %z}"
    if trusted:
        return _line("clock", True, False, shown)
    return _line("clock", False, False, f"{shown} may be wrong",
                 "connect to a network once so that the clock is set; nothing is decided by it, "
                 "only the date of the log would be wrong")


def sound_lines(settings: Settings, *, play: bool, quiet: bool = False) -> Iterator[Line]:
    """Whether sound leaves this machine, and a voice is there; with `play` every cue is played."""
    from guard.files import folders
    from guard.sound import preflight

    own_phrases = folders.config_dir(make=False) / "phrases"
    found = preflight.find_output(settings, _sound_log())
    try:
        output = preflight.output_check(settings, found)
        yield _line(SOUND_OUTPUT, output.ok, settings.sound, output.detail, output.mend)
        voice = preflight.voice_check(settings, own_phrases)
        yield _line(voice.name, voice.ok, False, voice.detail, voice.mend)
        if not play or found.backend is None:
            return
        for name in preflight.play_all(settings, found.backend, folders.cache_dir(), own_phrases):
            print(f"       {name}", file=sys.stderr if quiet else sys.stdout, flush=True)
    finally:
        if found.backend is not None:
            found.backend.close()


def _sound_log() -> Path | None:
    from guard.files import folders
    from guard.sound.player import DEBUG_FILE

    try:
        return folders.cache_dir() / DEBUG_FILE
    except GuardError:
        return None


def _page_line(settings: Settings) -> Line:
    from guard.browser.door import PACKAGES_MISSING, addresses, packages_there

    if not packages_there():
        return _line("page", False, False, "there will be none", PACKAGES_MISSING)
    if not settings.page_kept:
        return _line("page", True, False, "a new address each session, shown when it begins",
                     "`guard settings page_kept=true` keeps it")
    urls = addresses(settings)
    if not urls:
        return _line("page", False, False, "this machine has no network address", "connect it to a network")
    return _line("page", True, False, "while a session runs: " + " or ".join(urls))


def _radio_lines(settings: Settings, *, look_for_strap: bool) -> Iterator[Line]:
    from guard.devices import remembered as straps
    from guard.devices.seen import Wanted
    from guard.radio import preflight

    ready = True
    for check in preflight.radio_checks():
        ready &= check.ok
        yield _line(check.name, check.ok, check.essential, check.detail, check.mend)
    if not (ready and look_for_strap):
        return
    known = straps.remembered(lambda text: print(f"guard: {text}", file=sys.stderr))
    wanted = Wanted(known.name, known.address) if known else None
    for check in preflight.strap_checks(wanted, STRAP_WAIT_S, settings.battery_low_percent):
        yield _line(check.name, check.ok, check.essential, check.detail, check.mend)



def _line(name: str, ok: bool, essential: bool, detail: str, mend: str = "") -> Line:
    return Line(name, ok, essential, printable(detail), printable(mend))


def show(line: Line) -> None:
    """Print a finding, in columns where the terminal is wide enough."""
    mark = "ok" if line.ok else ("MISSING" if line.essential else "note")
    head = f"{mark:<8} {line.name:<14} "
    width = shutil.get_terminal_size((0, 0)).columns if is_terminal(sys.stdout) else 0
    if 0 < width < NARROW:
        print(f"{mark}  {line.name}")
        head = "  "
    indent = " " * len(head)
    for first, words in ((head, line.detail), (indent, line.mend and f"> {line.mend}")):
        if words:
            print(_filled(words, width, first, indent), flush=True)


def _filled(words: str, width: int, first: str, later: str) -> str:
    if not width:
        return f"{first}{words}"
    return fill(words, width, initial_indent=first, subsequent_indent=later,
                break_long_words=False, break_on_hyphens=False)
