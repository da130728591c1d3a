"""Button, lamp and buzzer, on gpiozero's mock pins, which remember what happened on them."""

from __future__ import annotations

import asyncio
import itertools
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import gpiozero
import pytest
from gpiozero.pins.mock import MockFactory

from guard.clock import PacedClock
from guard.events import Action, Battery, Command, Cue, CueGiven, Input, Reading, State
from guard.live.inbox import Press
from guard.live.live import Ended
from guard.pins import panel as panel_module
from guard.pins import patterns
from guard.pins.panel import Blinker, Panel
from guard.screen.frame import Frame
from guard.settings import Settings
from tests.support.live import FakeLog, rising_run, snapshot, until
from tests.support.pins import mock_pins
from tests.test_live import Stage

BUTTON, LAMP, BUZZER = 17, 27, 22
SETTINGS = Settings(ceiling_bpm=139, warm_up_s=0, pin_button=BUTTON, pin_lamp=LAMP, pin_buzzer=BUZZER)


@pytest.fixture
def pins(monkeypatch: pytest.MonkeyPatch) -> Iterator[MockFactory]:
    monkeypatch.setattr(patterns, "SLOT_S", 0.01)
    monkeypatch.setattr("guard.pins.panel.SLOT_S", 0.01)
    monkeypatch.setattr(panel_module, "LONG_PRESS_S", 0.1)
    with mock_pins() as factory:
        yield factory


@pytest.fixture
def said() -> list[str]:
    return []


@pytest.fixture
def panel(pins: MockFactory, said: list[str]) -> Iterator[Panel]:
    panel = Panel(SETTINGS, said.append)
    panel.open()
    yield panel
    panel.release()


def press(pins: MockFactory, for_s: float = 0.02) -> None:
    """As a thumb does: the button pulls its pin to ground."""
    pins.pin(BUTTON).drive_low()
    time.sleep(for_s)
    pins.pin(BUTTON).drive_high()


def changes(pins: MockFactory, number: int) -> int:
    return len(pins.pin(number).states) - 1


class PanelStage(Stage):
    """A real session with the panel beside fakes of everything else."""

    def __init__(self, panel: Panel, events: list[Input], **source: object) -> None:
        super().__init__(events, **source)
        self.panel = panel
        panel.on_press = self.inbox.press

    async def go(self) -> Ended:
        return await self.run(SETTINGS, panel=self.panel)

    def asked(self) -> list[Action]:
        return [item.action for item in self.log.items if isinstance(item, Command)]


# --- patterns ------------------------------------------------------------------


def rhythm(pattern: str) -> tuple[tuple[bool, int], ...]:
    """Runs of on and off, without the silence at the end."""
    return tuple((sign == "#", len(list(run))) for sign, run in itertools.groupby(pattern.rstrip(".")))


def test_every_cue_has_a_rhythm_and_no_two_are_alike():
    assert set(patterns.BUZZ) == set(Cue) - {Cue.NONE}
    all_of_them = [*patterns.BUZZ.values(), patterns.BUZZ_PAUSED, patterns.BUZZ_GOING_ON,
                   patterns.BUZZ_ENDED, patterns.BUZZ_HELD]
    # Long is at least twice as long as short, so that a rhythm is told by counting.
    counted = [tuple(length >= 4 for on, length in rhythm(one) if on) for one in all_of_them]
    assert len(set(counted)) == len(counted)
    assert all(len(one) * patterns.SLOT_S <= 2.6 for one in all_of_them)


def test_no_lamp_pattern_flashes_more_than_three_times_a_second():
    """WCAG 2.2, success criterion 2.3.1 (three flashes in any one second)."""
    second = round(1 / patterns.SLOT_S)
    lamp = (patterns.SLOW, patterns.FAST, patterns.HELD, patterns.NO_HEART_RATE, patterns.STANDING_BY)
    for pattern in lamp:
        long = "." + pattern * 20
        windows = (long[at:at + second + 1] for at in range(len(long) - second))
        assert max(window.count(".#") for window in windows) <= 3


