"""Keys: what each means (pure), and reading them from a terminal.

The meaning of a key may depend on the session (space pauses or continues), so
`Keyboard.press` answers with inputs for the session; only `Terminal` knows a
terminal.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import Enum
from typing import IO

from guard.events import Action, Command, Mark, Snapshot, Speed, State
from guard.screen.words import KM_H_PER_M_S, MPH_PER_M_S
from guard.session.speeds import FASTEST_M_S, STEEPEST
from guard.settings import Settings, find

QUIT_WITHIN_S = 5.0
TYPE_SPEED = "type the belt's speed first: 8.5, Enter"


class Key(Enum):
    """What a key press means, before the session's state is known."""

    HOLD = "pause or continue"
    MARK = "mark this moment"
    MUTE = "sound off or on"
    FASTER = "typed speed up one belt step"
    SLOWER = "typed speed down one belt step"
    CEILING_UP = "ceiling up 1 bpm"
    CEILING_DOWN = "ceiling down 1 bpm"
    NEXT_PART = "next part"
    FREE_RUN = "free run on or off"
    STATUS = "say the status"
    QUIT = "quit"
    YES = "yes"
    NO = "anything that is not a yes"


_KEYS = {
    " ": Key.HOLD, "m": Key.MARK, "s": Key.MUTE,
    "+": Key.FASTER, "=": Key.FASTER, "-": Key.SLOWER,
    "]": Key.CEILING_UP, "[": Key.CEILING_DOWN,
    "n": Key.NEXT_PART, "f": Key.FREE_RUN, "?": Key.STATUS, "i": Key.STATUS,
    "q": Key.QUIT, "y": Key.YES,
}


def meaning(char: str) -> Key:
    """The meaning of one typed character; upper case is the same as lower."""
    return _KEYS.get(char.lower(), Key.NO)


@dataclass(frozen=True, slots=True)
class Ask:
    """A question to show until it is answered or `until_s` (wall seconds) has passed."""

    text: str
    until_s: float


class Keyboard:
    """Turns typed characters into inputs; holds a half-answered quit or a half-typed speed.

    Digits type a speed in the runner's unit (`8.5`, Enter) or a grade (`2 %`, or
    `2 - %` downhill); + and - move the speed by the belt's step. A key that
    changes nothing says why. `ceiling_bpm` is the session's own ceiling, which a warm-up
    or a part may undercut; set it whenever it is commanded anew.
    """

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self.ceiling_bpm = settings.ceiling_bpm
        self._asked: Ask | None = None
        self._told: Ask | None = None
        self._entry = ""

    def press(self, char: str, snapshot: Snapshot, wall_s: float) -> Command | Mark | Speed | None:
        """The input a key stands for now, stamped with the snapshot's time; None for none.

        `wall_s` is a monotonic wall time in seconds, for the quit question.
        """
        asked, self._asked, self._told = self.asking(wall_s), None, None
        if self._typed(char):
            return None
        entry, self._entry = self._entry, ""
        event: Command | Mark | Speed | None
        if char in "\r\n":
            event, refusal = _speed_entered(entry, snapshot, self._settings)
        elif char == "%":
            event, refusal = _grade_entered(entry, snapshot)
        else:
            key = meaning(char)
            if key is Key.QUIT and asked is None:
                self._asked = Ask("quit? q or y ends it, other keys go on", wall_s + QUIT_WITHIN_S)
                return None
            if key is Key.QUIT or (key is Key.YES and asked is not None):
                return Command(snapshot.t_s, Action.QUIT)
            event = input_for(key, snapshot, self._settings, self.ceiling_bpm)
            refusal = "going on" if asked else _why_nothing(key, char, snapshot)
        if event is None:
            self._told = Ask(refusal, wall_s + QUIT_WITHIN_S)
        return event

    def asking(self, wall_s: float) -> Ask | None:
        """The open question, if there is one and its time has not passed."""
        return self._asked if self._asked and wall_s < self._asked.until_s else None

    def prompt(self, wall_s: float) -> str:
        """What to show in place of the keys; empty when nothing is asked or being typed."""
        if self._entry:
            return f"speed {self._entry} {_unit(self._settings)}: Enter sets it, % makes it the grade"
        shown = self.asking(wall_s) or self._told
        return shown.text if shown and wall_s < shown.until_s else ""

    def _typed(self, char: str) -> bool:
        """Take a digit, point or rubout of a speed; false if the character is none."""
        if char in ("\x7f", "\b") and self._entry:
            self._entry = self._entry[:-1]
            return True
        if char == "-" and self._entry:
            self._entry = self._entry[1:] if self._entry.startswith("-") else "-" + self._entry
            return True
        if (char.isdecimal() and char.isascii()) or (char in ".," and "." not in self._entry):
            self._entry = (self._entry + char.replace(",", "."))[:6]
            return True
        return False


