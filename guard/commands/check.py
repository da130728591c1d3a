"""`guard check`: is everything ready for a run, and how to fix what is not."""

import argparse
import asyncio
import json
import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

from guard.browser.door import PAGE_PACKAGES_MISSING, addresses, packages_there
from guard.clock import clock_is_trusted, wall_now
from guard.commands.options import is_terminal
from guard.devices import remembered as straps
from guard.devices.seen import Wanted
from guard.errors import Check, GuardError, HardwareError, printable
from guard.files import folders
from guard.radio import survey as radio
from guard.screen.lines import filled
from guard.settings import Settings
from guard.settings import file as settings_file
from guard.sound import preflight as sound
from guard.sound.backends import Cut, Failed
from guard.sound.player import SOUND_DEBUG_FILE

NOT_READY = HardwareError.exit_code
LEAST_FREE_MB = 50  # a session of an hour takes well under 2 MB
STRAP_WAIT_S = 6.0  # straps tell of themselves about once a second; some seldom (ours)
NARROW = 60  # columns; under that a finding stands under its name


def run(args: argparse.Namespace) -> int:
    """Print the findings as they come; 0 when ready, 4 when something essential is missing."""
    checks: list[Check] = []
    for check in _checks(args):
        found = check._replace(detail=printable(check.detail), fix=printable(check.fix))
        checks.append(found)
        if not args.json:
            show(found)
    missing = [check.name for check in checks if check.essential and not check.ok]
    if args.json:
        findings = [check._asdict() for check in checks]
        print(json.dumps({"format": 2, "ready": not missing, "checks": findings}, indent=2))
    elif missing:
        print(f"\nNot ready: {', '.join(missing)}.")
    else:
        print("\nReady. `guard run` starts a session.")
    return NOT_READY if missing else 0


def _checks(args: argparse.Namespace) -> Iterator[Check]:
    settings, check = _settings()
    yield check
    yield _disk_check("log folder", folders.sessions_dir, essential=True)
    yield _disk_check("cache folder", folders.cache_dir, essential=False)
    yield _clock_check()
    yield from sound_checks(settings, play=args.sounds, quiet=args.json)
    if settings.page != "off":
        yield _page_check(settings)
    yield from _radio_checks(settings, look_for_strap=not args.no_strap)


def _settings() -> tuple[Settings, Check]:
    try:
        settings = Settings().replaced(settings_file.load())
    except GuardError as error:
        return Settings(), Check("settings", False, error.what, error.fix)
    if settings.ceiling_bpm is None:
        return settings, _note("ceiling", False, "none is set",
                               "give one with `guard run --ceiling BPM`, or keep it with "
                               "`guard settings ceiling_bpm=BPM`")
    return settings, _note("ceiling", True, f"{settings.ceiling_bpm:g} bpm")


def _disk_check(name: str, find: Callable[[], Path], *, essential: bool) -> Check:
    try:
        folder = find()
    except GuardError as error:
        return Check(name, False, error.what, error.fix, essential)
    probe = folder / ".guard-check"
    try:
        probe.write_bytes(b"guard")
        probe.unlink()
        free_mb = shutil.disk_usage(folder).free // 1_000_000
    except OSError as error:
        return Check(name, False, f"{folder} cannot be written ({error.strerror or error})",
                     "give write permission or free space there, or set GUARD_HOME to a folder of your own",
                     essential)
    enough = free_mb >= LEAST_FREE_MB
    return Check(name, enough, f"{folder} is writable, {free_mb:,} MB free",
                 "" if enough else f"free at least {LEAST_FREE_MB} MB there", essential)


def _clock_check() -> Check:
    now = wall_now()
    trusted = clock_is_trusted(now)
    shown = f"{now:%Y-%m-%d %H:%M:%S %z}"
    if trusted:
        return _note("clock", True, shown)
    return _note("clock", False, f"{shown} may be wrong",
                 "connect to a network once so that the clock is set; nothing is decided by it, "
                 "only the date of the log would be wrong")


def sound_checks(settings: Settings, *, play: bool, quiet: bool = False) -> Iterator[Check]:
    """Whether sound leaves this machine, and a voice is there; with `play` every cue is played."""
    own_phrases = folders.config_dir(make=False) / "phrases"
    found = sound.find_output(settings, _sound_log())
    try:
        yield sound.output_check(settings, found)._replace(essential=settings.sound)
        yield sound.voice_check(settings, own_phrases)._replace(essential=False)
        if not play or found.backend is None:
            return
        for name in sound.play_all(settings, found.backend, folders.cache_dir(), own_phrases):
            print(f"       {name}", file=sys.stderr if quiet else sys.stdout, flush=True)
    except (Cut, Failed) as error:
        yield Check(sound.SOUND_OUTPUT, False, f"failed while playing: {error}", sound.NO_OUTPUT_FIX,
                    essential=settings.sound)
    finally:
        if found.backend is not None:
            found.backend.close()


def _sound_log() -> Path | None:
    try:
        return folders.cache_dir() / SOUND_DEBUG_FILE
    except GuardError:
        return None


def _page_check(settings: Settings) -> Check:
    if not packages_there():
        return _note("page", False, "there will be none", PAGE_PACKAGES_MISSING)
    if not settings.page_kept:
        return _note("page", True, "a new address each session, shown when it begins",
                     "`guard settings page_kept=true` keeps it")
    urls = addresses(settings)
    if not urls:
        return _note("page", False, "this machine has no network address", "connect it to a network")
    return _note("page", True, "while a session runs: " + " or ".join(urls))


def _radio_checks(settings: Settings, *, look_for_strap: bool) -> Iterator[Check]:
    ready = True
    for check in asyncio.run(radio.radio_checks()):
        ready &= check.ok
        yield check
    if not (ready and look_for_strap):
        return
    known = straps.remembered(lambda text: print(f"guard: {text}", file=sys.stderr))
    wanted = Wanted(known.name, known.address) if known else None
    yield from asyncio.run(radio.strap_checks(wanted, STRAP_WAIT_S, settings.battery_low_percent))


def _note(name: str, ok: bool, detail: str, fix: str = "") -> Check:
    return Check(name, ok, detail, fix, essential=False)


def show(check: Check) -> None:
    """Print a finding, in columns where the terminal is wide enough."""
    mark = "ok" if check.ok else ("MISSING" if check.essential else "note")
    head = f"{mark:<8} {check.name:<14} "
    width = shutil.get_terminal_size((0, 0)).columns if is_terminal(sys.stdout) else 0
    if 0 < width < NARROW:
        print(f"{mark}  {check.name}")
        head = "  "
    indent = " " * len(head)
    for first, words in ((head, check.detail), (indent, check.fix and f"> {check.fix}")):
        if words:
            print(filled(words, first, indent), flush=True)