def test_lamp_of_each_state():
    shown = {state: patterns.lamp(snapshot(state=state, last_cue=None)) for state in State}
    assert shown[State.STEADY] == patterns.STEADY and shown[State.DONE] == patterns.DARK
    assert len(set(shown.values())) == len(State) - 1  # warming is like steady
    assert patterns.lamp(snapshot(state=State.WARMING, level_bpm=None)) == patterns.NO_HEART_RATE
    stop = CueGiven(700.0, Cue.STOP, "over")
    assert patterns.lamp(snapshot(state=State.STEADY, last_cue=stop, room_bpm=-4.0)) == patterns.FAST
    assert patterns.lamp(snapshot(state=State.STEADY, last_cue=stop, room_bpm=9.0)) == patterns.STEADY


@pytest.mark.parametrize("cue", [Cue.EASE, Cue.STOP, Cue.SIGNAL_LOST])
def test_a_muted_buzzer_tells_stop_and_sensor_only(cue: Cue):
    given = CueGiven(1.0, cue)
    assert patterns.buzz(given, muted=False)
    assert bool(patterns.buzz(given, muted=True)) is (cue is not Cue.EASE)
    assert patterns.buzz(Battery(1.0, 40), muted=False) == ""


# --- through a session ---------------------------------------------------------


async def test_a_session_on_lamp_and_buzzer(panel: Panel, pins: MockFactory, said: list[str]):
    stage = PanelStage(panel, rising_run(100), stay=True)
    stage.clock = PacedClock(100.0)
    running = asyncio.create_task(stage.go())
    await until(lambda: bool(stage.sounder.asked("cue")))
    await until(lambda: changes(pins, BUZZER) >= 4)  # two long tones
    await until(lambda: changes(pins, LAMP) >= 5)
    pins.pin(BUZZER).assert_states([False, True, False, True, False])
    long_on, gap = (pins.pin(BUZZER).states[i].timestamp for i in (2, 3))
    assert 0.035 < long_on < 0.2 and 0.01 < gap < 0.15  # five and two steps of 10 ms
    assert pins.pin(LAMP).states[1].state  # steady on, then blinking
    panel.on_press(Press.LONG)
    ended = await running
    assert ended.how == "quit"
    await until(lambda: changes(pins, BUZZER) >= 10)  # three long ones: ended
    assert said == [] and ended.troubles == ()
    panel.release()
    assert not pins.pin(LAMP).state and not pins.pin(BUZZER).state
    assert pins.pin(LAMP).function == "input"


async def test_presses_pause_go_on_and_end_and_are_logged(panel: Panel, pins: MockFactory):
    stage = PanelStage(panel, [Reading(float(t), 120, True) for t in range(1, 20)], stay=True)
    running = asyncio.create_task(stage.go())
    await until(lambda: len(stage.log.items) >= 20)
    await asyncio.to_thread(press, pins)
    await until(lambda: stage.asked() == [Action.PAUSE])
    await asyncio.to_thread(press, pins)
    await until(lambda: stage.asked() == [Action.PAUSE, Action.CONTINUE])
    await asyncio.to_thread(press, pins, 0.25)  # held: ends while still held
    ended = await running
    assert ended.how == "quit" and ended.exit_code == 0
    assert stage.asked() == [Action.PAUSE, Action.CONTINUE, Action.QUIT]
    spoken = stage.sounder.asked("say")
    assert spoken[0].startswith("the guard is paused") and "paused" not in spoken[1]


@pytest.mark.parametrize("allowed", [False, True])
def test_only_a_very_long_hold_switches_off_and_only_where_allowed(
        pins: MockFactory, said: list[str], allowed: bool):
    panel = Panel(SETTINGS.replaced({"button_power_off": allowed}), said.append)
    told: list[Press] = []
    panel.on_press = told.append
    panel.open()
    press(pins, 0.25)
    assert told == [Press.LONG]
    press(pins, 0.6)
    assert told == [Press.LONG, Press.LONG] + [Press.VERY_LONG] * allowed
    press(pins)
    assert told[-1] is Press.SHORT
    panel.release()
    assert said == []


