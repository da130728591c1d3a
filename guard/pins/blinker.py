"""Plays patterns on one output, in a thread of its own."""

import itertools
import threading
from collections.abc import Callable
from typing import Protocol

from guard.pins.patterns import SLOT_S


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
