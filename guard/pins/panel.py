"""The panel: a button that gives commands, a lamp and a buzzer that show what is going on.

    button ─> presses ─> on_press        (an input like a key)
    events, frames ─> patterns ─> lamp, buzzer   (listeners, a thread each)

The pins are reached through gpiozero and lgpio, loaded only here and only
when a pin is set. Whatever is wrong with them is one sentence; the session
goes on without.
"""

import itertools
import os
import tempfile
import threading
from collections.abc import Callable
from typing import Any, Protocol

from guard.errors import printable
from guard.events import Action, Command, Input, Output
from guard.live.inbox import Press
from guard.pins import patterns
from guard.pins.patterns import SLOT_S
from guard.screen.frame import Frame
from guard.settings import Settings

LONG_PRESS_S = 2.0  # this long ends the session
POWER_OFF_HOLDS = 3  # and this many times as long switches the machine off
BOUNCE_S = 0.03  # contacts chatter for 1 to 10 ms (common practice)

PIN_PACKAGES_MISSING = ("the packages for button, lamp and buzzer are missing: "
                    "`bash hardware/pi.sh pins` installs them")


class OutputPin(Protocol):
    """What can be on or off (gpiozero's `OutputDevice`)."""

    value: float


class Blinker:
    """`output` follows the newest pattern; whoever asks for one never waits.

    `failed` is called once, from the thread, with the error of an output that
    does not take a value; nothing is tried after that.
    """

    def __init__(self, output: OutputPin, failed: Callable[[Exception], None]) -> None:
        self._output, self._failed = output, failed
        self._change = threading.Condition()
        self._pattern, self._again, self._news, self._ended = "", False, False, False
        self._thread = threading.Thread(target=self._work, name="blinker", daemon=True)
        self._thread.start()

    def show(self, pattern: str, *, again: bool) -> None:
        """Play `pattern` from now on, round and round with `again`; one that goes round is not begun anew."""
        with self._change:
            if again and self._again and pattern == self._pattern:
                return
            self._pattern, self._again, self._news = pattern, again, True
            self._change.notify()

    def close(self, timeout_s: float = 3.0) -> None:
        """Let a pattern that is played once come to its end, then go dark."""
        with self._change:
            self._ended = True
            if self._again:
                self._pattern, self._again, self._news = "", False, True
            self._change.notify()
        self._thread.join(timeout_s)

    def _work(self) -> None:
        try:
            while (turn := self._next()) is not None:
                pattern, again = turn
                for step in itertools.cycle(pattern) if again and len(pattern) > 1 else pattern:
                    self._output.value = step == "#"
                    if self._interrupted(SLOT_S):
                        break
                else:
                    if not again:
                        self._output.value = False
            self._output.value = False
        except Exception as error:
            self._failed(error)

    def _next(self) -> tuple[str, bool] | None:
        """The pattern that is due, None at the end."""
        with self._change:
            while not self._news:
                if self._ended:
                    return None
                self._change.wait()
            self._news = False
            return self._pattern, self._again

    def _interrupted(self, step_s: float) -> bool:
        with self._change:
            return self._change.wait_for(lambda: self._news, step_s)


