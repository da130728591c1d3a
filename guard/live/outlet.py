"""A listener, and its own thread and queue: it may be slow, stuck or broken without anyone noticing."""

import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Protocol

from guard.events import CueGiven, Input, Output

Call = Callable[[], None]
MOST_CALLS_WAITING = 50_000  # calls kept for a stuck listener; the oldest go first


class CuePlayer(Protocol):
    """What plays cues."""

    def start(self) -> None: ...
    def cue(self, given: CueGiven) -> None: ...
    def say(self, *parts: str) -> None: ...
    def tick(self) -> None: ...
    def mute(self, on: bool) -> None: ...
    def close(self, goodbye: str | None = None) -> None: ...


class Log(Protocol):
    """What keeps the session."""

    def write(self, item: Input | Output) -> None: ...
    def tick(self) -> None: ...
    def close(self, summary: Mapping[str, object], t_s: float | None = None) -> Path | None: ...


class Outlet:
    """Runs calls for one listener in order, in a daemon thread of its own.

    `report` gets (name, error) for the first of a row of failing calls; it is
    called from the listener's thread.
    """

    def __init__(self, name: str, report: Callable[[str, Exception], None]) -> None:
        self.name = name
        self._report = report
        self._calls: deque[Call] = deque(maxlen=MOST_CALLS_WAITING)
        self._latest: Call | None = None
        self._ready = threading.Condition()
        self._ended = self._failing = False
        self._busy_since_s: float | None = None
        self._thread = threading.Thread(target=self._work, name=f"outlet-{name}", daemon=True)
        self._thread.start()

    @property
    def stuck_s(self) -> float:
        """How long the call that runs now has been running; 0 when none does."""
        since_s = self._busy_since_s
        return 0.0 if since_s is None else time.monotonic() - since_s

    def put(self, call: Call) -> None:
        """Queue a call; returns at once."""
        with self._ready:
            self._calls.append(call)
            self._ready.notify()

    def put_latest(self, call: Call) -> None:
        """Queue a call that takes the place of an earlier one of its kind still waiting."""
        with self._ready:
            self._latest = call
            self._ready.notify()

    def close(self, last: Call, timeout_s: float) -> bool:
        """Run what waits, then `last`, and end; False if that takes longer than `timeout_s`."""
        with self._ready:
            self._latest = None
            self._calls.append(last)
            self._ended = True
            self._ready.notify()
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _work(self) -> None:
        while True:
            with self._ready:
                while not (self._calls or self._latest or self._ended):
                    self._ready.wait()
                if self._calls:
                    call = self._calls.popleft()
                elif self._latest:
                    call, self._latest = self._latest, None
                else:
                    return
            self._busy_since_s = time.monotonic()
            try:
                call()
            except Exception as error:
                if not self._failing:
                    self._report(self.name, error)
                self._failing = True
            else:
                self._failing = False
            finally:
                self._busy_since_s = None


def in_order(event: Input | None, outputs: list[Output]) -> Iterator[Input | Output]:
    """The event between what came before it (timeouts) and what it brought about."""
    if event is None:
        yield from outputs
        return
    yield from (item for item in outputs if item.t_s < event.t_s)
    yield event
    yield from (item for item in outputs if item.t_s >= event.t_s)
