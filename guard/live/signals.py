"""Signals that end a session, and the one that would freeze it."""

from __future__ import annotations

import asyncio
import contextlib
import signal
from collections.abc import Callable, Iterator


@contextlib.contextmanager
def ending_signals(stop: Callable[[str], None]) -> Iterator[None]:
    """SIGINT, SIGTERM and a closed terminal end the session properly; Ctrl-Z does not freeze it."""
    loop = asyncio.get_running_loop()
    names = [name for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)]
    before = {name: signal.getsignal(getattr(signal, name)) for name in names}
    stopping = getattr(signal, "SIGTSTP", None)
    before_stopping = signal.getsignal(stopping) if stopping else None

    def handler(*_: object) -> None:
        loop.call_soon_threadsafe(stop, "interrupted")

    try:
        for name in names:
            signal.signal(getattr(signal, name), handler)
        if stopping:
            signal.signal(stopping, signal.SIG_IGN)
        yield
    finally:
        for name, old in before.items():
            signal.signal(getattr(signal, name), old)
        if stopping:
            signal.signal(stopping, before_stopping)
