"""A listener's own thread and queue: it may be slow, stuck or broken without anyone noticing."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable

Call = Callable[[], None]
WAITING = 50_000  # calls kept for a stuck listener; the oldest go first


class Outlet:
    """Runs calls for one listener in order, in a daemon thread of its own.

    `report` gets (name, error) for the first of a row of failing calls; it is
    called from the listener's thread.
    """

    def __init__(self, name: str, report: Callable[[str, Exception], None]) -> None:
        self.name = name
        self._report = report
        self._calls: deque[Call] = deque(maxlen=WAITING)
        self._latest: Call | None = None
        self._ready = threading.Condition()
        self._ended = self._failing = False
        self._thread = threading.Thread(target=self._work, name=f"outlet-{name}", daemon=True)
        self._thread.start()

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
            try:
                call()
            except Exception as error:
                if not self._failing:
                    self._report(self.name, error)
                self._failing = True
            else:
                self._failing = False
