"""What other threads have for a live session, also before its loop runs."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable

from guard.events import SoundHealth

Item = SoundHealth | str


class Inbox:
    """Hands items from any thread to the loop it is attached to, in order; keeps them until then."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: list[Item] = []
        self._hand_over: Callable[[Item], None] | None = None

    def sound(self, backend: str, detail: str = "") -> None:
        """Sound leaves the machine through `backend` now ("none" when it cannot)."""
        self._put(SoundHealth(0.0, backend, detail))

    def note(self, sentence: str) -> None:
        """A sentence the runner should see."""
        self._put(sentence)

    def attach(self, loop: asyncio.AbstractEventLoop, take: Callable[[Item], None]) -> None:
        """From now on `take` gets every item, in `loop`."""
        def hand_over(item: Item) -> None:
            with contextlib.suppress(RuntimeError):  # the loop has just closed
                loop.call_soon_threadsafe(take, item)

        with self._lock:
            kept, self._kept = self._kept, []
            self._hand_over = hand_over
            for item in kept:
                hand_over(item)

    def _put(self, item: Item) -> None:
        with self._lock:
            if self._hand_over:
                self._hand_over(item)
            else:
                self._kept.append(item)