async def test_a_stuck_pin_delays_no_cue(panel: Panel):
    held = threading.Event()

    class Stuck:
        @property
        def value(self) -> float:
            return 0.0

        @value.setter
        def value(self, _value: float) -> None:
            held.wait(20)

    panel._lamp = panel._buzzer = Blinker(Stuck(), lambda error: None)
    stage = PanelStage(panel, rising_run())
    began_s = time.monotonic()
    ended = await stage.go()
    assert time.monotonic() - began_s < 5.0
    held.set()
    assert Cue.EASE in [given.cue for given in stage.sounder.asked("cue")]
    assert ended.how == "ended" and isinstance(stage.log, FakeLog) and stage.log.closed_with is not None


# --- faults --------------------------------------------------------------------


def test_a_pin_that_breaks_is_said_once_and_the_rest_goes_on(
        panel: Panel, pins: MockFactory, said: list[str], monkeypatch: pytest.MonkeyPatch):
    def broken(value: Any) -> None:
        raise OSError("bad file descriptor")

    monkeypatch.setattr(pins.pin(LAMP), "_set_state", broken)
    panel.frame(Frame(snapshot()))
    panel.event(CueGiven(1.0, Cue.EASE))
    _wait(lambda: bool(said) and changes(pins, BUZZER) >= 4)
    panel.frame(Frame(snapshot(state=State.WALKING)))
    time.sleep(0.05)
    assert said == ["the lamp failed (bad file descriptor): look at its wires; the guard goes on without it"]


def test_a_pin_in_use_is_named_with_the_fix(pins: MockFactory, said: list[str]):
    other = gpiozero.LED(LAMP)
    panel = Panel(SETTINGS, said.append)
    panel.open()
    other.close()
    panel.release()
    assert len(said) == 1
    assert said[0].startswith(f"no lamp on GPIO {LAMP} (") and "`guard settings pin_lamp=NUMBER`" in said[0]


def test_one_pin_for_two_things_is_said(pins: MockFactory, said: list[str]):
    panel = Panel(SETTINGS.replaced({"pin_buzzer": LAMP}), said.append)
    panel.open()
    panel.release()
    assert len(said) == 1 and said[0].startswith(f"no buzzer on GPIO {LAMP} (")


def test_missing_packages_are_said(said: list[str], monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setitem(sys.modules, "gpiozero", None)
    panel = Panel(SETTINGS, said.append)
    panel.open()
    assert said == [panel_module.PIN_PACKAGES_MISSING] and not panel.has_button
    panel.event(CueGiven(1.0, Cue.EASE))
    panel.frame(Frame(snapshot()))
    panel.close()
    panel.release()


def test_a_machine_without_pins_is_said(said: list[str], monkeypatch: pytest.MonkeyPatch):
    """For real where lgpio is installed: most machines have no such chip."""
    pytest.importorskip("lgpio", reason="lgpio is not installed")
    if Path("/dev/gpiochip0").exists():
        pytest.skip("this machine has pins")
    monkeypatch.setattr(gpiozero.Device, "pin_factory", None)
    panel = Panel(SETTINGS, said.append)
    panel.open()
    assert len(said) == 1 and said[0].startswith("no pins can be reached (") and "group gpio" in said[0]


def test_nothing_is_loaded_where_no_pin_is_set():
    code = ("import sys, guard.commands.run, guard.commands.session_parts as parts; "
            "from guard.settings import Settings; "
            "assert parts.panel_for(Settings(), print) is None; "
            "assert not [m for m in sys.modules if 'gpio' in m]")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr


def _wait(condition: Any, limit_s: float = 5.0) -> None:
    ends_s = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < ends_s
        time.sleep(0.01)