class Panel:
    """The panel of `settings`; `report` gets each sentence about what is wrong with it.

    Set `on_press` to what a press is to bring about; it is called from a
    thread of gpiozero's.
    """

    def __init__(self, settings: Settings, report: Callable[[str], None]) -> None:
        self.on_press: Callable[[Press], None] = lambda press: None
        self._settings, self._report = settings, report
        self._devices: list[Any] = []
        self._lamp: Blinker | None = None
        self._buzzer: Blinker | None = None
        self._has_button, self._holds, self._muted = False, 0, False

    @property
    def has_button(self) -> bool:
        """Whether a button was found to wait for."""
        return self._has_button

    def open(self) -> None:
        """Claim the pins that are set; never raises. May take a second: gpiozero is loaded here."""
        try:
            gpiozero = _gpiozero()
        except ImportError:
            self._report(PIN_PACKAGES_MISSING)
            return
        except Exception as error:
            self._report(_no_pins(error))
            return
        if output := self._claim(self._settings.pin_lamp, "lamp", gpiozero.DigitalOutputDevice):
            self._lamp = Blinker(output, lambda error: self._report(_failed("lamp", error)))
        if output := self._claim(self._settings.pin_buzzer, "buzzer", gpiozero.DigitalOutputDevice):
            self._buzzer = Blinker(output, lambda error: self._report(_failed("buzzer", error)))
        if button := self._claim(self._settings.pin_button, "button", gpiozero.Button, pull_up=True,
                                 bounce_time=BOUNCE_S, hold_time=LONG_PRESS_S, hold_repeat=True):
            button.when_held, button.when_released = self._held, self._released
            self._has_button = True

    def wait(self, *, searching: bool) -> None:
        """No session runs: the lamp tells whether one is wanted and the strap is looked for."""
        if self._lamp:
            self._lamp.show(patterns.NO_HEART_RATE if searching else patterns.STANDING_BY, again=True)

    # What a session tells (`guard.screen.frame.Onlooker`).

    def event(self, item: Input | Output) -> None:
        """Something happened."""
        if isinstance(item, Command) and item.action in (Action.MUTE, Action.UNMUTE):
            self._muted = item.action is Action.MUTE
        self._buzz(patterns.buzz(item, muted=self._muted))

    def frame(self, frame: Frame) -> None:
        """The newest state."""
        if self._lamp:
            self._lamp.show(patterns.lamp(frame.snapshot), again=True)

    def close(self) -> None:
        """A session has ended; the panel goes on until `release`."""
        self._muted = False
        self._buzz(patterns.BUZZ_ENDED)
        if self._lamp:
            self._lamp.show(patterns.DARK, again=True)

    def release(self) -> None:
        """Everything dark, and the pins given back."""
        for blinker in (self._buzzer, self._lamp):
            if blinker:
                blinker.close()
        for device in self._devices:
            try:
                device.close()
            except Exception as error:
                self._report(f"a pin could not be given back ({_said(error)})")
        self._devices.clear()
        self._lamp = self._buzzer = None
        self._has_button = False

    def _buzz(self, pattern: str) -> None:
        if self._buzzer and pattern:
            self._buzzer.show(pattern, again=False)

    def _claim(self, pin: int | None, name: str, make: Callable[..., Any], **how: Any) -> Any:
        """The device on `pin`; None where none is set or it cannot be had."""
        if pin is None:
            return None
        try:
            device = make(pin, **how)
        except Exception as error:
            self._report(f"no {name} on GPIO {pin} ({_said(error)}): end what else uses that pin, "
                         f"or use another with `guard settings pin_{name}=NUMBER`")
            return None
        self._devices.append(device)
        return device

    def _held(self) -> None:
        self._holds += 1
        if self._holds == 1:
            self._buzz(patterns.BUZZ_HELD)
            self.on_press(Press.LONG)
        elif self._holds == POWER_OFF_HOLDS and self._settings.button_power_off:
            self._buzz(patterns.BUZZ_HELD)
            self.on_press(Press.VERY_LONG)

    def _released(self) -> None:
        holds, self._holds = self._holds, 0
        if not holds:
            self.on_press(Press.SHORT)


def _gpiozero() -> Any:
    """gpiozero, with lgpio to reach the pins unless its own variable names another way."""
    # lgpio puts a pipe into its working folder, which may be read-only.
    os.environ.setdefault("LG_WD", os.environ.get("XDG_RUNTIME_DIR") or tempfile.gettempdir())
    import gpiozero

    if gpiozero.Device.pin_factory is None and not os.environ.get("GPIOZERO_PIN_FACTORY"):
        from gpiozero.pins.lgpio import LGPIOFactory

        gpiozero.Device.pin_factory = LGPIOFactory()
    return gpiozero


def _no_pins(error: Exception) -> str:
    return (f"no pins can be reached ({_said(error)}): button, lamp and buzzer need a Raspberry Pi, "
            "and you in the group gpio (`sudo usermod -aG gpio $USER`, then log in again)")


def _failed(name: str, error: Exception) -> str:
    return f"the {name} failed ({_said(error)}): look at its wires; the guard goes on without it"


def _said(error: Exception) -> str:
    return printable(str(error).strip("'\"") or type(error).__name__)[:120]
