"""Keys: what each stands for, the quit question, a typed speed, and the terminal put back."""

from __future__ import annotations

import asyncio
import os
import pty
import sys
import termios
from pathlib import Path

import pytest

from guard.events import Action, Command, Mark, Speed, State
from guard.live.keys import Key, Keyboard, meaning
from guard.live.terminal import terminal_keys
from guard.screen.figure import Choice
from guard.screen.view import HINTS, KEYS, help_lines
from guard.settings import Settings
from tests.support.live import snapshot

SETTINGS = Settings(ceiling_bpm=139)


@pytest.mark.parametrize(("char", "key"), [
    (" ", Key.HOLD), ("m", Key.MARK), ("M", Key.MARK), ("s", Key.MUTE), ("+", Key.FASTER),
    ("=", Key.FASTER), ("-", Key.SLOWER), ("]", Key.CEILING_UP), ("[", Key.CEILING_DOWN),
    ("f", Key.FREE_RUN), ("n", Key.NEXT_PART), ("?", Key.HELP), ("v", Key.FIGURE), ("i", Key.STATUS),
    ("q", Key.QUIT), ("x", Key.NO), ("é", Key.NO), ("\x1b", Key.NO),
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
    ("i", {}, Action.STATUS, None),
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
    miles = Keyboard(Settings(ceiling_bpm=139, units="mile"))
    event = miles.press("+", snapshot(speed_m_s=5.3 * 1609.344 / 3600), 0.0)
    assert isinstance(event, Speed) and event.speed_m_s == pytest.approx(5.4 * 1609.344 / 3600, abs=1e-4)


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
    assert board.press("\n", snapshot(), 0.0) is None and board.prompt(0.0) == "", "needs no Enter"
    board.press("\n", snapshot(), 0.0)
    assert "type the belt's speed" in board.prompt(0.0)


@pytest.mark.parametrize(("keys", "changes", "said"), [
    ("x", {}, "x does nothing: ? shows the keys, q quits"),
    ("y", {}, "y does nothing: ? shows the keys, q quits"),
    ("\x1b", {}, "that key does nothing: ? shows the keys, q quits"),
    ("qx", {}, "going on"),
    ("\n", {}, "type the belt's speed first: 8.5 or 7:05, Enter"),
    ("99\n", {}, "99 km/h is not a running speed: type the belt's speed first: 8.5 or 7:05, Enter"),
    ("8-\n", {}, "-8 km/h is not a running speed: type the belt's speed first: 8.5 or 7:05, Enter"),
    (".\n", {}, ". is no speed: type the belt's speed first: 8.5 or 7:05, Enter"),
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


def test_every_key_has_a_line_of_help() -> None:
    caps = " ".join(key for key, *_ in KEYS)
    for char in "vsmnfiq[]+-":
        assert char in caps
    assert "space" in caps and "Enter" in caps
    assert all("?" in hint and "q end" in hint for hint in HINTS)
    for width, height in ((78, 20), (40, 9), (30, 6)):
        lines = help_lines(width, height)
        assert len(lines) <= height and max(map(len, lines)) <= width
        assert all(key.split()[0] in " ".join(lines) for key, *_ in KEYS)


def typed(board: Keyboard, keys: str, **changes: object) -> list[object]:
    return [board.press(char, snapshot(**changes), 0.0) for char in keys]


def test_a_typed_pace() -> None:
    # 8:30 min/km is 510 s for 1000 m; a mile is 1609.344 m, exactly
    event = typed(Keyboard(SETTINGS), "8:30\n")[-1]
    assert isinstance(event, Speed) and event.speed_m_s == pytest.approx(1000 / 510, abs=1e-4)
    mile = Keyboard(Settings(ceiling_bpm=139, units="mile"))
    typed(mile, "10:30")
    assert mile.prompt(0.0) == "pace 10:30 min/mile: Enter sets it"
    event = typed(mile, "\n")[-1]
    assert isinstance(event, Speed) and event.speed_m_s == pytest.approx(1609.344 / 630, abs=1e-4)


@pytest.mark.parametrize("keys", ["8:3\n", "8:75\n", "0:00\n", "0:30\n"])
def test_what_is_no_pace_is_none(keys: str) -> None:
    board = Keyboard(SETTINGS)
    assert typed(board, keys)[-1] is None
    assert "is no" in board.prompt(0.1)


@pytest.mark.parametrize(("keys", "now_m_s", "asked"), [
    ("30\n", None, "30.0 km/h (2:00 min/km)? Enter sets it"),  # what 8:30 once became
    ("0.85\n", None, "0.8 km/h"),
    ("16.5\n", 8.2 / 3.6, "16.5 km/h (3:38 min/km)? Enter sets it"),
    ("16.5\n", None, ""), ("12\n", 5 / 3.6, ""), ("3\n", 12 / 3.6, ""), ("0\n", 3.0, ""), ("9\n", 0.0, ""),
])
def test_an_unlikely_speed_is_asked_about(keys: str, now_m_s: float | None, asked: str) -> None:
    board = Keyboard(SETTINGS)
    event = typed(board, keys, speed_m_s=now_m_s)[-1]
    assert (event is None) is bool(asked) and board.prompt(0.1).startswith(asked)
    if asked:
        assert isinstance(typed(board, "\n", speed_m_s=now_m_s)[-1], Speed), "Enter says yes"
        assert board.prompt(0.1) == ""
        typed(board, keys, speed_m_s=now_m_s)
        assert typed(board, "x", speed_m_s=now_m_s) == [None]
        assert board.prompt(0.1) == "the speed stays as it was"
        assert typed(board, "\n", speed_m_s=now_m_s) == [None], "the question is closed"


def test_a_new_speed_can_be_typed_over_the_question() -> None:
    board = Keyboard(SETTINGS)
    typed(board, "30\n")
    assert typed_km_h(typed(board, "8.5\n")[-1]) == pytest.approx(8.5, abs=0.01)


def test_q_at_an_asked_speed_asks_for_the_end_first() -> None:
    board = Keyboard(SETTINGS)
    assert typed(board, "30\nq")[-1] is None and "quit?" in board.prompt(0.1)
    assert typed(board, "q")[-1] == Command(754.0, Action.QUIT)


def test_help_first_status_second() -> None:
    board = Keyboard(SETTINGS)
    assert board.press("?", snapshot(), 10.0) is None and board.helping(10.1)
    assert board.press("?", snapshot(), 12.0) == Command(754.0, Action.STATUS) and not board.helping(12.1)
    board.press("?", snapshot(), 20.0)
    assert not board.helping(60.0), "it goes by itself"
    board.press("?", snapshot(), 70.0)
    assert board.press("\x1b", snapshot(), 71.0) is None
    assert not board.helping(71.1) and not board.prompt(71.1)
    board.press("?", snapshot(), 80.0)
    assert board.press("m", snapshot(), 81.0) == Mark(754.0), "a key does what it does"


def test_one_key_changes_the_large_figure() -> None:
    board = Keyboard(SETTINGS)
    assert board.choice is Choice.ROOM
    typed(board, "v")
    assert board.choice is Choice.HEART_RATE and board.prompt(0.1) == "large: heart rate"
    typed(board, "v")
    assert board.choice is Choice.ROOM, "a speed to set only on a belt"
    typed(board, "vv", belt=True)
    assert board.choice is Choice.SPEED


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
