"""Keys: what each stands for, the quit question, a typed speed, and the terminal put back."""

from __future__ import annotations

import asyncio
import os
import pty
import sys
import termios
from pathlib import Path

import pytest

from guard.events import Action, Command, Speed, State
from guard.live.keys import Key, Keyboard, meaning, terminal_keys
from guard.screen.view import KEY_HINTS
from guard.settings import Settings
from tests.support.live import snapshot

SETTINGS = Settings(ceiling_bpm=139)


@pytest.mark.parametrize(("char", "key"), [
    (" ", Key.HOLD), ("m", Key.MARK), ("M", Key.MARK), ("s", Key.MUTE), ("+", Key.FASTER),
    ("=", Key.FASTER), ("-", Key.SLOWER), ("]", Key.CEILING_UP), ("[", Key.CEILING_DOWN),
    ("f", Key.FREE_RUN), ("n", Key.NEXT_PART), ("?", Key.STATUS), ("i", Key.STATUS), ("q", Key.QUIT),
    ("x", Key.NO), ("é", Key.NO), ("\x1b", Key.NO),
])
def test_meaning(char: str, key: Key) -> None:
    assert meaning(char) is key


@pytest.mark.parametrize(("char", "changes", "action", "value"), [
    (" ", {}, Action.PAUSE, None),
    (" ", {"state": State.HELD}, Action.CONTINUE, None),
    ("s", {}, Action.MUTE, None),
    ("s", {"muted": True}, Action.UNMUTE, None),
    ("f", {}, Action.FREE_RUN, 1.0),
    ("f", {"free_run": True}, Action.FREE_RUN, 0.0),
    ("?", {}, Action.STATUS, None),
    ("n", {}, Action.SKIP_PART, None),
    ("]", {}, Action.CEILING, 140.0),
    ("[", {}, Action.CEILING, 138.0),
    # a warm-up shows a lower ceiling; the key moves the runner's own
    ("]", {"ceiling_bpm": 129.0}, Action.CEILING, 140.0),
])
def test_commands(char: str, changes: dict[str, object], action: Action, value: object) -> None:
    event = Keyboard(SETTINGS).press(char, snapshot(**changes), 0.0)
    assert event == Command(754.0, action, value)


def test_ceiling_stays_in_range() -> None:
    assert Keyboard(Settings(ceiling_bpm=220)).press("]", snapshot(), 0.0) is None


def typed_km_h(event: object) -> float:
    assert isinstance(event, Speed) and event.typed and event.speed_m_s is not None
    return round(event.speed_m_s * 3.6, 3)


def test_speed_moves_by_whole_belt_steps() -> None:
    board = Keyboard(SETTINGS)
    assert typed_km_h(board.press("+", snapshot(speed_m_s=8.6 / 3.6), 0.0)) == 8.7
    assert typed_km_h(board.press("-", snapshot(speed_m_s=8.6 / 3.6), 0.0)) == 8.5
    assert typed_km_h(board.press("-", snapshot(speed_m_s=0.0), 0.0)) == 0.0
    assert board.press("+", snapshot(speed_m_s=None), 0.0) is None
    assert "type the belt's speed first" in board.prompt(0.1)
    assert board.press("y", snapshot(speed_m_s=None), 0.2) is None  # no answer to a quit question
    half = Keyboard(Settings(ceiling_bpm=139, belt_step_km_h=0.5))
    assert typed_km_h(half.press("+", snapshot(speed_m_s=8.5 / 3.6), 0.0)) == 9.0


def test_speed_typed_in_digits() -> None:
    board = Keyboard(SETTINGS)
    for char in "8,75":
        assert board.press(char, snapshot(), 0.0) is None
    assert board.prompt(0.0) == "speed 8.75 km/h: Enter sets it, % makes it the grade"
    board.press("\x7f", snapshot(), 0.0)
    event = board.press("\n", snapshot(grade=0.01), 0.0)
    assert typed_km_h(event) == 8.7
    assert isinstance(event, Speed) and event.grade is None, "a read grade is not made a typed one"
    assert board.prompt(0.0) == ""


@pytest.mark.parametrize(("keys", "grade"), [
    ("2%", 0.02), ("1.5%", 0.015), ("0%", 0.0), ("3-%", -0.03), ("3--%", 0.03), ("12%", 0.12)])
def test_grade_typed_in_percent(keys: str, grade: float) -> None:
    board = Keyboard(SETTINGS)
    event = [board.press(char, snapshot(), 0.0) for char in keys][-1]
    assert event == Speed(754.0, grade=grade, typed=True)