def input_for(
    key: Key, snapshot: Snapshot, settings: Settings, ceiling_bpm: float | None,
) -> Command | Mark | Speed | None:
    """The input that `key` stands for in this state; None for keys that stand for none."""
    t_s = snapshot.t_s
    held = snapshot.state is State.HELD
    match key:
        case Key.HOLD:
            return Command(t_s, Action.CONTINUE if held else Action.PAUSE)
        case Key.MARK:
            return Mark(t_s)
        case Key.MUTE:
            return Command(t_s, Action.UNMUTE if snapshot.muted else Action.MUTE)
        case Key.FREE_RUN:
            return Command(t_s, Action.FREE_RUN, 0.0 if snapshot.free_run else 1.0)
        case Key.NEXT_PART:
            return Command(t_s, Action.SKIP_PART)
        case Key.STATUS:
            return Command(t_s, Action.STATUS)
        case Key.CEILING_UP | Key.CEILING_DOWN:
            return _ceiling(snapshot, ceiling_bpm, 1 if key is Key.CEILING_UP else -1)
        case Key.FASTER | Key.SLOWER:
            return _stepped_speed(snapshot, settings, 1 if key is Key.FASTER else -1)
        case _:
            return None


def _ceiling(snapshot: Snapshot, ceiling_bpm: float | None, step_bpm: int) -> Command | None:
    entry = find("ceiling_bpm")
    wanted = round(snapshot.ceiling_bpm if ceiling_bpm is None else ceiling_bpm) + step_bpm
    within = entry.low is not None and entry.high is not None and entry.low <= wanted <= entry.high
    return Command(snapshot.t_s, Action.CEILING, float(wanted)) if within else None


def _stepped_speed(snapshot: Snapshot, settings: Settings, direction: int) -> Speed | None:
    step_km_h = settings.belt_step_km_h
    if snapshot.speed_m_s is None:
        return None
    steps = round(snapshot.speed_m_s * KM_H_PER_M_S / step_km_h) + direction
    return _typed_speed(snapshot, max(0, steps) * step_km_h / KM_H_PER_M_S)


def _typed_speed(snapshot: Snapshot, speed_m_s: float) -> Speed | None:
    if not 0 <= speed_m_s <= FASTEST_M_S:
        return None
    return Speed(snapshot.t_s, round(speed_m_s, 4), typed=True)


def _speed_entered(entry: str, snapshot: Snapshot, settings: Settings) -> tuple[Speed | None, str]:
    """The speed of an entry, or None and why."""
    if not entry:
        return None, TYPE_SPEED
    number = _number(entry)
    if number is None:
        return None, f"{entry} is no speed: {TYPE_SPEED}"
    speed = _typed_speed(snapshot, number / _per_m_s(settings))
    return speed, f"{entry} {_unit(settings)} is no running speed: {TYPE_SPEED}"


