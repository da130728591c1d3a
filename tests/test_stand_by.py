"""`guard run --stand-by`: waits for radio, button and strap, guards, waits again; nothing is ever asked."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory

from guard.clock import PacedClock
from guard.commands import stand_by as module
from guard.commands.session_parts import SessionKind
from guard.commands.stand_by import FIRST_WORD_AFTER, Unattended, power_off, stand_by
from guard.errors import HardwareError
from guard.events import Action, Command, Input, Reading
from guard.files.folders import sessions_dir
from guard.pins import panel as panel_module
from guard.settings import Settings
from tests.support.bluez import start_bluez
from tests.support.live import FakeSource, until
from tests.support.pins import mock_pins

STRAP = "C8:00:00:00:00:09"
BUTTON, LAMP = 17, 27
SETTINGS = Settings(ceiling_bpm=139, sound=False, pin_button=BUTTON, pin_lamp=LAMP)
READINGS: list[Input] = [Reading(t / 100.0, 120, True) for t in range(1, 20)]


class FoundSource(FakeSource):
    """A strap that is found after a while."""

    async def prepare(self, tell: Callable[[str], None]) -> None:
        tell("looking for the strap")
        await asyncio.sleep(0.05)


@pytest.fixture
def pins(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[MockFactory]:
    monkeypatch.setenv("GUARD_HOME", str(tmp_path))
    monkeypatch.setattr(panel_module, "LONG_PRESS_S", 0.1)
    with mock_pins() as factory:
        yield factory


async def press(pins: MockFactory, for_s: float = 0.01) -> None:
    await asyncio.to_thread(pins.pin(BUTTON).drive_low)
    await asyncio.sleep(for_s)
    await asyncio.to_thread(pins.pin(BUTTON).drive_high)


def logs(folder: Path) -> list[list[dict]]:
    return [[json.loads(line) for line in path.read_text().splitlines()]
            for path in sorted((folder / "data" / "sessions").glob("*.jsonl"))]


async def test_the_button_begins_and_ends_sessions_one_after_another(pins: MockFactory, tmp_path: Path):
    told: list[str] = []
    sources: list[FoundSource] = []

    def source() -> FoundSource:
        sources.append(FoundSource(READINGS, stay=True))
        return sources[-1]

    running = asyncio.create_task(stand_by(
        SETTINGS, SessionKind(title="", log_folder=sessions_dir), source, told.append))  # type: ignore[arg-type]
    for number in (1, 2):
        await until(lambda number=number: told.count("waiting for the button") == number)
        assert len(sources) == number - 1  # nothing is searched before
        await press(pins)
        await until(lambda number=number: len(logs(tmp_path)) == number)
        await until(lambda number=number: any(
            line["type"] == "reading" for line in logs(tmp_path)[number - 1]))
        await press(pins, 0.25)
        await until(lambda number=number: sum("has ended" in one for one in told) == number)
    await until(lambda: told[-1] == "waiting for the button")
    await press(pins, 0.25)  # a long press begins nothing
    os.kill(os.getpid(), signal.SIGTERM)
    assert await asyncio.wait_for(running, 5) == 0
    for log in logs(tmp_path):
        assert log[-1]["type"] == "end"
        assert [line["action"] for line in log if line["type"] == "command"] == ["status", "quit"]
    assert all(one.let_go for one in sources)
    assert any(state.state for state in pins.pin(LAMP).states) and not pins.pin(LAMP).state


async def test_a_search_is_left_by_a_long_press(pins: MockFactory):
    class Nowhere(FoundSource):
        async def prepare(self, tell: Callable[[str], None]) -> None:
            tell("looking for the strap")
            await asyncio.Event().wait()

    told: list[str] = []
    running = asyncio.create_task(stand_by(
        SETTINGS, SessionKind(title="", log_folder=sessions_dir), lambda: Nowhere([]), told.append))  # type: ignore
    await until(lambda: "waiting for the button" in told)
    await press(pins)
    await until(lambda: "looking for the strap" in told)
    await press(pins, 0.25)
    await until(lambda: told[-1] == "waiting for the button")
    os.kill(os.getpid(), signal.SIGINT)
    assert await asyncio.wait_for(running, 5) == 0


@pytest.mark.parametrize("allowed", [False, True])
async def test_a_very_long_press_switches_off_after_the_session_is_closed(
        pins: MockFactory, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, allowed: bool):
    done: list[str] = []
    monkeypatch.setattr(module, "power_off", lambda: done.append(logs(tmp_path)[0][-1]["type"]))
    told: list[str] = []
    running = asyncio.create_task(stand_by(
        SETTINGS.replaced({"button_power_off": allowed}), SessionKind(title="", log_folder=sessions_dir),
        lambda: FoundSource(READINGS, stay=True), told.append))  # type: ignore[arg-type, return-value]
    await until(lambda: "waiting for the button" in told)
    await press(pins)
    await until(lambda: bool(logs(tmp_path)) and len(logs(tmp_path)[0]) > 5)
    await press(pins, 0.5)
    if not allowed:
        await until(lambda: told.count("waiting for the button") == 2)
        os.kill(os.getpid(), signal.SIGTERM)
    assert await asyncio.wait_for(running, 5) == 0
    assert done == ["end"] * allowed


def test_power_off_that_is_refused_says_the_fix(monkeypatch: pytest.MonkeyPatch, tmp_path: Path):
    marks = tmp_path / "marks"
    refuses, obeys = (sys.executable, "-c", "import sys; sys.exit('not allowed')"), ("touch", str(marks))
    monkeypatch.setattr(module, "POWER_OFF", (refuses, ("no-such-command",), obeys))
    power_off()
    assert marks.exists()
    monkeypatch.setattr(module, "POWER_OFF", (refuses,))
    with pytest.raises(HardwareError, match=r"\(not allowed\).*pi.sh install --power-off"):
        power_off()


@pytest.mark.parametrize("quiet_s", [0.0, 30.0])
async def test_it_ends_when_the_heart_rate_has_long_been_gone(quiet_s: float):
    silent = [Reading(float(t), 0, None) for t in range(11, 60)] + [
        Reading(float(t), 120, False) for t in range(60, 100)]
    inner = FakeSource([*(Reading(float(t), 120, None) for t in range(1, 11)), *silent])
    source = Unattended(inner, quiet_s)
    taken: list[Input] = []
    clock = PacedClock(400.0)
    await asyncio.wait_for(source.run(clock, taken.append), 10)
    assert inner.let_go
    last_s = max(event.t_s for event in taken)
    assert last_s == 99.0 if not quiet_s else 38.0 <= last_s <= 45.0
    asked = [at for at, event in enumerate(taken) if isinstance(event, Command)]
    assert asked == [FIRST_WORD_AFTER] and taken[asked[0]].action is Action.STATUS  # type: ignore[union-attr]


def test_the_strap_must_be_known_and_waiting_has_no_end(capsys, monkeypatch, tmp_path):
    from guard.cli import main

    monkeypatch.setenv("GUARD_HOME", str(tmp_path))
    assert main(["run", "--ceiling", "139", "--stand-by"]) == 2
    assert "guard straps --remember NAME" in capsys.readouterr().err
    assert main(["run", "--ceiling", "139", "--stand-by", "--strap", "X", "--wait", "9"]) == 2
    assert "leave --wait out" in capsys.readouterr().err


def test_from_no_radio_to_a_session_and_a_clean_stop(tmp_path: Path):
    """The process a service runs: Bluetooth comes late, then the strap; a stop closes the log."""
    with start_bluez(service=False) as bluez, (tmp_path / "err").open("wb") as err:
        env = {**os.environ, **bluez.env, "GUARD_HOME": str(tmp_path / "home"), "GUARD_SOUND": "off"}
        process = subprocess.Popen(
            [sys.executable, "-m", "guard", "run", "--stand-by", "--ceiling", "139", "--strap", STRAP],
            env=env, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=err)

        def said(words: str) -> bool:
            return words in (tmp_path / "err").read_text()

        try:
            _wait(lambda: said("the Bluetooth service is not running"))
            bluez.start_service()
            _wait(lambda: said("looking for the heart-rate strap"))
            assert process.poll() is None
            bluez.add_strap(STRAP, "Invented strap", bpm=120, interval_s=0.3)
            _wait(lambda: bool(logs(tmp_path / "home")) and sum(
                line["type"] == "reading" for line in logs(tmp_path / "home")[0]) > 6)
            process.send_signal(signal.SIGINT)
            assert process.wait(15) == 0
        finally:
            if process.poll() is None:
                process.kill()
                process.wait()
    log = logs(tmp_path / "home")[0]
    assert log[-1]["type"] == "end"
    assert {"type": "command", "action": "status"}.items() <= next(
        line for line in log if line["type"] == "command").items()
    text = (tmp_path / "err").read_text()
    assert "Traceback" not in text and "the session has ended; its log:" in text
    # Said once, however long it lasts.
    assert text.count("the Bluetooth service is not running") == 1


def _wait(condition: Callable[[], bool], limit_s: float = 25.0) -> None:
    ends_s = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < ends_s
        time.sleep(0.05)