@pytest.mark.parametrize(("keys", "changes", "said"), [
    ("x", {}, "x does nothing: ? says the status, q quits"),
    ("y", {}, "y does nothing: ? says the status, q quits"),
    ("\x1b", {}, "that key does nothing: ? says the status, q quits"),
    ("qx", {}, "going on"),
    ("\n", {}, "type the belt's speed first: 8.5, Enter"),
    ("99\n", {}, "99 km/h is no running speed: type the belt's speed first: 8.5, Enter"),
    ("8-\n", {}, "-8 km/h is no running speed: type the belt's speed first: 8.5, Enter"),
    (".\n", {}, ". is no speed: type the belt's speed first: 8.5, Enter"),
    ("%", {}, "type it as 2 %, or 2 - % downhill"),
    ("99%", {}, "99 % is no grade: type it as 2 %, or 2 - % downhill"),
    ("+", {"speed_m_s": 12.0}, "no faster speed can be set"),
])
def test_a_key_that_changes_nothing_says_why(keys: str, changes: dict[str, object], said: str) -> None:
    board = Keyboard(SETTINGS)
    assert [board.press(char, snapshot(**changes), 0.0) for char in keys][-1] is None
    assert board.prompt(0.1) == said


def test_a_ceiling_at_its_end_says_so() -> None:
    board = Keyboard(Settings(ceiling_bpm=220))
    assert board.press("]", snapshot(), 0.0) is None
    assert board.prompt(0.1).startswith("the ceiling must lie within ")


def test_speed_in_miles() -> None:
    board = Keyboard(Settings(ceiling_bpm=139, units="mile"))
    board.press("6", snapshot(), 0.0)
    event = board.press("\r", snapshot(), 0.0)
    assert isinstance(event, Speed) and event.speed_m_s == pytest.approx(6 * 1609.344 / 3600, abs=1e-4)


def test_nonsense_speed_is_nothing() -> None:
    board = Keyboard(SETTINGS)
    for text in (".\n", "99999\n", "\n", "..\n"):
        assert [board.press(char, snapshot(), 0.0) for char in text][-1] is None


@pytest.mark.parametrize("second", ["q", "y", "Q"])
def test_quit_asks_first(second: str) -> None:
    board = Keyboard(SETTINGS)
    assert board.press("q", snapshot(), 10.0) is None
    assert "quit?" in board.prompt(10.0)
    assert board.press(second, snapshot(), 14.9) == Command(754.0, Action.QUIT)


def test_quit_is_forgotten() -> None:
    board = Keyboard(SETTINGS)
    board.press("q", snapshot(), 10.0)
    assert board.prompt(15.0) == ""
    assert board.press("q", snapshot(), 15.0) is None  # asks anew
    assert board.press("x", snapshot(), 16.0) is None  # no
    assert board.press("y", snapshot(), 16.5) is None
    assert board.press("q", snapshot(), 17.0) is None


def test_every_key_is_in_the_hints() -> None:
    for hint in KEY_HINTS:
        assert "q quit" in hint and "[" in hint and "+" in hint and "?" in hint and " f" in hint
    assert all("m" in hint.split() for hint in KEY_HINTS)


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX terminals")
async def test_terminal_is_read_by_key_and_put_back() -> None:
    primary, secondary = pty.openpty()
    before = termios.tcgetattr(secondary)
    typed: list[str] = []
    try:
        with os.fdopen(secondary, closefd=False) as stdin, pytest.MonkeyPatch.context() as patch:
            patch.setattr(os, "tcgetpgrp", lambda fd: os.getpgrp())
            with terminal_keys(stdin, typed.append) as reading:
                assert reading
                assert not termios.tcgetattr(secondary)[3] & termios.ICANON
                os.write(primary, b"q ")
                await asyncio.sleep(0.05)
                os.write(primary, b"\x1b[A")  # an arrow is none of our letters
                await asyncio.sleep(0.05)
            assert typed == ["q", " "]
            assert termios.tcgetattr(secondary) == before
    finally:
        os.close(primary)
        os.close(secondary)


async def test_no_terminal_no_keys(tmp_path: Path) -> None:
    file = tmp_path / "in"
    file.write_text("q")
    with file.open() as stdin, terminal_keys(stdin, lambda char: pytest.fail("read a key")) as reading:
        assert not reading
    with terminal_keys(None, lambda char: None) as reading:  # type: ignore[arg-type]
        assert not reading