def _grade_entered(entry: str, snapshot: Snapshot) -> tuple[Speed | None, str]:
    """The grade of an entry in percent, or None and why."""
    number = _number(entry)
    if number is None or abs(number) > 100 * STEEPEST:
        said = f"{entry} % is no grade: " if entry else ""
        return None, f"{said}type it as 2 %, or 2 - % downhill"
    return Speed(snapshot.t_s, grade=round(number / 100, 4), typed=True), ""


def _number(entry: str) -> float | None:
    try:
        return float(entry)
    except ValueError:
        return None


def _why_nothing(key: Key, char: str, snapshot: Snapshot) -> str:
    if key in (Key.FASTER, Key.SLOWER):
        return TYPE_SPEED if snapshot.speed_m_s is None else "no faster speed can be set"
    if key in (Key.CEILING_UP, Key.CEILING_DOWN):
        entry = find("ceiling_bpm")
        return f"the ceiling must lie within {entry.range_text}"
    shown = char if char.isprintable() and not char.isspace() else "that key"
    return f"{shown} does nothing: ? says the status, q quits"


def _per_m_s(settings: Settings) -> float:
    return MPH_PER_M_S if settings.units == "mile" else KM_H_PER_M_S


def _unit(settings: Settings) -> str:
    return "mph" if settings.units == "mile" else "km/h"


@contextlib.contextmanager
def terminal_keys(stdin: IO[str], on_key: Callable[[str], None]) -> Iterator[bool]:
    """While inside, each typed character reaches `on_key` in the running loop.

    Gives whether there is a terminal to read; without one nothing happens. The
    terminal's own mode is put back on the way out.
    """
    if not _is_terminal(stdin):
        yield False
    elif sys.platform == "win32":
        with _windows_keys(on_key):
            yield True
    else:
        with _posix_keys(stdin.fileno(), on_key):
            yield True


def _is_terminal(stream: IO[str]) -> bool:
    try:
        fd = stream.fileno()
        if not os.isatty(fd):
            return False
        # A job in the background would be stopped for touching the terminal.
        return sys.platform == "win32" or os.tcgetpgrp(fd) == os.getpgrp()
    except (AttributeError, ValueError, OSError):  # none, closed, or not a file
        return False


@contextlib.contextmanager
def _posix_keys(fd: int, on_key: Callable[[str], None]) -> Iterator[None]:
    import termios
    import tty

    loop = asyncio.get_running_loop()

    def ready() -> None:
        try:
            data = os.read(fd, 64)
        except OSError:
            data = b""
        if not data:  # the terminal went away
            loop.remove_reader(fd)
            return
        if data.startswith(b"\x1b") and len(data) > 1:
            return  # an arrow or function key: not ours, and no letters of it either
        for char in data.decode("utf-8", "ignore"):
            on_key(char)

    before = termios.tcgetattr(fd)
    try:
        tty.setcbreak(fd, termios.TCSANOW)
        loop.add_reader(fd, ready)
        yield
    finally:
        with contextlib.suppress(OSError, termios.error):
            loop.remove_reader(fd)
            termios.tcsetattr(fd, termios.TCSANOW, before)


@contextlib.contextmanager
def _windows_keys(on_key: Callable[[str], None]) -> Iterator[None]:
    import msvcrt
    import time

    loop = asyncio.get_running_loop()
    ended = threading.Event()

    def read() -> None:
        while not ended.is_set():
            if not msvcrt.kbhit():  # type: ignore[attr-defined,unused-ignore]
                time.sleep(0.05)
                continue
            char = msvcrt.getwch()  # type: ignore[attr-defined,unused-ignore]
            if char in ("\x00", "\xe0"):  # first half of an arrow or function key
                msvcrt.getwch()  # type: ignore[attr-defined,unused-ignore]
                continue
            with contextlib.suppress(RuntimeError):  # the loop has just closed
                loop.call_soon_threadsafe(on_key, char)

    threading.Thread(target=read, name="keys", daemon=True).start()
    try:
        yield
    finally:
        ended.set()
